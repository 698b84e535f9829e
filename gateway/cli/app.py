"""The commands, put together. Each imports what it needs only when it is run."""

from __future__ import annotations

import importlib
import importlib.util

import typer

from gateway.cli import accounts as accounts_command
from gateway.cli import alarms as alarms_command
from gateway.cli import baselines as baselines_command
from gateway.cli import tickets as tickets_command
from gateway.cli.arrived import arrived
from gateway.cli.backup import backup, restore
from gateway.cli.board import board
from gateway.cli.broker_access import broker_access
from gateway.cli.check import check
from gateway.cli.cleanings import cleanings
from gateway.cli.conditions import conditions
from gateway.cli.consumption import consumption
from gateway.cli.evaluate import evaluate
from gateway.cli.export import export
from gateway.cli.lessons import lessons
from gateway.cli.oncall import oncall
from gateway.cli.replay import replay
from gateway.cli.report import report
from gateway.cli.rules import rules
from gateway.cli.run import run
from gateway.cli.undelivered import undelivered
from gateway.cli.version import version
from gateway.cli.visits import app as visits_app

__all__ = ["app"]

app = typer.Typer(
    name="basinward",
    help=(
        "Watches adiabatic condensers at many sites and tells the right person what to clean or "
        "mend, and why. It only watches; it never commands equipment."
    ),
    epilog="Start with: basinward check --fleet DIR, then basinward run --fleet DIR --data DIR.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)

app.command()(run)
if importlib.util.find_spec("gateway.cli.demo") is not None:
    # An installation may leave the demo out.
    app.command()(importlib.import_module("gateway.cli.demo").demo)
app.command()(board)
app.command()(check)
app.command()(broker_access)
app.command()(arrived)
app.command()(rules)
tickets_command.app.command()(undelivered)
app.add_typer(tickets_command.app)
app.add_typer(alarms_command.app)
app.add_typer(baselines_command.app)
app.command()(conditions)
app.command()(cleanings)
app.add_typer(accounts_command.app)
app.add_typer(visits_app)
app.command()(oncall)
app.command()(consumption)
app.command()(report)
app.command()(lessons)
app.command()(replay)
app.command()(evaluate)
app.command()(export)
app.command()(backup)
app.command()(restore)
app.command()(version)
