"""Clock wrong: a sender whose time stamps are ahead of, or constantly behind, the receiver's clock.

Stamps far ahead, or older than anything that is kept, are refused where they come in. A clock that
is behind by a constant amount passes; it is told from a backlog by its lag, which stays the same
while messages come regularly. One clock usually stamps a whole site, so a site has one ticket.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.alarms import UNKNOWN
from rules.arrays import F64, I8, I64, Bool
from rules.events import Cause, Evidence, Reading, Severity
from rules.faults.base import CauseEntry, Fault, Setting
from rules.faults.grading import course
from rules.faults.rule import Rule
from rules.look import UnitLook
from rules.plan import FleetPlan
from rules.silence import ClockView
from rules.stamps import APART_MS, STEADY_S
from rules.state import FleetState

__all__ = ["CLOCK_WRONG"]

_SLUG: Final = "clock-wrong"


def _signs(
    plan: FleetPlan, state: FleetState, rows: I64, now_ms: int
) -> tuple[Bool, Bool, Bool, F64]:
    """Refused; behind; behind as long as the alarm stands; and by how much behind [s], (k,) each.

    A refused stamp decides the amount where there are both.
    """

    def setting(name: str) -> F64:
        return plan.settings.get(_SLUG, name, rows)

    last, since = state.stamp_last_ms[rows], state.stamp_since_ms[rows]
    refused = (last > 0) & (now_ms - last <= APART_MS)
    refused &= state.stamp_count[rows] >= setting("least_stamps")
    refused &= last - since >= setting("ahead_hold_s") * 1000.0
    last, since = state.lag_last_ms[rows], state.lag_since_ms[rows]
    lag_s = state.lag_s[rows].astype(np.float64)
    lags = (last > 0) & (now_ms - last <= APART_MS) & (lag_s >= setting("behind_s"))
    steady = lags & (state.lag_count[rows] >= setting("least_stamps"))
    steady &= last - since >= setting("behind_hold_s") * 1000.0
    return refused, steady, lags, np.where(refused, state.stamp_lag_s[rows], lag_s)


def judge(view: ClockView, announced: I8) -> I8:
    """Each unit by its stamps; of the wrong ones of a site, one carries the ticket."""
    state, rows = view.state, view.rows
    now_ms = int(view.time_ms[0]) if len(rows) else 0
    out = np.zeros(len(rows), dtype=np.int8)
    refused, steady, lags, _ = _signs(view.plan, state, rows, now_ms)
    wrong = refused | steady | (lags & (announced > 0))
    # Who is not heard may have set the clock meanwhile, or not.
    heard_ms = np.maximum(state.stamp_last_ms[rows], state.lag_last_ms[rows])
    out[~wrong & (now_ms - heard_ms > APART_MS)] = UNKNOWN
    at = np.flatnonzero(wrong)
    if len(at):
        site = view.site[at]
        # Who stands already goes on standing; else the first in the site's order.
        order = np.lexsort((at, announced[at] == 0, site))
        first = np.unique(site[order], return_index=True)[1]
        carrier = at[order[first]]
        lost = refused[carrier] | _runs_late(state, rows[carrier])
        out[carrier] = np.where(lost, Severity.MEDIUM, Severity.LOW)
    return out


def _runs_late(state: FleetState, rows: I64) -> Bool:
    """Stamps so far behind the unit's own newest frame that its frames count as late."""
    newest_ms = state.lag_last_ms[rows] - state.lag_s[rows] * 1000.0
    late: Bool = state.frame_ms[rows] - newest_ms > 1000.0 * (STEADY_S + LATE_S)
    return late


LATE_S: Final = 120.0
"""Beyond the steps of a constant lag: what senders and links may add (judgement). [s]"""


def explain(look: UnitLook, severity: Severity) -> Evidence:
    """By how much, which units of the site, and what is judged meanwhile."""
    state, plan, row = look.state, look.plan, look.row
    rows = np.flatnonzero(plan.site_index == plan.site_index[row])
    refused, steady, _lags, lag_s = _signs(plan, state, rows, look.time_ms)
    here = int(np.flatnonzero(rows == row)[0])
    wrong = refused | steady
    wrong[here] = True
    minutes = float(lag_s[here]) / 60.0
    names = [plan.unit_of_row[int(r)][1].name for r in rows[wrong]]
    side = "ahead of" if minutes < 0 else "behind"
    since_ms = state.stamp_since_ms[row] if refused[here] else state.lag_since_ms[row]
    hours = (look.time_ms - int(since_ms)) / 3_600_000.0
    if refused[here]:
        meanwhile = "Its readings are refused: the unit is not watched."
    elif bool(_runs_late(state, np.array([row]))[0]):
        meanwhile = (
            "Its readings are older than others that came before, so they are stored but not "
            "judged until its time has caught up."
        )
    else:
        meanwhile = (
            "Its readings are judged by their own time, so every alarm comes late, and local times "
            "on its tickets are wrong."
        )
    return Evidence(
        summary=f"The time stamps are {_amount(abs(minutes))} {side} the receiver's clock. "
        + meanwhile,
        confidence=0.95 if refused[here] else 0.8,
        readings=(
            Reading("Time stamps ahead of the receiver's clock", -minutes, "min", None,
                    -look.setting(_SLUG, "behind_s") / 60.0, 5.0, f"for {hours:.1f} h"),
            Reading("Units with wrong stamps", float(len(names)), "",
                    note=", ".join(names[:10]) + (", …" if len(names) > 10 else "")),
        ),
        causes=_causes(minutes, len(names), len(rows)),
        limits=(
            "A gateway on site that holds every message back for exactly as long looks the same.",
        ) if not refused[here] else (),
    )  # fmt: skip


def _amount(minutes: float) -> str:
    if minutes < 180.0:
        return f"{minutes:.0f} min"
    return f"{minutes / 60.0:.1f} h" if minutes < 2880.0 else f"{minutes / 1440.0:.0f} days"


def _causes(minutes_behind: float, units: int, of_units: int) -> tuple[Cause, ...]:
    quarter = abs(minutes_behind / 15.0 - round(minutes_behind / 15.0)) < 0.15
    zone = quarter and 25.0 < abs(minutes_behind) < 15 * 60.0
    reset = minutes_behind > 300 * 1440.0
    absurd = minutes_behind < -300 * 1440.0
    causes = (
        Cause("time-zone", "Local time sent as UTC, or summer time", 0.9 if zone else 0.1,
              ("a whole number of quarter hours",) if zone else (),
              () if zone else ("no whole number of quarter hours",),
              "Set the sender to send UTC, or the right time zone."),
        Cause("clock-reset", "Clock lost its time: empty battery, no network time",
              0.9 if reset else 0.4 if not zone else 0.2,
              ("years behind",) if reset else (), (),
              "Look at the controller's date; change its battery, give it network time."),
        Cause("clock-drift", "Clock was set by hand and drifts", 0.3 if not (reset or zone) else
              0.1, (), (), "Set the clock, give it network time (NTP)."),
        Cause("time-unit", "Time sent in another unit, milliseconds for seconds",
              0.9 if absurd else 0.05, ("years ahead",) if absurd else (),
              () if absurd else ("the amount does not fit",),
              "Look at the sender's settings: SenML time is in seconds."),
        Cause("store-forward", "Site's gateway holds the messages back for a fixed time",
              0.05 if minutes_behind < 0 else 0.3, (),
              ("stamps ahead cannot come from waiting",) if minutes_behind < 0 else (),
              "Ask how the site's gateway buffers.", ruled_out=minutes_behind < 0),
    )  # fmt: skip
    return tuple(sorted(causes, key=lambda c: (c.ruled_out, -c.agreement)))


CLOCK_WRONG: Final = Rule(
    Fault(
        slug=_SLUG,
        title="Clock wrong",
        family="telemetry",
        meaning="The unit's time stamps are ahead of the receiver's clock, or behind it by a "
        "constant amount.",
        consequence="Readings far ahead are refused; others are judged late, under wrong times.",
        action="Set the sender's clock to UTC by network time.",
        causes=(
            CauseEntry("time-zone", "Local time sent as UTC, or summer time",
                       "the sender's time zone", "telemetry"),
            CauseEntry("clock-reset", "Clock lost its time: empty battery, no network time",
                       "the controller's date, its battery", "telemetry"),
            CauseEntry("clock-drift", "Clock was set by hand and drifts", "network time",
                       "telemetry"),
            CauseEntry("time-unit", "Time sent in another unit", "the sender's settings",
                       "telemetry"),
            CauseEntry("store-forward", "Site's gateway holds messages back for a fixed time",
                       "how it buffers", "telemetry"),
        ),
        needs=(),
        helps=(),
        suppressed_by=(),
        response={
            Severity.LOW: "with the next planned visit",
            Severity.MEDIUM: "this week, today in hot weather: the unit is not watched",
        },
        job_plan="telemetry",
        settings=(
            Setting("least_stamps", 3.0, "messages", 2.0, 1000.0,
                    "wrong stamps that count", "one or two may be a message that was held up"),
            Setting("ahead_hold_s", 600.0, "s", 0.0, 86_400.0,
                    "time over which stamps were refused", "two samples at five minutes"),
            Setting("behind_s", 900.0, "s", 300.0, 86_400.0,
                    "constant lag that counts",
                    "means over five minutes, stamped at their start, and a slow link stay below"),
            Setting("behind_hold_s", 3600.0, "s", 600.0, 604_800.0,
                    "time over which the lag stays the same within five minutes",
                    "a backlog catches up within the hour, and its lag moves by more than that"),
            *course(0.0, "the times above are delay enough",
                    900.0, "three samples at five minutes with right stamps"),
        ),
        judged_by="clock",
    ),
    judge,
    explain,
)  # fmt: skip
