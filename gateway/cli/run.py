"""``basinward run``: the gateway, until it is told to stop."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gateway.cli.options import DataOption, FleetOption, RecordsOption
from gateway.watching.logs import LogFormat

if TYPE_CHECKING:
    from queue import SimpleQueue

    from gateway.config import Configuration
    from gateway.service import Service
    from gateway.watching.notify import ServiceManager

__all__ = ["LogLevel", "log_to_stderr", "run", "secrets_of"]

Conceal = Callable[[Iterable[str | None]], None]
"""Keeps these words out of the log."""


class LogLevel(StrEnum):
    """How much the log says."""

    DEBUG = "debug"
    INFO = "info"
    WARNING = "warning"
    ERROR = "error"


class _Told(StrEnum):
    """What the waiting main thread can be told."""

    STOP = "stop"
    RELOAD = "reload"
    FAILURE = "failure"


def run(
    *,
    fleet: FleetOption = Path("fleet"),
    data: DataOption = Path("data"),
    records: RecordsOption = None,
    log_level: Annotated[
        LogLevel, typer.Option("--log", help="How much the log on standard error says.")
    ] = LogLevel.INFO,
    log_format: Annotated[
        LogFormat, typer.Option(help="For people, or one JSON object a line for programs.")
    ] = LogFormat.TEXT,
) -> None:
    """Run the gateway: take in samples, judge them, record alarms, send tickets.

    It runs until it is stopped with Ctrl-C or SIGTERM, and then ends in good order: what has
    arrived is recorded. SIGHUP makes it read the configuration again; if that has a fault, the
    fault is logged and the old configuration stays in use. The log goes to standard error, with
    times in UTC. On this machine it answers /health and /metrics ([watch] in fleet.toml), and it
    notifies a service manager that asks for it.

    The exit status is 0 after an ordered stop, 1 if it could not start or had to give up; a
    service manager should then start it anew.

    Examples:

      basinward run --fleet ./fleet --data ./data

      basinward run --fleet /etc/basinward --data /var/lib/basinward --log-format json
    """
    import signal  # noqa: PLC0415 - lazy
    from queue import SimpleQueue  # noqa: PLC0415 - lazy

    from gateway.cli.output import fail  # noqa: PLC0415 - lazy
    from gateway.cli.setup import configuration_or_end  # noqa: PLC0415 - lazy
    from gateway.service import Service, ServiceError  # noqa: PLC0415 - lazy
    from gateway.watching.notify import ServiceManager  # noqa: PLC0415 - lazy

    manager = ServiceManager.of(os.environ)
    told: SimpleQueue[tuple[_Told, str]] = SimpleQueue()
    # Before anything is opened, so that a signal during the start is not lost and not a traceback.
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: told.put((_Told.STOP, "")))
    signal.signal(signal.SIGHUP, lambda *_: told.put((_Told.RELOAD, "")))
    conceal = log_to_stderr(log_level, log_format)
    configuration = configuration_or_end(fleet, os.environ)
    conceal(secrets_of(configuration))
    try:
        service = Service(
            configuration,
            data,
            records_url=records,
            on_failure=lambda why: told.put((_Told.FAILURE, why)),
            manager=manager,
        )
    except ServiceError as error:
        fail(str(error))
    service.start()
    failed = _serve(told, lambda: _reload(service, fleet, conceal, manager))
    # A second Ctrl-C while it ends is meant: it ends at once, and recovers at the next start.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    in_order = service.stop()
    if failed or not in_order:
        raise typer.Exit(1)


def _serve(told: SimpleQueue[tuple[_Told, str]], reload: Callable[[], None]) -> bool:
    """Wait until it is told to stop; whether that is because of a failure."""
    import logging  # noqa: PLC0415 - lazy
    from queue import Empty  # noqa: PLC0415 - lazy

    log = logging.getLogger(__name__)
    while True:
        try:
            # Not for ever: a signal that comes just before the wait would be seen at the next only.
            what, why = told.get(timeout=1.0)
        except Empty:
            continue
        if what is _Told.RELOAD:
            reload()
        elif what is _Told.FAILURE:
            log.critical("The gateway must be started anew: %s.", why)
            return True
        else:
            log.info("Told to stop.")
            return False


def _reload(service: Service, fleet: Path, conceal: Conceal, manager: ServiceManager) -> None:
    import logging  # noqa: PLC0415 - lazy

    from gateway.config import ConfigurationFaults, load  # noqa: PLC0415 - lazy
    from gateway.service import ServiceError  # noqa: PLC0415 - lazy

    log = logging.getLogger(__name__)
    manager.reloading()
    try:
        configuration = load(fleet, os.environ)
        conceal(secrets_of(configuration))
        service.reload(configuration)
    except (ConfigurationFaults, ServiceError) as error:
        log.error("The new configuration is not used; the present one stays in use. %s", error)
        return
    finally:
        manager.ready("Read the configuration again.")
    for warning in configuration.warnings:
        log.warning("%s", warning)


def secrets_of(configuration: Configuration) -> tuple[str | None, ...]:
    """What no log may show."""
    from urllib.parse import quote  # noqa: PLC0415 - lazy

    records = configuration.records.password
    return (
        configuration.broker.password,
        configuration.mail.password,
        configuration.store.token,
        configuration.board.secret,
        records,
        quote(records, safe=""),  # as it stands in the database's URL
    )


def log_to_stderr(level: LogLevel, form: LogFormat) -> Conceal:
    """Write the log to standard error from now on; what it gives keeps words out of it."""
    import logging  # noqa: PLC0415 - lazy

    from gateway.watching.logs import formatter_for  # noqa: PLC0415 - lazy

    handler = logging.StreamHandler()
    formatter = formatter_for(form)
    handler.setFormatter(formatter)
    logging.basicConfig(level=level.value.upper(), handlers=[handler], force=True)
    logging.getLogger("alembic").setLevel(logging.WARNING)
    return formatter.conceal
