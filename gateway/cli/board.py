"""``basinward board``: the web pages, a process of their own."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gateway.cli.options import DataOption, FleetOption, RecordsOption
from gateway.cli.run import LogLevel, log_to_stderr, secrets_of
from gateway.watching.logs import LogFormat

if TYPE_CHECKING:
    from gateway.board.app import Board
    from gateway.board.links import Signer
    from gateway.board.settings import BoardSettings
    from gateway.config import Configuration
    from gateway.records import Records
    from gateway.telemetry import TelemetryStore

__all__ = ["board"]


def board(
    *,
    fleet: FleetOption = Path("fleet"),
    data: DataOption = Path("data"),
    records: RecordsOption = None,
    address: Annotated[
        str | None,
        typer.Option(
            metavar="ADDRESS",
            help="Listen here and not where [board] says, as in a container: 0.0.0.0.",
        ),
    ] = None,
    log_level: Annotated[
        LogLevel, typer.Option("--log", help="How much the log on standard error says.")
    ] = LogLevel.INFO,
    log_format: Annotated[
        LogFormat, typer.Option(help="For people, or one JSON object a line for programs.")
    ] = LogFormat.TEXT,
    demonstration: Annotated[
        bool,
        typer.Option(
            "--demonstration",
            help="Let everybody on this machine in, with every role; pages say so.",
        ),
    ] = False,
) -> None:
    """Serve the web pages: the whole fleet at a glance, its alarms, units and tickets.

    It runs beside the gateway, on the same data directory, until Ctrl-C or SIGTERM; it reads the
    records and writes only what people ask for. [board] in fleet.toml says where it listens and
    under which address people reach it; with that address, mails carry a link to it. People sign in
    with accounts (basinward accounts); the page behind a mail's link needs none.

    Examples:

      basinward board --fleet ./fleet --data ./data

      basinward board --fleet /etc/basinward --data /var/lib/basinward --log-format json
    """
    import logging  # noqa: PLC0415 - lazy

    from gateway.cli.output import fail  # noqa: PLC0415 - lazy
    from gateway.cli.setup import configuration_or_end, records_url  # noqa: PLC0415 - lazy

    try:
        from gateway.board.app import make_app  # noqa: PLC0415 - lazy
        from gateway.board.server import listen, serve  # noqa: PLC0415 - lazy
    except ModuleNotFoundError as error:
        fail(f"The web pages need more packages ({error.name}): pip install 'basinward[board]'.")
    from gateway.board.key import signer_of  # noqa: PLC0415 - lazy
    from gateway.records import Records, RecordsError  # noqa: PLC0415 - lazy
    from gateway.telemetry import open_store  # noqa: PLC0415 - lazy

    conceal = log_to_stderr(log_level, log_format)
    configuration = configuration_or_end(fleet, os.environ)
    conceal(secrets_of(configuration))
    settings = configuration.board
    if address is not None:
        settings = replace(settings, address=address)
    _only_for_this_machine(demonstration, settings.address)
    try:
        listening = listen(settings.address, settings.port)
    except OSError as error:
        fail(
            f"The board cannot listen at {settings.address} port {settings.port}: "
            f"{error.strerror or error}. Is another board running there? Otherwise change address "
            "or port under [board] in fleet.toml."
        )
    with listening:
        try:
            store = Records(records_url(data, records, must_exist=True))
        except RecordsError as error:
            fail(str(error))
        try:
            signer = signer_of(settings, data, store.installation)
        except OSError as error:
            fail(f"The key that signs links cannot be used: {data}: {error.strerror or error}.")
        telemetry = open_store(configuration.store, data, {})
        desk = _desk(configuration, settings, store, telemetry, data, signer, demonstration)
        app = make_app(desk)
        log = logging.getLogger(__name__)

        def ready() -> None:
            host = f"[{settings.address}]" if ":" in settings.address else settings.address
            where = settings.public_url or (
                "people not yet: without public_url under [board], mails carry no link"
            )
            if demonstration:
                log.warning("Everybody on this machine is let in, with every role.")
            log.info("The board answers at http://%s:%d; %s.", host, settings.port, where)

        try:
            serve(app, listening, ready, settings.sign_on_from, desk.stopping, _places(desk))
        finally:
            telemetry.close()
            store.close()
        log.info("The board has stopped in good order.")


def _desk(
    configuration: Configuration,
    settings: BoardSettings,
    store: Records,
    telemetry: TelemetryStore,
    data: Path,
    signer: Signer,
    demonstration: bool,
) -> Board:
    """What the pages work on."""
    from gateway.board.app import Board  # noqa: PLC0415 - lazy
    from gateway.board.house import House  # noqa: PLC0415 - lazy
    from gateway.board.page import Pages  # noqa: PLC0415 - lazy
    from gateway.board.people import (  # noqa: PLC0415 - lazy
        DemonstrationDoors,
        PeopleDoors,
    )
    from gateway.overview.source import Source  # noqa: PLC0415 - lazy
    from gateway.tickets.render import MailRenderer  # noqa: PLC0415 - lazy
    from rules.faults.registry import FAULTS  # noqa: PLC0415 - lazy

    renderer = MailRenderer(
        configuration.sites, FAULTS, configuration.from_name,
        rules=configuration.rules, board_url=settings.public_url,
    )  # fmt: skip
    desk = Board(
        store, signer, Pages(configuration.sites, renderer), configuration.name,
        configuration.mail.reply_to,
        house=House(Source(store, telemetry, configuration, data), renderer),
    )  # fmt: skip
    desk.doorkeeper = (
        DemonstrationDoors(signer)
        if demonstration
        else PeopleDoors(store.accounts, signer, settings, desk.clock_ms)
    )
    return desk


def _places(desk: Board) -> int:
    """For how many connections there is room; open pages leave some to those who come anew."""
    from gateway.board.connections import places  # noqa: PLC0415 - lazy

    most = places()
    if desk.house is not None:
        desk.house.live.leave_room(most)
    return most


def _only_for_this_machine(demonstration: bool, address: str) -> None:
    from gateway.board.people import is_loopback  # noqa: PLC0415 - lazy
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy

    if demonstration and not is_loopback(address):
        fail(
            f"A demonstration lets everybody in, and {address} can be reached from other machines. "
            "Set address under [board] in fleet.toml to 127.0.0.1, or leave --demonstration out "
            "and give people accounts: basinward accounts add --help."
        )
