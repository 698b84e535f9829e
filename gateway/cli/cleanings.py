"""``basinward cleanings``: what was cleaned, and whether the readings show that it helped."""

from __future__ import annotations

from collections import defaultdict
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING, Annotated, Any

import typer

from gateway.cli.asking import JsonOption, known_or_end, opened
from gateway.cli.options import DataOption, RecordsOption

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gateway.records.wear_rows import CleaningRow

__all__ = ["cleanings"]


def cleanings(
    context: typer.Context,
    *,
    data: DataOption = Path("data"),
    records: RecordsOption = None,
    site: Annotated[str, typer.Option(help="Only this site.", show_default=False)] = "",
    unit: Annotated[str, typer.Option(help="Only this unit.", show_default=False)] = "",
    part: Annotated[
        str, typer.Option("--part", metavar="PART", help="Only this part.", show_default=False)
    ] = "",
    summed: Annotated[
        bool, typer.Option("--sum", help="One line by site and part instead of one a cleaning.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """List the parts that were cleaned, the newest first, and what the cleaning did.

    A close-out that names cleaned parts (`basinward tickets close --cleaned PART`) is compared with
    the readings: those of two weeks before the work with those after it, in hours of like mode,
    weather, load and airflow. It helped, did not help, or nobody can tell; until that is known it
    is waited for, two weeks at most. Only where it helped is the clean state learned anew.

    Examples:

      basinward cleanings --site quay-cold-store

      basinward cleanings --sum
    """
    from gateway.cli.output import fail, out, print_json, print_table, utc  # noqa: PLC0415 - lazy
    from rules.state import CLEANABLE_PARTS  # noqa: PLC0415 - lazy

    if part and part not in CLEANABLE_PARTS:
        fail(f"There is no part '{part}'. Parts are {', '.join(CLEANABLE_PARTS)}.", 2)
    context.obj = (data, records)
    with opened(context) as store:
        known_or_end(store, site, unit)
        rows = store.cleanings(site, unit, part)
    if summed:
        sums = _sums(rows)
        if as_json:
            print_json(sums)
        elif sums:
            heads = ("site", "part", "cleaned", "helped", "did not help", "cannot tell", "awaited",
                     "median gain of what helped")  # fmt: skip
            print_table(heads, ([_cell(value) for value in one.values()] for one in sums))
        else:
            out().print("No cleaning was closed out yet.")
        return
    if as_json:
        print_json([dict(vars(r)) for r in rows])
        return
    if not rows:
        out().print("No cleaning was closed out yet.")
        return
    print_table(
        ("cleaned", "site", "unit", "part", "ticket", "by", "verdict", "what the readings say"),
        (
            (
                utc(r.cleaned_ms)[:16],
                r.site,
                r.unit,
                r.part,
                r.ticket,
                r.by,
                r.verdict or "awaited",
                r.said,
            )
            for r in rows
        ),
    )


def _sums(rows: Sequence[CleaningRow]) -> list[dict[str, Any]]:
    groups: dict[tuple[str, str], list[CleaningRow]] = defaultdict(list)
    for row in rows:
        groups[row.site, row.part].append(row)
    out = []
    for (site, part), of in sorted(groups.items()):
        verdicts = [r.verdict for r in of]
        gains = [r.effect_pct for r in of if r.verdict == "helped" and r.effect_pct is not None]
        out.append(
            {
                "site": site,
                "part": part,
                "cleaned": len(of),
                "helped": verdicts.count("helped"),
                "did_not_help": verdicts.count("did not help"),
                "cannot_tell": verdicts.count("cannot tell"),
                "awaited": verdicts.count(""),
                "gain_pct": median(gains) if gains else None,
            }
        )
    return out


def _cell(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:.1f} %"
    return "" if value is None else str(value)
