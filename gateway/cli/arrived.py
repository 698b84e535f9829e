"""``basinward arrived``: what came in last, from which unit, and what was refused and why."""

from __future__ import annotations

import os
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from gateway.cli.options import DataOption, FleetOption, RecordsOption
from rules.signals import SIGNALS, Signal, signal

if TYPE_CHECKING:
    from gateway.config import Configuration
    from gateway.records.rows import QuarantineRow

__all__ = ["arrived"]

_SILENT_AFTER_MS: Final = 30_000
"""The gateway writes its status every five seconds; six of them missing are no accident."""

_UNITS_SHOWN_IN_FULL: Final = 1
_REJECTS_READ: Final = 100_000


@dataclass(frozen=True)
class _Heard:
    """What the store holds of one unit: newest value and its time (ms) by signal."""

    site: str
    unit: str
    values: Mapping[str, tuple[int, float]]

    @property
    def newest_ms(self) -> int | None:
        return max((time_ms for time_ms, _ in self.values.values()), default=None)


def arrived(
    place: Annotated[
        str,
        typer.Argument(
            metavar="[SITE[/UNIT]]",
            show_default=False,
            help="One site or one unit, by its id in the site file. Without it: every unit.",
        ),
    ] = "",
    *,
    fleet: FleetOption = Path("fleet"),
    data: DataOption = Path("data"),
    records: RecordsOption = None,
    limit: Annotated[
        int, typer.Option(min=0, max=10_000, help="At most so many rows of what was refused.")
    ] = 10,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print JSON, for other programs.")
    ] = False,
) -> None:
    """Show what has arrived: the latest values of each unit, and what was refused and why.

    Look here first when a sensor is new. A reading that was understood shows with its value, in
    the unit of the signal catalogue, and its age. A reading that was not understood is in
    quarantine: it is listed with the reason and with what to do about it. If neither shows, the
    message did not reach the gateway: compare the topic, and the broker's address and log.

    Without SITE there is one line a unit; with it, all values. Signals that fell silent more than
    a day before the unit's newest sample are left out. It reads only, and works while the gateway
    runs; a reading takes about two seconds from the sensor to here.

    Examples:

      basinward arrived

      basinward arrived my-site/ac-1

      basinward arrived my-site --fleet /etc/basinward --data /var/lib/basinward
    """  # fmt: skip
    from gateway.cli.output import errors, fail, print_json  # noqa: PLC0415 - lazy
    from gateway.config import examine  # noqa: PLC0415 - lazy
    from gateway.data_directory import STATUS_FILE  # noqa: PLC0415 - lazy
    from gateway.status import read_status  # noqa: PLC0415 - lazy

    configuration, _ = examine(fleet, os.environ)
    units = _units(configuration, data)
    site, _, unit = place.strip().strip("/").partition("/")
    chosen = [key for key in units if site in ("", key[0]) and unit in ("", key[1])]
    if not chosen:
        fail(_nothing_chosen(place, units, fleet, data))
    heard = _heard(configuration, data, chosen)
    rejects, elsewhere = _rejects(data, records, site, unit)
    now_ms = time.time_ns() // 1_000_000
    status = read_status(data / STATUS_FILE)
    if as_json:
        print_json(_as_json(now_ms, status, heard, rejects[:limit]))
        return
    if configuration is None:
        errors().print(
            f"The configuration in {fleet} has faults (basinward check lists them); shown is what "
            f"{data} holds.",
            markup=False,
        )
    for line in _gateway_lines(status, now_ms):
        typer.echo(line)
    typer.echo("")
    if site or len(units) <= _UNITS_SHOWN_IN_FULL:
        _print_values(heard, now_ms)
    else:
        _print_units(heard, now_ms)
    _print_rejects(rejects, limit, elsewhere, now_ms)


# -- reading -------------------------------------------------------------------------------------


def _units(configuration: Configuration | None, data: Path) -> list[tuple[str, str]]:
    """Every unit of the site files; of the unit register where they cannot be read."""
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy
    from gateway.data_directory import JOURNAL_FILE  # noqa: PLC0415 - lazy
    from gateway.journal import JournalError  # noqa: PLC0415 - lazy
    from gateway.unit_register import read_units  # noqa: PLC0415 - lazy

    if configuration is not None:
        return [(site.id, unit.id) for site in configuration.sites for unit in site.units]
    try:
        return list(read_units(data / JOURNAL_FILE))
    except JournalError as error:
        fail(str(error))


def _nothing_chosen(
    place: str, units: Sequence[tuple[str, str]], fleet: Path, data: Path
) -> str:  # fmt: skip
    if not units:
        return (
            f"Neither {fleet} nor {data} names a unit. Give the configuration directory with "
            "--fleet and the data directory with --data."
        )
    known = ", ".join("/".join(key) for key in units[:20])
    more = f" and {len(units) - 20} more" if len(units) > 20 else ""
    return f"There is no site or unit '{place}'. Units, as SITE/UNIT: {known}{more}."


def _heard(
    configuration: Configuration | None, data: Path, units: Iterable[tuple[str, str]]
) -> list[_Heard]:
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy
    from gateway.telemetry import (  # noqa: PLC0415 - lazy
        TELEMETRY_FILE,
        StoreError,
        StoreSettings,
        open_store,
    )

    settings = configuration.store if configuration is not None else StoreSettings()
    if configuration is None and not (data / TELEMETRY_FILE).exists():
        fail(
            f"The configuration has faults, and {data} holds no {TELEMETRY_FILE}, so it is not "
            "known where samples are kept. Run basinward check, and give --fleet and --data."
        )
    try:
        store = open_store(settings, data, {})
        try:
            return [_Heard(site, unit, store.latest(site, unit)) for site, unit in units]
        finally:
            store.close()
    except StoreError as error:
        fail(f"The telemetry store cannot be read: {error}")


def _rejects(
    data: Path, url: str | None, site: str, unit: str
) -> tuple[list[QuarantineRow], int]:  # fmt: skip
    """Rows of the place, newest first, and how many refusals lie under no known place."""
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy
    from gateway.cli.setup import records_url  # noqa: PLC0415 - lazy
    from gateway.records import Records, RecordsError  # noqa: PLC0415 - lazy

    try:
        store = Records(records_url(data, url, must_exist=True))
        try:
            rows = store.quarantine(limit=_REJECTS_READ)
        finally:
            store.close()
    except RecordsError as error:
        fail(str(error))
    here = [r for r in rows if site in ("", r.site) and unit in ("", r.unit)]
    return here, sum(r.count for r in rows) - sum(r.count for r in here)


# -- telling -------------------------------------------------------------------------------------


def _gateway_lines(status: Mapping[str, Any] | None, now_ms: int) -> list[str]:
    from gateway.cli.output import clean, utc  # noqa: PLC0415 - lazy

    if status is None:
        return [
            "The gateway has not told yet how it is: basinward run writes that every few seconds."
        ]
    written_ms = int(status.get("now_ms", 0))
    if now_ms - written_ms > _SILENT_AFTER_MS:
        return [f"The gateway does not run; its last sign of life was at {utc(written_ms)}."]
    last_ms = status.get("last_message_ms")
    last = f", the last {_age(now_ms - int(last_ms))} ago" if last_ms else ""
    link = "is connected to the broker" if status.get("broker_connected") else "has no broker"
    count = int(status.get("messages", 0))
    lines = [
        f"The gateway runs and {link}; {count} {'message' if count == 1 else 'messages'} since "
        f"{utc(int(status.get('started_ms', 0)))}{last}."
    ]
    return lines + [clean(f"Trouble: {text}") for text in status.get("troubles", ())]


def _print_units(heard: Iterable[_Heard], now_ms: int) -> None:
    from gateway.cli.output import print_table, utc  # noqa: PLC0415 - lazy

    print_table(
        ("site", "unit", "newest sample", "age", "signals"),
        (
            (
                h.site, h.unit, utc(h.newest_ms) or "never heard",
                "" if h.newest_ms is None else _age(now_ms - h.newest_ms), str(len(h.values)),
            )
            for h in heard
        ),
    )  # fmt: skip


def _print_values(heard: Iterable[_Heard], now_ms: int) -> None:
    from gateway.cli.output import print_table, utc  # noqa: PLC0415 - lazy

    for number, h in enumerate(heard):
        if number:
            typer.echo("")
        if h.newest_ms is None:
            typer.echo(f"{h.site}/{h.unit}: never heard.")
            continue
        typer.echo(f"{h.site}/{h.unit}: newest sample {utc(h.newest_ms)}")
        print_table(
            ("  signal", "value", "age"),
            (
                (f"  {s.name}", _shown(s, h.values[s.name][1]), _age(now_ms - h.values[s.name][0]))
                for s in SIGNALS
                if s.name in h.values
            ),
        )


def _print_rejects(
    rows: Sequence[QuarantineRow], limit: int, elsewhere: int, now_ms: int
) -> None:  # fmt: skip
    from gateway.cli.output import clean  # noqa: PLC0415 - lazy

    typer.echo("")
    typer.echo("In quarantine, newest first:" if rows else "Nothing in quarantine.")
    for row in rows[:limit]:
        times = "once" if row.count == 1 else f"{row.count} times"
        typer.echo(
            clean(
                f"  {row.topic}: {row.reason}, {times} on {row.day}, "
                f"last {_age(now_ms - row.last_ms)} ago"
            )
        )
        typer.echo(clean(f"    {row.detail}"))
        if row.excerpt:
            typer.echo(clean(f"    It read: {row.excerpt}"))
    if len(rows) > limit:
        typer.echo(f"  {len(rows) - limit} more rows; --limit shows more.")
    if elsewhere:
        typer.echo(
            f"Refused elsewhere: {elsewhere}, such as topics that name no known unit; without "
            "SITE/UNIT they are listed."
        )


def _as_json(
    now_ms: int,
    status: Mapping[str, Any] | None,
    heard: Iterable[_Heard],
    rejects: Iterable[QuarantineRow],
) -> dict[str, Any]:
    return {
        "now_ms": now_ms,
        "gateway": status,
        "units": [
            {
                "site": h.site,
                "unit": h.unit,
                "newest_ms": h.newest_ms,
                "values": {
                    name: {"time_ms": time_ms, "value": value, "unit": signal(name).unit}
                    for name, (time_ms, value) in h.values.items()
                },
            }
            for h in heard
        ],
        "quarantine": [asdict(row) for row in rejects],
    }


def _shown(what: Signal, value: float) -> str:
    if what.kind == "flag":
        return "on" if value else "off"
    if what.kind == "mask":
        fans = [str(bit + 1) for bit in range(32) if int(value) >> bit & 1]
        return f"{'fan' if len(fans) == 1 else 'fans'} {', '.join(fans)}" if fans else "none"
    return f"{value:.{what.decimals}f} {what.unit}".rstrip()


def _age(age_ms: int) -> str:
    """An age in words of one unit or two; the future, which a wrong clock can bring, shows too."""
    if age_ms < 0:
        return f"{-age_ms / 1000:.0f} s ahead"
    seconds = age_ms // 1000
    for size_s, name, part_s, part in (
        (86_400, "d", 3600, "h"),
        (3600, "h", 60, "min"),
        (60, "min", 1, "s"),
    ):
        if seconds >= size_s:
            return f"{seconds // size_s} {name} {seconds % size_s // part_s} {part}"
    return f"{seconds} s"
