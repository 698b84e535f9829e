"""``basinward consumption``: water and energy by unit, site and month."""

from __future__ import annotations

import csv
import os
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from gateway.cli.asking import JsonOption
from gateway.cli.options import DataOption, FleetOption, RecordsOption

if TYPE_CHECKING:
    from gateway.config import Configuration
    from gateway.month import Month
    from gateway.records.use_rows import UseRow
    from rules.consumption import Amount
    from rules.equipment import Site

__all__ = ["consumption"]

_COLUMNS = (
    ("makeup", "make-up"), ("evaporation", "evaporated"), ("bleed", "bled"),
    ("overflow", "overflow"), ("standing", "at rest"), ("beyond_target", "too much"),
    ("cycles", "cycles"), ("raised", "condensing"), ("raised_energy", "energy"),
)  # fmt: skip


def consumption(
    *,
    fleet: FleetOption = Path("fleet"),
    data: DataOption = Path("data"),
    records: RecordsOption = None,
    month: Annotated[
        str, typer.Option("--month", metavar="MONTH", help="As 2026-10. Default: this month.")
    ] = "",
    site: Annotated[str, typer.Option("--site", metavar="ID", help="Only this site.")] = "",
    unit: Annotated[str, typer.Option("--unit", metavar="ID", help="Only this unit.")] = "",
    fresh: Annotated[
        bool, typer.Option("--fresh", help="Work anew also what is settled and kept.")
    ] = False,
    to_csv: Annotated[
        Path | None,
        typer.Option("--csv", metavar="FILE", help="Write all figures as CSV; - for the screen."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Show water and energy of a month: what came in, evaporated, was bled, ran over, was wasted.

    Each figure is of the time that was measured; --json and --csv say of each how large that share
    is, how sure the figure is (one standard deviation), and by which method. What is not known is
    shown as '–'. A month is settled two days after its end; until then it is worked out anew.

    Examples:

      basinward consumption --fleet fleet --data data --month 2026-10

      basinward consumption --fleet fleet --data data --site quay-cold-store --csv october.csv
    """
    from gateway.cli.output import fail, print_json  # noqa: PLC0415 - lazy
    from gateway.cli.setup import configuration_or_end  # noqa: PLC0415 - lazy
    from gateway.month import Month  # noqa: PLC0415 - lazy

    configuration = configuration_or_end(fleet, os.environ)
    sites = [s for s in configuration.sites if not site or s.id == site]
    if not sites:
        fail(
            f"There is no site '{site}'. There is: {_names(s.id for s in configuration.sites)}.", 2
        )
    if unit and not any(u.id == unit for s in sites for u in s.units):
        fail(f"There is no unit '{unit}' there.", 2)
    now_ms = time.time_ns() // 1_000_000
    try:
        wanted = Month.parse(month) if month else None
    except ValueError as error:
        fail(str(error), 2)
    rows: list[tuple[Site, UseRow]] = _rows(
        configuration, data, records, (sites, unit, wanted, fresh), now_ms
    )
    if as_json:
        print_json([_data(row) for _, row in rows])
    elif to_csv is not None:
        _write(to_csv, [row for _, row in rows])
    else:
        _print(rows)


def _rows(
    configuration: Configuration,
    data: Path,
    records_at: str | None,
    asked: tuple[Sequence[Site], str, Month | None, bool],
    now_ms: int,
) -> list[tuple[Site, UseRow]]:
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy
    from gateway.cli.setup import records_url  # noqa: PLC0415 - lazy
    from gateway.consumption.keeper import work_out  # noqa: PLC0415 - lazy
    from gateway.month import Month  # noqa: PLC0415 - lazy
    from gateway.records import Records, RecordsError  # noqa: PLC0415 - lazy
    from gateway.telemetry import StoreError, open_store  # noqa: PLC0415 - lazy

    sites, unit, wanted, fresh = asked
    found = []
    try:
        records = Records(records_url(data, records_at, must_exist=True))
        store = open_store(configuration.store, data, {})
        try:
            known = set(records.units().values())
            for site in sites:
                month = wanted or Month.of(now_ms, site.zone)
                if month > Month.of(now_ms, site.zone):
                    fail(f"{month} is still to come.", 2)
                kept = {} if fresh else {r.unit: r for r in records.uses(str(month), site.id)}
                for one in site.units:
                    if (unit and one.id != unit) or (site.id, one.id) not in known:
                        continue
                    row = kept.get(one.id)
                    if row is None or not row.settled:
                        row = work_out(
                            records, store, (site, one), month, now_ms, configuration.settings
                        )
                    found.append((site, row))
        finally:
            store.close()
            records.close()
    except (RecordsError, StoreError) as error:
        fail(str(error))
    return found


def _print(rows: Sequence[tuple[Site, UseRow]]) -> None:
    from gateway.cli.output import out, print_table  # noqa: PLC0415 - lazy
    from gateway.reports.quantities import amount_text  # noqa: PLC0415 - lazy
    from rules.consumption import summed  # noqa: PLC0415 - lazy

    if not rows:
        out().print("No unit of these has sent anything yet.")
        return
    lines = []
    for site in dict.fromkeys(s.id for s, _ in rows):
        mine = [(s, row) for s, row in rows if s.id == site]
        system = mine[0][0].display_units
        for _, row in mine:
            cells = [amount_text(row.use.amounts.get(n), n, system) for n, _ in _COLUMNS]
            heard = row.use.amounts["heard"].coverage_frac
            lines.append([f"{site}/{row.unit}", row.month, *cells, f"{100 * heard:.0f} %"])
        if len(mine) > 1:
            total = [
                amount_text(
                    summed([row.use.amounts[n] for _, row in mine], mean=n in ("cycles", "raised")),
                    n, system,
                )
                for n, _ in _COLUMNS
            ]  # fmt: skip
            lines.append([f"{site}, all", mine[0][1].month, *total, ""])
    print_table(("unit", "month", *(title for _, title in _COLUMNS), "heard"), lines)
    wasted = [
        [
            f"{s.id}/{row.unit}", share.fault, f"{share.hours:.0f} h",
            amount_text(share.water, "makeup", s.display_units),
            amount_text(share.energy, "raised_energy", s.display_units),
        ]
        for s, row in rows
        for share in row.use.faults
    ]  # fmt: skip
    if wasted:
        typer.echo("\nWhile alarms stood:")
        print_table(("unit", "fault", "stood", "water wasted", "energy"), wasted)
    typer.echo(
        "\nFigures are of the time that was measured, estimates with their standard deviation; "
        "'–' is not known. --json says how each was come by."
    )


def _data(row: UseRow) -> dict[str, Any]:
    return {
        "site": row.site, "unit": row.unit, "month": row.month, "settled": row.settled,
        **row.use.to_json(),
    }  # fmt: skip


def _write(path: Path, rows: Sequence[UseRow]) -> None:
    """One line a figure: a form that any spreadsheet turns as it likes."""
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy
    from rules.consumption.figures import AMOUNTS  # noqa: PLC0415 - lazy

    head = ("site", "unit", "month", "figure", "measure", "value", "standard_deviation",
            "coverage", "method")  # fmt: skip
    lines: list[tuple[Any, ...]] = []
    for row in rows:
        for name, amount in row.use.amounts.items():
            lines.append((row.site, row.unit, row.month, name, AMOUNTS[name][1], *_cells(amount)))
        for share in row.use.faults:
            for what, measure, amount in (
                ("water wasted", "L", share.water), ("energy", "kWh", share.energy)
            ):  # fmt: skip
                figure = f"{what}: {share.fault}"
                lines.append((row.site, row.unit, row.month, figure, measure, *_cells(amount)))
    try:
        if str(path) == "-":
            csv.writer(sys.stdout).writerows([head, *lines])
            return
        with path.open("w", newline="", encoding="utf-8") as file:
            csv.writer(file).writerows([head, *lines])
    except OSError as error:
        fail(f"{path} cannot be written: {error.strerror}. Name another file.")
    typer.echo(f"{len(lines)} figures written to {path}.")


def _cells(amount: Amount) -> tuple[Any, ...]:
    value = "" if amount.value is None else f"{amount.value:.6g}"
    sd = "" if amount.sd is None else f"{amount.sd:.6g}"
    return value, sd, f"{amount.coverage_frac:.4f}", amount.method


def _names(ids: Any) -> str:
    return ", ".join(sorted(ids))
