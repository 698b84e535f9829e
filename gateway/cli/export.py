"""``basinward export``: readings of any range as a folder for other programs."""

from __future__ import annotations

import os
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

from gateway.cli.options import DataOption, FleetOption

if TYPE_CHECKING:
    from collections.abc import Iterator

    from gateway.config import Configuration
    from gateway.export.readings import Piece

__all__ = ["export"]

_FORMATS = ["%Y-%m-%d", "%Y-%m-%dT%H:%M:%S", "%Y-%m-%dT%H:%M:%S%z"]


class Form(StrEnum):
    """Of the file of samples."""

    CSV = "csv"
    PARQUET = "parquet"


def export(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="To be made; must be new.")],
    *,
    start: Annotated[datetime, typer.Option("--from", formats=_FORMATS, help="From then on, UTC.")],
    end: Annotated[datetime, typer.Option("--to", formats=_FORMATS, help="Before then, UTC.")],
    site: Annotated[str, typer.Option(metavar="SITE", help="Of one site alone.")] = "",
    unit: Annotated[str, typer.Option(metavar="UNIT", help="Of units of this id alone.")] = "",
    signals: Annotated[
        list[str] | None,
        typer.Option(
            "--signal", help="Which; repeat for several. Default: all.", show_default=False
        ),
    ] = None,
    width_min: Annotated[
        int,
        typer.Option(
            min=0,
            max=527_040,
            help="Windows of so many minutes, a multiple of 5: least, mean and greatest of each. "
            "0: samples as they came.",
        ),
    ] = 0,
    form: Annotated[Form, typer.Option(help="Parquet needs the extra 'export'.")] = Form.CSV,
    fleet: FleetOption = Path("fleet"),
    data: DataOption = Path("data"),
) -> None:
    """Write readings of any time into a folder, in bounded memory.

    The folder gets samples.csv or samples.parquet (columns time, site, unit, then signals in the
    catalogue's units), the site files and fleet.toml. With a faults.json of your own,
    basinward evaluate reads it; windows are for other programs.

    Examples:

      basinward export june --from 2026-06-01 --to 2026-07-01 --site quay-cold-store

      basinward export year --from 2026-01-01 --to 2027-01-01 --form parquet --width-min 60
    """  # fmt: skip
    from gateway.cli.output import errors, fail  # noqa: PLC0415 - lazy
    from gateway.cli.setup import configuration_or_end  # noqa: PLC0415 - lazy
    from gateway.export import parquet  # noqa: PLC0415 - lazy
    from gateway.export.readings import Asked, pieces  # noqa: PLC0415 - lazy
    from gateway.export.text import csv_readings  # noqa: PLC0415 - lazy
    from gateway.telemetry import open_store  # noqa: PLC0415 - lazy
    from gateway.telemetry.base import StoreError  # noqa: PLC0415 - lazy
    from rules.signals import INDEX  # noqa: PLC0415 - lazy

    if form is Form.PARQUET and not parquet.is_there():
        fail(parquet.MISSING)
    start_ms, end_ms = _ms(start), _ms(end)
    if start_ms >= end_ms:
        fail("--from must lie before --to.")
    configuration = configuration_or_end(fleet, os.environ)
    units = tuple(
        (s.id, u.id)
        for s in configuration.sites
        for u in s.units
        if (not site or s.id == site) and (not unit or u.id == unit)
    )
    if not units:
        fail("There is no such site or unit in the configuration. basinward check lists them.")
    try:
        asked = Asked(
            units, tuple(dict.fromkeys(signals or INDEX)), start_ms, end_ms, width_min * 60_000
        )
    except StoreError as error:
        fail(str(error))
    if configuration.store.kind == "embedded" and not data.is_dir():
        fail(f"There is no directory {data}. Name the gateway's with --data.")
    target = folder / f"samples.{form.value}"
    try:
        folder.mkdir(parents=True)
    except OSError as error:
        fail(
            f"{folder} cannot be made: {error.strerror or error}. Name a folder that is not there."
        )
    store = open_store(configuration.store, data, {})
    try:
        rows = _Counted(pieces(store, asked))
        made = (
            parquet.parquet_readings(asked, rows)
            if form is Form.PARQUET
            else csv_readings(asked, rows, with_units=False)
        )
        with target.open("wb") as out:
            out.writelines(made)
        if rows.count:
            _copy_files(configuration, folder, {place[0] for place in units})
    except StoreError as error:
        fail(f"{error} What was written to {folder} is not whole: remove it.")
    except OSError as error:
        fail(f"{folder}: {error.strerror or error}. What was written is not whole: remove it.")
    finally:
        store.close()
    if not rows.count:
        _end_with_nothing(target, data)
    size_kb = target.stat().st_size / 1000
    errors().print(f"{target}: {size_kb:,.0f} kB of {len(units)} units.", markup=False)


def _end_with_nothing(target: Path, data: Path) -> NoReturn:
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy

    target.unlink()
    target.parent.rmdir()
    fail(
        f"There are no readings of that time of these units in {data}. Nothing was written. Look "
        "at --from, --to and --data."
    )


class _Counted:
    """Pieces, and how many rows have gone by."""

    def __init__(self, of: Iterator[Piece]) -> None:
        self._of = of
        self.count = 0

    def __iter__(self) -> Iterator[Piece]:
        for piece in self._of:
            self.count += len(piece.time_ms)
            yield piece


def _ms(moment: datetime) -> int:
    from datetime import UTC  # noqa: PLC0415 - lazy

    aware = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
    return round(aware.timestamp() * 1000)


def _copy_files(configuration: Configuration, folder: Path, sites: set[str]) -> None:
    import shutil  # noqa: PLC0415 - lazy

    (folder / "sites").mkdir()
    for path in sorted((configuration.directory / "sites").glob("*.toml")):
        if path.stem in sites:
            shutil.copyfile(path, folder / "sites" / path.name)
    shutil.copyfile(configuration.directory / "fleet.toml", folder / "fleet.toml")
