"""The unit's own habit of bleeding, and what departs from it.

Learned from the first lines of the ledger: a bleed that is always the same, one that follows the
make-up, or something between. Later lines are held against it by the solids balance

.. math:: \\gamma\\,(E + A\\dot h + B) - B\\,c = \\frac{d(Vc)}{dt}, \\quad c = C / C_m

in which either the bleed B may have changed or the make-up, by the factor gamma. The explanation
that fits all of the newest lines wins; hot and cold hours, days and nights tell them apart. A probe
that reads low by a share looks like softer make-up in every line, and nothing in the readings can
separate the two. Errors of the weather's evaporation, of volume and of the site file's figures are
in the habit as well and drop out.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING, Final

import numpy as np

from rules.alarms import is_active
from rules.arrays import F64, I8, I64, Bool
from rules.physics.robust import median as _median
from rules.plan import FleetPlan
from rules.state import BIN_MS, LEDGER_LINES, FleetState
from rules.water_ledger import LONGEST_BINS, Lines, newest_lines

if TYPE_CHECKING:
    from rules.bins import BinView
    from rules.look import UnitLook

__all__ = [
    "FRESH_HARDER",
    "Says",
    "Verdict",
    "forget_habit",
    "keep_habits",
    "verdict",
    "verdict_of_look",
]

LINES: Final = 4
"""Newest lines that must agree: half a day of running, so that no single batch of chemicals, no
visit and no shower decides."""

EVAPORATION_SCATTER_FRAC: Final = 0.12
"""Scatter of the evaporation between one line and another of the same unit (judgement: a third of
its uncertainty is in the habit already)."""
END_ERROR_FRAC: Final = 0.015
"""Uncertainty of the conductivity at either end of a line, over its reading (judgement)."""
DEAD_BAND_FRAC: Final = 0.04
"""Half of the dead band of a bleed by set point: at the end of a line it may be due or just done
(common practice: set points with 5 to 10 % of difference)."""
LEAST_ERROR_FRAC: Final = 0.005
"""Of the valve's full flow: the least uncertainty of a line."""
LEARN_CHI2: Final = 3.0
"""Mean square of the deviations, in standard deviations, up to which a habit is one."""
FINE_CHI2: Final = 2.5
"""The same up to which the newest lines are as by habit."""
TELLING_FRAC: Final = 0.5
TELLING_CHI2: Final = 9.0
"""Lines that are as by habit prove it if half of the usual bleed would have shown in them by three
standard deviations."""
ODD_CHI2: Final = 7.5
"""The same from which they are not."""
FIT_CHI2: Final = 4.0
FIT_SHARE: Final = 0.05
"""The same up to which an explanation fits; of much to be explained a share is forgiven."""
SURE: Final = 5.0
"""Difference of the sums of squares that decides between two explanations: odds of twelve to one
(likelihood ratio of normal errors, exp(5/2))."""
STEADY_FRAC: Final = 0.7
"""Share of the bleed that does not follow the make-up from which it counts as always the same."""
FRESH_SHARE: Final = 1.05
FRESH_ERROR_FRAC: Final = 0.12
"""A basin just filled holds make-up, a twentieth evaporated already; heel and residue (judgement).
"""
LEAST_TELLING: Final = 2
"""Lines that must say it clearly; the others may say nothing."""
TIGHT_FRAC: Final = 0.25
"""Range of the concentration over its middle up to which, without any weather, it is a habit."""
ABOVE_TOP: Final = 1.1
"""Concentration over the habit's high one from which a bleed by set point or meter is overdue."""


class Says(IntEnum):
    """What the newest lines say against the habit: the codes of ``ledger_says``."""

    NOTHING = 0
    """No habit yet, not enough lines, or none of the explanations fits."""
    FINE = 1
    MORE = 2
    """More water leaves than ever, at all hours."""
    LESS = 3
    """The bleed carries less."""
    HARDER = 4
    """The make-up is harder, and the bleed as usual."""
    LOWER = 5
    """Everything reads lower by the same share: the probe, or softer make-up."""


@dataclass(frozen=True)
class Verdict:
    """What the lines say of some units, arrays (m,); NaN where not known.

    ``bleed_l_min`` explains the newest lines with the make-up as in the site file,
    ``habit_l_min`` is the bleed by habit; ``makeup_ratio`` is the make-up's (or the reading's)
    share of the usual with the bleed by habit; ``ratio`` the mean concentration C / C_m.
    """

    says: I8
    bleed_l_min: F64
    habit_l_min: F64
    makeup_ratio: F64
    ratio: F64


def forget_habit(state: FleetState, row: int) -> None:
    """A person's word: this unit bleeds otherwise from now on."""
    state.habit[row] = np.nan
    state.ledger[row] = np.nan
    state.ledger_count[row] = 0
    state.ledger_says[row] = Says.NOTHING


def keep_habits(plan: FleetPlan, state: FleetState, rows: I64) -> None:
    """Learn habits, and judge, for units that have just got a line in their ledger."""
    new = np.isnan(state.habit[rows, 3]) & (state.ledger_count[rows] >= LEDGER_LINES)
    new &= ~state.baseline_frozen[rows]
    at = np.flatnonzero(new)
    if len(at):
        well = ~is_active(state.alarm_state[rows[at]]).any(axis=1)
        _learn(plan, state, rows[at[well]])
    known = ~np.isnan(state.habit[rows, 3])
    state.ledger_says[rows[~known]] = Says.NOTHING
    judged = rows[known]
    if len(judged):
        state.ledger_says[judged] = verdict(plan, state, judged).says


def denied_by_now(view: BinView, *meant: Says) -> Bool:
    """Which units of a view have just proven, with a new line, that it is none of ``meant``."""
    state, rows = view.state, view.rows
    new = state.ledger_bin[rows] == view.time_ms // BIN_MS - 1
    says = state.ledger_says[rows]
    return np.asarray(new & (says != Says.NOTHING) & ~np.isin(says, meant), dtype=np.bool_)


def _line_sd(plan: FleetPlan, rows: I64, lines: Lines, steady: Bool) -> F64:
    """Standard deviation of what a line says was gained. [L/min]"""
    level = plan.float_shut_mm[rows] - 0.5 * plan.float_band_mm[rows] + plan.pull_down_mm[rows]
    turn = plan.area_m2[rows] * level / (LONGEST_BINS * BIN_MS / 60_000.0)
    ends = END_ERROR_FRAC + np.where(steady, 0.0, DEAD_BAND_FRAC)
    sd: F64 = np.sqrt(
        (EVAPORATION_SCATTER_FRAC * lines.let_in) ** 2
        + ((ends * turn)[:, None] * lines.ratio) ** 2
        + (LEAST_ERROR_FRAC * plan.makeup_max_l_min[rows])[:, None] ** 2
    )
    return sd


def _learn(plan: FleetPlan, state: FleetState, rows: I64) -> None:
    """Bleed as b0 + b1 (E + A dh/dt), neither below 0, by weighted least squares."""
    lines = newest_lines(state, rows, LEDGER_LINES)
    spread = lines.ratio.max(axis=1) - lines.ratio.min(axis=1)
    middle = np.median(lines.ratio, axis=1)
    high = np.quantile(lines.ratio, 0.9, axis=1)
    usual = lines.let_in.mean(axis=1)
    sd = _line_sd(plan, rows, lines, np.ones(len(rows), dtype=np.bool_))
    c1 = (lines.ratio - 1.0) / sd
    x0, x1, y = c1, c1 * lines.let_in, lines.gained / sd
    s00, s01, s11 = (x0 * x0).sum(axis=1), (x0 * x1).sum(axis=1), (x1 * x1).sum(axis=1)
    t0, t1 = (x0 * y).sum(axis=1), (x1 * y).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        det = s00 * s11 - s01 * s01
        b0, b1 = (t0 * s11 - t1 * s01) / det, (t1 * s00 - t0 * s01) / det
        only0, only1 = t0 / s00, t1 / s11
    b1 = np.where(b0 < 0.0, only1, np.where(b1 < 0.0, 0.0, b1))
    b0 = np.where(b0 < 0.0, 0.0, np.where(b1 == 0.0, only0, b0))
    left = y - b0[:, None] * x0 - b1[:, None] * x1
    chi2 = (left * left).mean(axis=1)
    found = (chi2 <= LEARN_CHI2) & (b0 >= 0.0) & (b1 >= 0.0) & (b0 + b1 * usual > 0.0)
    # Without weather: a concentration that hardly moves is a habit as well.
    tight = np.isnan(lines.let_in).all(axis=1) & (spread <= TIGHT_FRAC * middle)
    b0, b1 = np.where(found, b0, np.nan), np.where(found, b1, np.nan)
    habit = np.stack([b0, b1, high, middle], axis=1)
    state.habit[rows] = np.where((found | tight)[:, None], habit, np.nan)


def verdict(plan: FleetPlan, state: FleetState, rows: I64) -> Verdict:
    """What the newest lines of units with a habit say."""
    out, unsure = _verdict(plan, state, rows, LINES)
    again = np.flatnonzero(unsure & (state.ledger_count[rows] >= 2 * LINES))
    if len(again):
        # Both explanations fit half a day of running: a whole day has other hours.
        out.says[again] = _verdict(plan, state, rows[again], 2 * LINES)[0].says
    return out


@dataclass(frozen=True)
class _Fits:
    """Three explanations of the newest lines, each with one number; arrays (m,), chi2 in all."""

    habit: F64
    """Bleed by habit, mean over the lines. [L/min]"""
    steady: Bool
    """By habit it hardly follows the make-up."""
    bleed: F64
    chi_bleed: F64
    """Another bleed that is always the same. [L/min]"""
    share: F64
    chi_share: F64
    """A share of the bleed by habit."""
    factor: F64
    chi_makeup: F64
    """Other make-up, over the usual."""
    usual: F64
    """(m, lines) what the bleed by habit carries, in standard deviations."""
    off: F64
    """(m, lines) deviations from the habit, in standard deviations; above 0 where more leaves."""
    limit: F64
    """Sum of squares up to which an explanation fits."""


def _last_fill(state: FleetState, rows: I64, lines: Lines) -> F64:
    """C / C_m of a basin just filled: in these lines, else the last one if it was unusual.

    An older fill with the usual make-up says nothing of what came in since.
    """
    all_ = newest_lines(state, rows, LEDGER_LINES).fresh
    there = ~np.isnan(all_)
    last = all_.shape[1] - 1 - there[:, ::-1].argmax(axis=1)
    old = all_[np.arange(len(rows)), last]
    usual = (old < FRESH_HARDER) & (old > 1.0 / FRESH_HARDER)
    here = _median(lines.fresh)
    return np.where(np.isnan(here), np.where(usual, np.nan, old), here)


def _fits(plan: FleetPlan, state: FleetState, rows: I64, lines: Lines) -> _Fits:
    b0, b1 = state.habit[rows, 0].astype(np.float64), state.habit[rows, 1].astype(np.float64)
    by_habit = np.maximum(b0[:, None] + b1[:, None] * lines.let_in, 0.0)
    habit = by_habit.mean(axis=1)
    steady: Bool = np.asarray(b0 >= STEADY_FRAC * habit, dtype=np.bool_)
    sd = _line_sd(plan, rows, lines, steady)
    c1 = lines.ratio - 1.0
    y = lines.gained / sd
    usual = by_habit * c1 / sd
    off = y - usual
    bleed, chi_bleed = _fit(c1 / sd, y)
    share, chi_share = _fit(usual, y)
    factor, chi_makeup = _fit(
        (lines.let_in + by_habit) / sd, (by_habit * lines.ratio + lines.let_in - lines.gained) / sd
    )
    fresh = _last_fill(state, rows, lines)
    filled = ~np.isnan(fresh)
    wide = FRESH_ERROR_FRAC * np.maximum(factor, 1.0)
    chi_makeup += np.where(filled, ((fresh - FRESH_SHARE * factor) / wide) ** 2, 0.0)
    as_ever = np.where(filled, ((fresh - FRESH_SHARE) / FRESH_ERROR_FRAC) ** 2, 0.0)
    limit = FIT_CHI2 * off.shape[1] + FIT_SHARE * (off * off).sum(axis=1)
    return _Fits(
        habit, steady, bleed, chi_bleed + as_ever, share, chi_share + as_ever, factor, chi_makeup,
        usual, off, limit,
    )  # fmt: skip


def _verdict(plan: FleetPlan, state: FleetState, rows: I64, n: int) -> tuple[Verdict, Bool]:
    """The verdict by the newest ``n`` lines, and where two explanations fit as well."""
    lines = newest_lines(state, rows, n)
    f = _fits(plan, state, rows, lines)
    off2 = f.off * f.off
    chi = off2.sum(axis=1)
    # Cool hours, in which a good bleed does as little as a bad one, clear nobody.
    power2 = (TELLING_FRAC * f.usual) ** 2
    fine = (chi < FINE_CHI2 * n) & (power2.sum(axis=1) >= TELLING_CHI2)
    newest2 = off2[:, -2:].sum(axis=1)
    fine |= (newest2 < FINE_CHI2 * 2) & (power2[:, -2:].sum(axis=1) >= TELLING_CHI2)
    sense = np.where(f.off.sum(axis=1) > 0.0, 1.0, -1.0)
    along = sense[:, None] * f.off
    # Lines in which a good bleed does much must all say it; those of cool hours need not.
    telling = TELLING_FRAC * f.usual > 2.0
    odd = (chi >= ODD_CHI2 * n) & ((along > 2.0).sum(axis=1) >= LEAST_TELLING)
    odd &= ((along > 1.0) | ~telling).all(axis=1) & ~(along < -1.0).any(axis=1)
    odd &= ~fine
    up, down = odd & (sense > 0.0), odd & (sense < 0.0)

    more, lower, unsure = _leaves_more(plan, state, rows, lines, f)
    less, harder = _leaves_less(plan, state, rows, lines, f)
    # What was proven stays so until the opposite is.
    before = state.ledger_says[rows]
    says = np.where(before == Says.FINE, np.int8(Says.NOTHING), before)
    says[down & harder] = Says.HARDER
    says[down & less] = Says.LESS
    says[up & lower] = Says.LOWER
    says[up & more] = Says.MORE
    says[fine] = Says.FINE
    blind = np.isnan(f.habit)
    if blind.any():
        says[blind] = _by_concentration(plan, state, rows[blind], lines, blind)
    out = Verdict(says, f.bleed, f.habit, f.factor, lines.ratio.mean(axis=1))
    return out, np.asarray(up & unsure & ~blind, dtype=np.bool_)


def _leaves_more(
    plan: FleetPlan, state: FleetState, rows: I64, lines: Lines, f: _Fits
) -> tuple[Bool, Bool, Bool]:
    """More leaves; everything reads lower; both explain it as well."""
    before = state.ledger_says[rows]
    needed = lines.let_in.mean(axis=1) / (plan.target_cycles[rows] - 1.0)
    least = plan.settings.get("bleed-stuck-open", "habit_ratio", rows)
    fits_bleed, fits_makeup = f.chi_bleed <= f.limit, f.chi_makeup <= f.limit
    ahead = f.chi_makeup - f.chi_bleed
    more = fits_bleed & (f.bleed >= least * f.habit)
    # A bleed that follows the make-up has its reasons up to what the intended cycles want.
    more &= f.steady | (f.bleed >= least * needed)
    more &= (ahead >= SURE) | ~fits_makeup | ((before == Says.MORE) & (ahead > -SURE))
    lower = fits_makeup & (f.factor <= plan.settings.get("conductivity-probe", "habit_ratio", rows))
    lower &= (ahead <= -SURE) | ~fits_bleed | ((before == Says.LOWER) & (ahead < SURE))
    return more, lower, fits_bleed & fits_makeup & ~more & ~lower


def _leaves_less(
    plan: FleetPlan, state: FleetState, rows: I64, lines: Lines, f: _Fits
) -> tuple[Bool, Bool]:
    """The bleed carries less; the make-up is harder."""
    before = state.ledger_says[rows]
    fresh = _last_fill(state, rows, lines)
    # A bleed by set point or by meter is overdue only once the water is denser than ever.
    overdue = f.steady | (lines.ratio.mean(axis=1) > ABOVE_TOP * state.habit[rows, 2])
    chi_less = np.minimum(f.chi_bleed, f.chi_share)
    fits_less, fits_makeup = chi_less <= f.limit, f.chi_makeup <= f.limit
    ahead = f.chi_makeup - chi_less
    most = plan.settings.get("bleed-blocked", "habit_ratio", rows)
    low = np.minimum(f.bleed, f.share * f.habit) <= most * f.habit
    less = fits_less & overdue & low & (f.share <= STILL_DOWN * most)
    less &= (ahead >= -SURE) | ~fits_makeup
    harder = fits_makeup & (overdue | (fresh >= FRESH_HARDER))
    harder &= f.factor >= plan.settings.get("makeup-quality-changed", "habit_ratio", rows)
    stays = before == Says.HARDER
    # Where both explain it, a bleed fails more often than a supply changes (common practice).
    harder &= (ahead <= -SURE) | ~fits_less | stays
    return less & ~(harder & stays), harder


STILL_DOWN: Final = 1.25
"""Both ways of bleeding less must show it, one of them a little less."""
FRESH_HARDER: Final = 1.35
"""Concentration of a basin just filled that says by itself that the make-up is harder."""


def _by_concentration(plan: FleetPlan, state: FleetState, rows: I64, lines: Lines, of: Bool) -> I8:
    """Where no weather is sent: the concentration against a habit that is known to be tight."""
    share = lines.ratio[of] / state.habit[rows, 3].astype(np.float64)[:, None]
    low = plan.settings.get("conductivity-probe", "habit_ratio", rows)
    high = plan.settings.get("makeup-quality-changed", "habit_ratio", rows)
    even = share.max(axis=1) <= (1.0 + TIGHT_FRAC) * share.min(axis=1)
    below = (share <= np.reshape(low, (-1, 1))).sum(axis=1) >= LINES - 1
    above = (share >= np.reshape(high, (-1, 1))).all(axis=1)
    fresh = _median(lines.fresh[of])
    before = state.ledger_says[rows]
    says = np.where(before == Says.FINE, np.int8(Says.NOTHING), before)
    says[(np.abs(share[:, -2:] - 1.0) <= 0.5 * TIGHT_FRAC).all(axis=1)] = Says.FINE
    # Water that was just let in takes hours to concentrate.
    settled = np.isnan(lines.fresh[of]).all(axis=1)
    says[(below & even & settled) | (fresh <= low)] = Says.LOWER
    # A bleed that never stops thins the water at night and less by day.
    says[below & ~even & settled] = Says.MORE
    says[above & ~(fresh >= FRESH_HARDER)] = Says.LESS
    says[above & (fresh >= FRESH_HARDER)] = Says.HARDER
    return says


def _fit(x: F64, y: F64) -> tuple[F64, F64]:
    """The factor k of y = k x by least squares, and the sum of squares left, by row."""
    k = (x * y).sum(axis=1) / np.maximum((x * x).sum(axis=1), 1e-12)
    left = y - k[:, None] * x
    return k, (left * left).sum(axis=1)


def verdict_of_look(look: UnitLook) -> Verdict | None:
    """The verdict on one unit, arrays of length one; None while it has no habit."""
    row = np.array([look.row])
    if np.isnan(look.state.habit[look.row, 3]):
        return None
    return verdict(look.plan, look.state, row)
