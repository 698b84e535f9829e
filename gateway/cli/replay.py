"""``basinward replay``: what the rules would have said about recorded samples."""

from __future__ import annotations

import os
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gateway.cli.options import DataOption, FleetOption

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from gateway.batch import Batch
    from gateway.cli.rerun import Rerun
    from gateway.config import Configuration
    from rules.equipment import Site

__all__ = ["replay"]

_FORMATS = ["%Y-%m-%dT%H:%M:%SZ", "%Y-%m-%dT%H:%M:%S", "%Y-%m-%dT%H:%M", "%Y-%m-%d"]


def replay(
    recording: Annotated[
        Path | None,
        typer.Argument(
            metavar="[FILE.csv]",
            help="Recorded samples. Without it, a range of the telemetry store is replayed.",
        ),
    ] = None,
    *,
    fleet: FleetOption = Path("fleet"),
    data: DataOption = Path("data"),
    site: Annotated[
        str | None, typer.Option(help="Only this site. [default: every site]", show_default=False)
    ] = None,
    start: Annotated[
        datetime | None, typer.Option(formats=_FORMATS, help="From the store: first moment, UTC.")
    ] = None,
    end: Annotated[
        datetime | None,
        typer.Option(formats=_FORMATS, help="From the store: end, UTC, not included."),
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print alarms as JSON, for other programs.")
    ] = False,
) -> None:
    """Run recorded samples through the rules and list the alarms they would have raised.

    Nothing is recorded, no ticket is made and no mail is sent. Baselines are learned from the
    recording itself, so it should begin with at least half a day of the machine in good order.

    The CSV file has the columns time (UTC, such as 2026-03-01T12:00:00Z), site, unit, then any
    signals by their catalogue name (basin_level, pump_current, ...) in catalogue units, rows in
    order of time; leave a cell empty where nothing was measured. Its units must be in the site
    files.

    Rows and values that cannot be used are left out, listed with their line, and make the exit
    status 1.

    Examples:

      basinward replay summer.csv --fleet ./fleet

      basinward replay --data ./data --site quay-cold-store --start 2026-03-01 --end 2026-03-08
    """
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy
    from gateway.cli.recording import Recording, RecordingError  # noqa: PLC0415 - lazy
    from gateway.cli.setup import configuration_or_end  # noqa: PLC0415 - lazy
    from gateway.telemetry import StoreError  # noqa: PLC0415 - lazy

    configuration = configuration_or_end(fleet, os.environ)
    if recording is not None and (start is not None or end is not None):
        fail("--start and --end choose a range of the store; with a file, leave them out.", 2)
    if recording is None and (start is None or end is None):
        fail(
            "Name a CSV file, or choose a range of the store with --start and --end, "
            "for instance: basinward replay --start 2026-03-01 --end 2026-03-08.",
            2,
        )
    if site is not None and all(s.id != site for s in configuration.sites):
        known = ", ".join(s.id for s in configuration.sites)
        fail(f"There is no site '{site}' in {fleet}. Sites: {known}.", 2)
    sites = [s for s in configuration.sites if site in {None, s.id}]
    try:
        if recording is not None:
            source = Recording(recording)
            named = set(source.units())
            chosen = _only(sites, named)
            if not chosen:
                fail(
                    f"{recording} holds no row of a unit that is in the site files of {fleet}"
                    + (f" for site '{site}'." if site else ".")
                )
            rows = _rows(chosen)
            done = _rerun(configuration, chosen, rows, source.chunks(rows))
            _tell(done, source.faults.first, source.faults.count, str(recording), as_json)
        elif start is not None and end is not None:
            from gateway.cli.stored import stored_chunks  # noqa: PLC0415 - lazy

            rows = _rows(sites)
            chunks = stored_chunks(configuration.store, data, rows, start, end)
            _tell(_rerun(configuration, sites, rows, chunks), [], 0, "the store", as_json)
    except (RecordingError, StoreError) as error:
        fail(str(error))


def _only(sites: Iterable[Site], named: set[tuple[str, str]]) -> list[Site]:
    """The sites with only the named units: a unit without rows is not a silent one."""
    chosen = []
    for site in sites:
        units = tuple(unit for unit in site.units if (site.id, unit.id) in named)
        if units:
            chosen.append(site.model_copy(update={"units": units}))
    return chosen


def _rows(sites: Iterable[Site]) -> dict[tuple[str, str], int]:
    keys = [(site.id, unit.id) for site in sites for unit in site.units]
    return {key: row for row, key in enumerate(keys)}


def _rerun(
    configuration: Configuration,
    sites: list[Site],
    rows: dict[tuple[str, str], int],
    chunks: Iterator[Batch],
) -> Rerun:
    from gateway.cli.rerun import Rerun  # noqa: PLC0415 - lazy
    from rules.engine import Engine  # noqa: PLC0415 - lazy
    from rules.plan import FleetPlan  # noqa: PLC0415 - lazy

    own = configuration.rules
    engine = Engine(FleetPlan.build(sites, rows, configuration.settings, rules=own))
    rerun = Rerun(engine, {row: key for key, row in rows.items()})
    for batch in chunks:
        rerun.feed(batch)
    rerun.finish()
    return rerun


def _tell(rerun: Rerun, faults: list[str], n_faults: int, source: str, as_json: bool) -> None:
    from gateway.cli.output import errors, out, print_json, print_table, utc  # noqa: PLC0415

    alarms = rerun.episodes
    if as_json:
        print_json(
            {
                "samples": rerun.samples,
                "first_ms": rerun.first_ms,
                "last_ms": rerun.last_ms,
                "late_frames": rerun.late_frames,
                "left_out": n_faults,
                "left_out_first": faults,
                "alarms": [episode.to_json() for episode in alarms],
            }
        )
    elif rerun.samples == 0:
        out().print(f"No samples in {source}.", markup=False)
    else:
        if alarms:
            print_table(
                ("raised", "returned", "site", "unit", "fault", "severity", "likeliest cause"),
                (
                    (
                        utc(e.raised_ms),
                        utc(e.returned_ms) or "stands",
                        e.site,
                        e.unit,
                        e.fault,
                        e.severity.name.lower(),
                        f"{e.cause.title} ({e.cause.agreement:.0%})" if e.cause else "",
                    )
                    for e in alarms
                ),
            )
        count = f"{len(alarms)} alarms" if len(alarms) != 1 else "1 alarm"
        late = f", {rerun.late_frames} late and not judged" if rerun.late_frames else ""
        out().print(
            f"{count} from {rerun.samples} samples, {utc(rerun.first_ms)} to "
            f"{utc(rerun.last_ms)}{late}.",
            markup=False,
        )
    if n_faults:
        console = errors()
        console.print(f"{n_faults} rows or values of {source} were left out:", markup=False)
        for text in faults:
            console.print(f"  {text}", markup=False)
        if n_faults > len(faults):
            console.print(f"  … and {n_faults - len(faults)} more", markup=False)
        raise typer.Exit(1)
