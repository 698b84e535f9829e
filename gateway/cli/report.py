"""``basinward report``: the monthly report of a site or of the fleet, as PDF, page or text."""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gateway.cli.options import DataOption, FleetOption, RecordsOption

if TYPE_CHECKING:
    from gateway.reports.model import Report

__all__ = ["report"]


def report(
    *,
    fleet: FleetOption = Path("fleet"),
    data: DataOption = Path("data"),
    records: RecordsOption = None,
    site: Annotated[
        str, typer.Option("--site", metavar="ID", help="Of this site. Default: of the fleet.")
    ] = "",
    month: Annotated[
        str, typer.Option("--month", metavar="MONTH", help="As 2026-10. Default: the last month.")
    ] = "",
    pdf: Annotated[
        Path | None, typer.Option("--pdf", metavar="FILE", help="Write it as PDF.")
    ] = None,
    html: Annotated[
        Path | None,
        typer.Option("--html", metavar="FILE", help="Write it as one HTML page with its pictures."),
    ] = None,
) -> None:
    """Make the report of a month: alarms and response, tickets, cleanings and whether they helped,
    condition and forecast, water and energy, telemetry, and what to do next.

    Without --pdf and --html its head is printed. A month that still runs is reported so far. With
    a table [reports] in fleet.toml the gateway mails the reports by itself.

    Examples:

      basinward report --fleet fleet --data data --month 2026-10 --pdf fleet.pdf

      basinward report --site quay-cold-store --month 2026-10 --pdf quay.pdf --html quay.html
    """
    from gateway.cli.output import out  # noqa: PLC0415 - lazy
    from gateway.reports.page import html_page, text_page  # noqa: PLC0415 - lazy
    from gateway.reports.paper import report_pdf  # noqa: PLC0415 - lazy

    made = _make(fleet, data, records, site, month)
    if pdf is not None:
        _write(pdf, report_pdf(made), made.title)
    if html is not None:
        _write(html, html_page(made).encode(), made.title)
    if pdf is None and html is None:
        out().print(text_page(made), markup=False)


def _write(path: Path, content: bytes, title: str) -> None:
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy

    try:
        path.write_bytes(content)
    except OSError as error:
        fail(f"{path} cannot be written: {error.strerror}. Name another file.")
    typer.echo(f"{title}: written to {path}.")


def _make(fleet: Path, data: Path, records_at: str | None, site_id: str, month: str) -> Report:
    from zoneinfo import ZoneInfo  # noqa: PLC0415 - lazy

    from gateway.cli.output import fail  # noqa: PLC0415 - lazy
    from gateway.cli.setup import configuration_or_end, records_url  # noqa: PLC0415 - lazy
    from gateway.month import Month  # noqa: PLC0415 - lazy
    from gateway.records import Records, RecordsError  # noqa: PLC0415 - lazy
    from gateway.reports.maker import ReportMaker  # noqa: PLC0415 - lazy
    from gateway.telemetry import StoreError, open_store  # noqa: PLC0415 - lazy

    configuration = configuration_or_end(fleet, os.environ)
    site = next((s for s in configuration.sites if s.id == site_id), None)
    if site_id and site is None:
        names = ", ".join(sorted(s.id for s in configuration.sites))
        fail(f"There is no site '{site_id}'. There is: {names}.", 2)
    now_ms = time.time_ns() // 1_000_000
    zone = site.zone if site is not None else ZoneInfo(configuration.reports.time_zone)
    running = Month.of(now_ms, zone)
    try:
        wanted = Month.parse(month) if month else running.before
    except ValueError as error:
        fail(str(error), 2)
    if wanted > running:
        fail(f"{wanted} is still to come.", 2)
    try:
        records = Records(records_url(data, records_at, must_exist=True))
        store = open_store(configuration.store, data, {})
        try:
            maker = ReportMaker(records, store, configuration)
            if site is not None:
                return maker.site(site, wanted, now_ms)
            return maker.fleet(wanted, now_ms)
        finally:
            store.close()
            records.close()
    except (RecordsError, StoreError) as error:
        fail(str(error))
