"""``basinward demo``: a fleet with a past, faults and tickets, with nothing else installed."""

from __future__ import annotations

import importlib.util
import logging
import signal
import threading
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from gateway.cli.output import fail

__all__ = ["demo"]

_LOOK_EVERY_S = 0.5


def demo(
    *,
    data: Annotated[
        Path | None,
        typer.Option(
            "--data",
            metavar="DIR",
            show_default=False,
            help="Where to write everything; mails as DIR/mail/*.eml. Must be new or empty. "
            "Default: a new directory in demo-data.",
        ),
    ] = None,
    stop_after: Annotated[
        float | None,
        typer.Option(
            "--stop-after",
            metavar="SECONDS",
            min=1.0,
            show_default=False,
            help="End by itself; the last line printed is then one JSON object with the counts.",
        ),
    ] = None,
    backlog: Annotated[
        str,
        typer.Option("--backlog", metavar="SPAN", help="How far the past goes back, e.g. 21d."),
    ] = "21d",
    step: Annotated[
        float,
        typer.Option(
            "--step",
            metavar="SECONDS",
            min=10.0,
            max=300.0,
            help="Time between samples of the past.",
        ),
    ] = 300.0,
    seed: Annotated[int, typer.Option("--seed", help="Another seed, another weather.")] = 1,
) -> None:
    """Show it all: a simulated fleet of 12 sites with faults, from sensors to mails.

    Starts an embedded broker, the simulated fleet, the gateway and a mail catcher, all on this
    machine only. The fleet's last three weeks arrive first, within a minute or two, then it is
    live. Ctrl-C ends it cleanly.
    """  # fmt: skip
    missing = [n for n in ("aiosmtpd", "iotcore") if importlib.util.find_spec(n) is None]
    if missing:
        fail(
            f"The demo needs {' and '.join(missing)}. Install the demo's extra: "
            "pip install 'basinward[demo]', or start it with deploy/demo."
        )
    directory = data or Path("demo-data") / datetime.now(UTC).strftime("%Y%m%d-%H%M%S")
    _make_empty(directory)
    _log_to(directory / "gateway.log")
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    failure = _play(directory.absolute(), stop, stop_after, backlog, step, seed)
    if failure:
        fail(f"{failure} The log is {directory / 'gateway.log'}.")


def _play(
    directory: Path,
    stop: threading.Event,
    stop_after_s: float | None,
    backlog: str,
    step_s: float,
    seed: int,
) -> str:
    """Run until told to stop; says why if it had to stop by itself."""
    from rich.console import Console  # noqa: PLC0415  # only the demo pays for its imports

    from gateway.demo.screen import screen_for  # noqa: PLC0415
    from gateway.demo.stage import DemoError, Stage  # noqa: PLC0415

    console = Console()
    ends_s = time.monotonic() + (stop_after_s or float("inf"))
    stage = Stage(directory, backlog=backlog, step_s=step_s, seed=seed)
    try:
        if console.is_terminal:
            console.print("Starting the broker, the gateway and the simulated fleet ...")
        with stage:
            with screen_for(stage, console) as screen:
                while not stop.is_set() and not stage.failure and time.monotonic() < ends_s:
                    screen.show()
                    stop.wait(min(_LOOK_EVERY_S, max(0.0, ends_s - time.monotonic())))
            failure = stage.failure
            if not failure:
                console.print("Stopping: what has arrived is judged and stored.", highlight=False)
    except DemoError as error:
        return str(error)
    tally = stage.tally()
    if not failure:
        typer.echo(
            f"{tally.tickets} tickets, {tally.mails} mails. Read them: "
            f"{stage.shown / 'mail' / 'index.html'}"
        )
        if stop_after_s or not console.is_terminal:  # for programs; a person has seen the tables
            typer.echo(tally.to_json())
    return failure


def _make_empty(directory: Path) -> None:
    try:
        directory.mkdir(parents=True, exist_ok=True)
        if any(directory.iterdir()):
            fail(
                f"{directory} is not empty. The demo starts from nothing: give a new directory "
                "with --data, or remove this one."
            )
    except OSError as error:
        fail(f"{directory} cannot be used: {error.strerror}. Give another with --data DIR.")


def _log_to(path: Path) -> None:
    logging.basicConfig(
        filename=path, level=logging.INFO, format="%(asctime)s %(levelname)s %(name)s: %(message)s"
    )
