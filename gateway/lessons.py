"""The learning loop as a page or a command shows it: read from the records, judged by the rules.

:func:`read_lessons` is the read model; nothing here changes a setting.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from gateway.records.records import Records
from rules.equipment import Overrides
from rules.faults.registry import FAULTS
from rules.lessons import FaultLesson, learn

__all__ = ["HOW_IT_IS_JUDGED", "lesson_json", "read_lessons"]

HOW_IT_IS_JUDGED: Final = (
    "A first cause counts as right where the close-out found something at a part that it stands "
    "for, as wrong where something was found only elsewhere or nothing at all. Close-outs without "
    "findings by part (--part) cannot tell. Suggestions are never applied: change a setting in the "
    "files, and try it on recorded data with basinward replay before."
)


def read_lessons(
    records: Records,
    settings: Overrides,
    *,
    since_ms: int = 0,
    site: str = "",
    fault: str = "",
) -> list[FaultLesson]:
    """What the close-outs since a moment say, by fault; ``settings`` are the fleet's."""
    present: Mapping[tuple[str, str], float] = {
        (slug, name): value for slug, named in settings.items() for name, value in named.items()
    }
    cases = records.closed_cases(since_ms=since_ms, site=site, fault=fault)
    return learn(cases, {fault.slug: fault for fault in FAULTS}, present)


def lesson_json(lesson: FaultLesson) -> dict[str, Any]:
    """As plain JSON data."""
    return {
        "fault": lesson.fault,
        "tickets": lesson.tickets,
        "judged": lesson.judged,
        "right": lesson.right,
        "right_frac": lesson.right_frac,
        "low_frac": lesson.low_frac,
        "high_frac": lesson.high_frac,
        "instead": [{"found": what, "times": n} for what, n in lesson.instead],
        "causes": [{"cause": c, "right": hits, "judged": n} for c, hits, n in lesson.causes],
        "suggestions": [
            {
                "settings": list(s.settings), "value": s.value, "unit": s.unit,
                "saves": s.saves, "of_refuted": s.refuted, "misses": s.misses,
                "of_confirmed": s.confirmed, "p": s.p, "said": s.said,
            }
            for s in lesson.suggestions
        ],
        "tickets_judged": [
            {
                "ticket": c.case.number, "site": c.case.site, "unit": c.case.unit,
                "first_cause": c.case.first_cause, "outcome": c.outcome.value,
                "instead": c.instead,
            }
            for c in lesson.cases
        ],
    }  # fmt: skip
