"""What close-outs teach: how often the first cause was right, what it was instead, what to try.

Each closed ticket names the first cause that was told, and what was found part by part. A cause is
right where something was found at a part that it stands for, wrong where something was found only
elsewhere, something else there, or nothing at all; without findings by part nothing is concluded.
Suggestions compare refuted tickets with confirmed ones, and are never applied by the program.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import NormalDist, median
from typing import Final

from rules.evaluation.intervals import wilson_interval
from rules.events import Evidence, Reading
from rules.faults.base import Fault

__all__ = [
    "LEAST_EACH",
    "PARTS_OF",
    "Case",
    "FaultLesson",
    "Finding",
    "Outcome",
    "PartVerdict",
    "Suggestion",
    "judge",
    "learn",
    "parts_of",
    "smaller_p",
    "verdict_kept",
]

LEAST_EACH: Final = 5
"""Fewer refuted or confirmed tickets than this suggest nothing (judgement): with five on each side
the rank test can reach a hundredth, with three hardly a twentieth."""
LEAST_P: Final = 0.05
NOTHING: Final = "nothing found"

PARTS_OF: Final[Mapping[str, tuple[str, ...]]] = {
    "pump-screen-clogging": ("pump-screen",),
    "distribution-restricted": ("distribution",),
    "downstream-open": ("distribution",),
    "line-open": ("distribution",),
    "pump-drawing-air": ("basin", "pump"),
    "suction-leak": ("pump",),
    "worn-pump": ("pump",),
    "wrong-impeller": ("pump",),
    "bearing-or-rubbing": ("pump",),
    "jammed": ("pump",),
    "phase-lost": ("electrics",),
    "tripped": ("electrics", "pump"),
    "no-supply": ("electrics",),
    "pump-not-running": ("pump", "electrics"),
    "basin-leak": ("basin",),
    "basin-leaks": ("basin",),
    "drain-open": ("basin",),
    "drain-passing": ("basin",),
    "drain-shut": ("basin",),
    "float-open": ("float",),
    "float-setting": ("float",),
    "float-shut": ("float",),
    "float-stuck-shut": ("float",),
    "float-leaking": ("float",),
    "float-waterlogged": ("float",),
    "seat-worn": ("float",),
    "supply-pressure": ("float",),
    "level-high-reading": ("sensor",),
    "level-low-reading": ("sensor",),
    "transmitter": ("sensor",),
    "frozen-signal": ("sensor", "controls"),
    "forced-value": ("controls",),
    "sensor": ("sensor",),
    "proof": ("sensor",),
    "probe-open": ("sensor",),
    "probe-fouled": ("sensor",),
    "probe-in-fresh-water": ("sensor",),
    "probe-wrong": ("sensor",),
    "air-bubbles": ("sensor",),
    "conductivity-probe": ("sensor",),
    "open-circuit": ("sensor", "electrics"),
    "short-circuit": ("sensor", "electrics"),
    "wrong-scale": ("sensor", "controls"),
    "input-card": ("controls",),
    "line-blocked": ("bleed",),
    "bleed-valve": ("bleed",),
    "bleed-blocked": ("bleed",),
    "bleed-small": ("bleed",),
    "bleed-setting": ("bleed", "controls"),
    "contactor": ("electrics",),
    "motor-protection": ("electrics", "fans"),
    "belt-or-coupling": ("fans",),
    "blocked": ("fans",),
    "fan-capacity-lost": ("fans",),
    "hand": ("controls", "electrics"),
    "other-command": ("controls",),
    "coil-fouled": ("coil",),
    "pads-clogged": ("pads",),
    "pads-not-wetting": ("pads",),
    "non-condensables": ("refrigerant-side",),
    "heater-failed": ("electrics",),
    "wet-mode-not-locked-out": ("controls",),
    "not-drained": ("basin", "controls"),
    "left-full": ("basin", "controls"),
}
"""The parts at which a cause is found, by the cause's slug; those that no part of the unit shows
(weather, load, supply, network) are not among them."""

_BY_FAULT: Final[Mapping[tuple[str, str], tuple[str, ...]]] = {
    ("fan-fault", "supply"): ("electrics",),
    ("fan-not-proven", "supply"): ("electrics",),
}

_STUFF: Final = (
    r"(?:faults?|trouble|dirt|dust|mud|silt|sludge|slime|leaves|scale|lime|fouling|rust|corrosion|"
    r"defects?|damage|wear|cause|findings?|blockages?|leaks?)"
)
_IN_ORDER: Final = re.compile(
    r"(?:all |both |it |they |was |were |is |are |looks? |still |found |quite |very )*"
    rf"(?:nothing|none|(?:no|free of|free from|clean of|without) (?:any )?{_STUFF}"
    rf"(?: (?:or|and|nor) {_STUFF})*|clean|ok|okay|in (?:good )?order|fine|good|normal|as new|free|"
    r"intact|not (?:dirty|fouled|blocked|clogged|worn|stuck|scaled|leaking))\b"
    # What may follow in the same breath; with any other word it is praise of something else.
    r"(?: (?:and|clean|ok|okay|fine|good|free|intact|normal|tight|dry|condition|order|shape|state|"
    r"as|new|found|seen|visible|wrong|unusual|amiss|suspicious|at all|here|there|on|in|inside|"
    r"outside|the|this|part|both|sides|throughout|everywhere|works?|working|runs?|running|turns?|"
    r"moves?|freely|by eye))*",
    re.IGNORECASE,
)
"""A clause that says that the part was in order."""
_TROUBLE: Final = re.compile(
    r"\b(?:but|except|apart|however|although|after|until|once|again|only|"
    r"dirt\w*|dust\w*|mud\w*|silt\w*|sludge|slime|algae|leaves|leaf|scal\w+|lime\w*|rust\w*|corro\w+|"
    r"foul\w*|block\w*|clog\w*|plugged|jam\w*|stuck|seiz\w+|worn|wear|torn|broken?|crack\w*|bent|"
    r"loose|leak\w*|missing|burn\w*|trip\w*|fail\w*|fault\w*|defect\w*|damag\w*|wrong|stiff|noisy|"
    r"dead|open-circuit|short-circuit)\b|\d\s*(?:mm|cm|%|kg|l\b)",
    re.IGNORECASE,
)
"""A word, or an amount, of something that was found."""
_DENIED: Final = re.compile(
    r"\b(?:no|not|nor|without|free (?:of|from)|clean of|nothing)(?: (?:any|the|at|all))*"
    r"(?: [\w-]+)?(?:(?:,| or| and| nor) [\w-]+)*?(?= *(?:$|[.;:!]|,|but|found|seen|visible))",
    re.IGNORECASE,
)


def _is_nothing(found: str) -> bool:
    """Whether a free text says that a part was in order. What is not understood is a finding."""
    clauses = [c.strip() for c in re.split(r"[.,;:!()–—]| - ", found) if c.strip()]
    if not clauses or not _IN_ORDER.fullmatch(clauses[0]):
        return False
    return not any(_TROUBLE.search(_DENIED.sub("", clause)) for clause in clauses[1:])


class PartVerdict(StrEnum):
    """What a person says of one part, in one word beside the free text."""

    AS_SAID = "as said"
    ELSE = "something else"
    NOTHING = "nothing found"


def verdict_kept(text: str) -> PartVerdict | None:
    """A verdict as it was kept; None where there is none, or none that this version knows."""
    return PartVerdict(text) if text in PartVerdict.__members__.values() else None


@dataclass(frozen=True)
class Finding:
    """One part of a close-out: what was found there, in the technician's words.

    ``verdict`` is None where none was given: then the words are read.
    """

    part: str
    found: str
    verdict: PartVerdict | None = None

    @property
    def is_something(self) -> bool:
        """Whether it says that something was wrong there."""
        if self.verdict is not None:
            return self.verdict is not PartVerdict.NOTHING
        return not _is_nothing(self.found)


@dataclass(frozen=True)
class Case:
    """One closed ticket. ``lasted_s`` is how long readings were not normal, None where not known.

    ``evidence`` is that of the ticket's opening: what was told before anybody had looked.
    """

    number: str
    site: str
    unit: str
    fault: str
    opened_ms: int
    evidence: Evidence | None
    findings: tuple[Finding, ...]
    lasted_s: float | None = None

    @property
    def first_cause(self) -> str:
        """The slug of the cause that stood first, '' where none was told."""
        return self.evidence.causes[0].slug if self.evidence and self.evidence.causes else ""


class Outcome(StrEnum):
    """What a close-out says of the first cause."""

    RIGHT = "right"
    WRONG = "wrong"
    UNCLEAR = "cannot tell"


@dataclass(frozen=True)
class Judged:
    """A case with its outcome, and what it was instead: parts, or nothing."""

    case: Case
    outcome: Outcome
    instead: str = ""


@dataclass(frozen=True)
class Suggestion:
    """A change of settings to think about. ``settings`` are the names it is about.

    ``value`` is a value to try, None where the evidence names none. ``saves`` of the refuted
    tickets would not have come, and ``misses`` of the confirmed ones not or later.
    """

    fault: str
    settings: tuple[str, ...]
    value: float | None
    unit: str
    saves: int
    misses: int
    refuted: int
    confirmed: int
    p: float
    said: str


@dataclass(frozen=True)
class FaultLesson:
    """What the close-outs of one fault say.

    ``low_frac`` and ``high_frac`` are the 95 % Wilson interval of ``right`` in ``judged``.
    """

    fault: str
    tickets: int
    judged: int
    right: int
    low_frac: float
    high_frac: float
    instead: tuple[tuple[str, int], ...]
    causes: tuple[tuple[str, int, int], ...]
    """By first cause: its slug, how often it was right, in how many judged."""
    cases: tuple[Judged, ...]
    suggestions: tuple[Suggestion, ...]

    @property
    def right_frac(self) -> float | None:
        """The share that was right, None where none could be judged."""
        return self.right / self.judged if self.judged else None


def parts_of(fault: str, cause: str) -> tuple[str, ...]:
    """The parts at which a cause of a fault is found; () where none of the unit's shows it."""
    return _BY_FAULT.get((fault, cause), PARTS_OF.get(cause, ()))


def judge(case: Case) -> Judged:
    """Whether the first cause was right.

    >>> from rules.events import Cause, Evidence
    >>> told = Evidence("x", 0.8, causes=(Cause("pump-screen-clogging", "Screen", 0.9),))
    >>> found = (Finding("float", "jammed"),)
    >>> case = Case("BW-1", "site", "ac-1", "pump-screen-clogging", 0, told, found)
    >>> judge(case).outcome.value, judge(case).instead
    ('wrong', 'float')
    """
    expected = parts_of(case.fault, case.first_cause)
    if not case.findings or not expected:
        return Judged(case, Outcome.UNCLEAR)
    something = [f.part for f in case.findings if f.is_something]
    # Something else at the very part is another cause all the same.
    as_said = [f.part for f in case.findings
               if f.is_something and f.verdict is not PartVerdict.ELSE]  # fmt: skip
    if any(part in expected for part in as_said):
        return Judged(case, Outcome.RIGHT)
    return Judged(case, Outcome.WRONG, ", ".join(sorted(set(something))) or NOTHING)


def learn(
    cases: Iterable[Case],
    faults: Mapping[str, Fault],
    value_of: Mapping[tuple[str, str], float] | None = None,
) -> list[FaultLesson]:
    """What the close-outs say, the fault with the most judged tickets first.

    Parameters
    ----------
    cases : iterable of Case
        Closed tickets.
    faults : mapping
        The catalogue by slug, for the settings.
    value_of : mapping
        The fleet's settings by (fault, name) where they differ from the catalogue's.
    """
    by_fault: dict[str, list[Judged]] = {}
    for case in cases:
        by_fault.setdefault(case.fault, []).append(judge(case))
    lessons = [
        _lesson(slug, judged, faults.get(slug), value_of or {}) for slug, judged in by_fault.items()
    ]
    return sorted(lessons, key=lambda one: (-one.judged, -one.tickets, one.fault))


def _lesson(
    slug: str,
    cases: Sequence[Judged],
    fault: Fault | None,
    value_of: Mapping[tuple[str, str], float],
) -> FaultLesson:
    told = [c for c in cases if c.outcome is not Outcome.UNCLEAR]
    right = sum(c.outcome is Outcome.RIGHT for c in told)
    low, high = wilson_interval(right, len(told))
    instead = Counter(c.instead for c in told if c.outcome is Outcome.WRONG)
    causes: dict[str, list[bool]] = {}
    for one in told:
        causes.setdefault(one.case.first_cause, []).append(one.outcome is Outcome.RIGHT)
    found = (
        () if fault is None else (_by_limit(fault, told, value_of), _by_time(fault, told, value_of))
    )
    return FaultLesson(
        slug, len(cases), len(told), right, low, high,
        tuple(sorted(instead.items(), key=lambda pair: (-pair[1], pair[0]))),
        tuple((c, sum(hits), len(hits)) for c, hits in sorted(causes.items())),
        tuple(sorted(cases, key=lambda c: -c.case.opened_ms)),
        tuple(s for s in found if s is not None),
    )  # fmt: skip


# --- suggestions --------------------------------------------------------------------------------


def _by_limit(
    fault: Fault, cases: Sequence[Judged], value_of: Mapping[tuple[str, str], float]
) -> Suggestion | None:
    """Refuted tickets lay closer to the limit than confirmed ones: a wider limit to think about."""
    beyond = [(c.outcome, *_beyond(c.case.evidence)) for c in cases]
    by_quantity = Counter(q for _, q, _, _ in beyond if q)
    if not by_quantity:
        return None
    quantity = by_quantity.most_common(1)[0][0]
    mine = [(o, far, reading) for o, q, far, reading in beyond if q == quantity]
    refuted = [far for outcome, far, _ in mine if outcome is Outcome.WRONG]
    confirmed = [far for outcome, far, _ in mine if outcome is Outcome.RIGHT]
    found = _threshold(refuted, confirmed)
    if found is None:
        return None
    far, saves, misses, p = found
    settings = tuple(
        s.name for s in fault.settings
        if not s.name.endswith("delay_s") and "deadband" not in s.name
    )  # fmt: skip
    value, name, unit = None, "", ""
    limits = {_limit(reading) for _, _, reading in mine if reading is not None}
    if len(limits) == 1:
        (limit,) = limits
        equal = [
            s for s in fault.settings
            if s.name in settings
            and math.isclose(value_of.get((fault.slug, s.name), s.default), limit, rel_tol=1e-6)
        ]  # fmt: skip
        if len(equal) == 1:
            name, unit = equal[0].name, equal[0].unit
            value, settings = _moved(limit, far, mine[0][2]), (name,)
    what = (
        f"{name} = {value:.4g} {unit}".rstrip()
        if value is not None
        else f"a limit {100 * far:.0f} % further out ({', '.join(settings[:4])})"
    )
    said = (
        f"{quantity}: at refuted tickets it was {_pct(median(refuted))} beyond the limit (median), "
        f"at confirmed ones {_pct(median(confirmed))} (rank test, p = {p:.2g}). With {what}, "
        f"{saves} of {len(refuted)} refuted tickets would not have come, and {misses} of "
        f"{len(confirmed)} confirmed ones not, or later."
    )
    return Suggestion(
        fault.slug, settings, value, unit, saves, misses, len(refuted), len(confirmed), p, said
    )


def _by_time(
    fault: Fault, cases: Sequence[Judged], value_of: Mapping[tuple[str, str], float]
) -> Suggestion | None:
    """Refuted tickets passed sooner than confirmed ones: a longer delay to think about."""
    delay = next((s for s in fault.settings if s.name == "on_delay_s"), None)
    lasted = [(c.outcome, c.case.lasted_s) for c in cases if c.case.lasted_s is not None]
    refuted = [t for outcome, t in lasted if outcome is Outcome.WRONG and t is not None]
    confirmed = [t for outcome, t in lasted if outcome is Outcome.RIGHT and t is not None]
    found = _threshold(refuted, confirmed)
    if delay is None or found is None:
        return None
    value, saves, misses, p = found
    present = value_of.get((fault.slug, delay.name), delay.default)
    if not present < value <= delay.high:
        return None
    said = (
        f"Refuted tickets were normal again after {_length(median(refuted))} (median), confirmed "
        f"ones after {_length(median(confirmed))} (rank test, p = {p:.2g}). With on_delay_s = "
        f"{value:.0f} s instead of {present:.0f} s, {saves} of {len(refuted)} refuted tickets "
        f"would not have come, and {misses} of {len(confirmed)} confirmed ones not, or later."
    )
    return Suggestion(
        fault.slug, (delay.name,), float(math.ceil(value)), delay.unit, saves, misses,
        len(refuted), len(confirmed), p, said,
    )  # fmt: skip


def _threshold(
    refuted: Sequence[float], confirmed: Sequence[float]
) -> tuple[float, int, int, float] | None:
    """The value below which most refuted and fewest confirmed lie; saved, missed, and the p.

    None where there are too few, where the rank test (Mann and Whitney, Ann. Math. Stat. 18 (1947)
    50-60) sees no difference, or where no value parts them. A confirmed one missed weighs as much
    as three refuted ones saved (judgement).
    """
    if len(refuted) < LEAST_EACH or len(confirmed) < LEAST_EACH:
        return None
    p = smaller_p(refuted, confirmed)
    if not p < LEAST_P:
        return None
    best: tuple[int, float, int, int] | None = None
    # Just above each refuted one, half way to the next value of either.
    everything = sorted({*refuted, *confirmed})
    for value in sorted(set(refuted)):
        after = [v for v in everything if v > value]
        at = 0.5 * (value + after[0]) if after else value * 1.05 + 1e-9
        saves, misses = sum(v < at for v in refuted), sum(v < at for v in confirmed)
        worth = saves - 3 * misses
        if best is None or worth > best[0]:
            best = worth, at, saves, misses
    if best is None or best[0] <= 0:
        return None
    return best[1], best[2], best[3], p


def smaller_p(first: Sequence[float], second: Sequence[float]) -> float:
    """How likely chance alone makes ``first`` as much smaller than ``second`` as it is.

    One-sided rank-sum test of Mann and Whitney (Ann. Math. Stat. 18 (1947) 50-60), by the normal
    approximation with the corrections for ties and continuity.

    >>> round(smaller_p([1, 2, 3, 4, 5], [6, 7, 8, 9, 10]), 4)
    0.0061
    """
    n, m = len(first), len(second)
    u = sum((a > b) + 0.5 * (a == b) for a in first for b in second)
    ties = sum(t**3 - t for t in Counter([*first, *second]).values())
    total = n + m
    variance = n * m / 12.0 * (total + 1.0 - ties / (total * (total - 1.0)))
    if variance <= 0.0:
        return 1.0
    return NormalDist().cdf((u - n * m / 2.0 + 0.5) / math.sqrt(variance))


def _limit(reading: Reading) -> float:
    measured = reading.measured if reading.measured is not None else math.nan
    if reading.high is not None and (reading.low is None or measured > reading.high):
        return reading.high
    return reading.low if reading.low is not None else math.nan


def _beyond(evidence: Evidence | None) -> tuple[str, float, Reading | None]:
    """The reading furthest beyond its limit, and how far as a fraction of the limit."""
    best: tuple[str, float, Reading | None] = ("", 0.0, None)
    for reading in evidence.readings if evidence is not None else ():
        if reading.measured is None or not math.isfinite(reading.measured):
            continue
        limit = _limit(reading)
        if not math.isfinite(limit) or limit == 0.0:
            continue
        is_above = reading.high is not None and limit == reading.high
        far = (reading.measured - limit) / abs(limit) * (1.0 if is_above else -1.0)
        if far >= 0.0 and (best[2] is None or far > best[1]):
            best = reading.quantity, far, reading
    return best


def _moved(limit: float, far: float, reading: Reading | None) -> float:
    is_above = reading is not None and reading.high is not None and limit == reading.high
    return limit + (far if is_above else -far) * abs(limit)


def _pct(fraction: float) -> str:
    return f"{100.0 * fraction:.0f} %"


def _length(seconds: float) -> str:
    return f"{seconds / 3600.0:.1f} h" if seconds >= 5400.0 else f"{seconds / 60.0:.0f} min"
