"""``basinward conditions``: how worn each part is, why, and when it will be due."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from gateway.cli.asking import JsonOption, known_or_end, opened
from gateway.cli.options import DataOption, RecordsOption

if TYPE_CHECKING:
    from gateway.records.wear_rows import ConditionRow
    from rules.forecast import DueRange

__all__ = ["PartChoice", "conditions"]

PartChoice = Annotated[
    str,
    typer.Option(
        "--part",
        metavar="PART",
        help="Only this part: pump-screen, distribution, pads, coil, basin, float, bleed.",
        show_default=False,
    ),
]


def conditions(
    context: typer.Context,
    *,
    data: DataOption = Path("data"),
    records: RecordsOption = None,
    site: Annotated[str, typer.Option(help="Only this site.", show_default=False)] = "",
    unit: Annotated[str, typer.Option(help="Only this unit.", show_default=False)] = "",
    part: PartChoice = "",
    why: Annotated[
        bool, typer.Option("--why", help="Say what each figure rests on, in a sentence or two.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """List the condition of each part that is cleaned, and when it will reach its limit.

    100 % is as when its clean state was learned, 0 % the limit from which its fault calls for a
    visit this week. Each part gets one figure a day, from the readings of that day. What the
    readings do not tell is listed as not known; --why says what they would need.

    The dates are the earliest, the likely and the latest: in eight of ten cases the part reaches
    its limit between the first and the last of them.

    Examples:

      basinward conditions --site quay-cold-store

      basinward conditions --site quay-cold-store --unit ac-1 --why
    """
    from gateway.cli.output import fail, out, print_json, print_table, utc  # noqa: PLC0415 - lazy
    from rules.condition import PARTS  # noqa: PLC0415 - lazy

    if part and part not in PARTS:
        fail(f"There is no condition of a part '{part}'. Parts are {', '.join(PARTS)}.", 2)
    context.obj = (data, records)
    now_ms = time.time_ns() // 1_000_000
    with opened(context) as store:
        known_or_end(store, site, unit)
        rows = [r for r in store.conditions(site, unit) if part in ("", r.part)]
        ranges = {
            (r.unit_row, r.due.part): r.due for r in store.due_ranges(site, unit, now_ms=now_ms)
        }
    if as_json:
        print_json([_plain(r, ranges[r.unit_row, r.part]) for r in rows])
        return
    if not rows:
        out().print("No condition is known yet: each part gets one figure a day.")
        return
    if why:
        for r in rows:
            due = ranges[r.unit_row, r.part]
            typer.echo(f"{r.site}/{r.unit}  {r.title}: {r.in_words}. {r.said}{_evidence(r)}")
            typer.echo(f"    {_sentence(due)}\n")
        return

    def day(time_ms: int | None) -> str:
        return utc(time_ms)[:10]

    print_table(
        ("site", "unit", "part", "condition", "early", "likely", "late", "verdict", "of"),
        (
            (
                r.site,
                r.unit,
                r.part,
                r.in_words,
                day(due.early_ms),
                day(due.likely_ms),
                day(due.late_ms),
                due.verdict.value,
                day(r.time_ms),
            )
            for r in rows
            for due in (ranges[r.unit_row, r.part],)
        ),
    )


def _evidence(row: ConditionRow) -> str:
    from gateway.cli.output import utc  # noqa: PLC0415 - lazy

    if not row.basis:
        return ""
    means = "mean" if row.count == 1 else "means"
    learned = f" The clean state was learned on {utc(row.baseline_ms)[:10]}."
    return (
        f" By {row.basis}, {row.count} {means} from {utc(row.since_ms)} to {utc(row.time_ms)}."
        f"{learned if row.baseline_ms else ''}"
    )


def _sentence(due: DueRange) -> str:
    from gateway.cli.output import utc  # noqa: PLC0415 - lazy

    if due.early_ms is None:
        return f"Date: {due.verdict.value}. {due.reason}"
    last = "no end can be told" if due.late_ms is None else f"{utc(due.late_ms)[:10]} at the latest"
    likely = "" if due.likely_ms is None else f"likely {utc(due.likely_ms)[:10]}, "
    return f"Date: {utc(due.early_ms)[:10]} at the earliest, {likely}{last}. {due.reason}"


def _plain(row: ConditionRow, due: DueRange) -> dict[str, Any]:
    return {
        "site": row.site,
        "unit": row.unit,
        "part": row.part,
        "title": row.title,
        "time_ms": row.time_ms,
        "condition_pct": row.condition_pct,
        "uncertainty_pct": row.uncertainty_pct,
        "raw_pct": row.raw_pct,
        "basis": row.basis,
        "count": row.count,
        "since_ms": row.since_ms,
        "baseline_ms": row.baseline_ms or None,
        "said": row.said,
        "readings": [dict(vars(reading)) for reading in row.readings],
        "due": {
            "verdict": due.verdict.value,
            "reason": due.reason,
            "condition_pct": due.condition_pct,
            "uncertainty_pct": due.uncertainty_pct,
            "early_ms": due.early_ms,
            "likely_ms": due.likely_ms,
            "late_ms": due.late_ms,
            "per_day_pct": due.per_day_pct,
            "count": due.count,
            "since_ms": due.since_ms,
        },
    }
