"""``basinward check``: is the configuration in order, and if not, what is to be done."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from gateway.cli.options import FleetOption

__all__ = ["check"]


def check(
    *,
    fleet: FleetOption = Path("fleet"),
    as_json: Annotated[
        bool, typer.Option("--json", help="Print the problems as JSON, for other programs.")
    ] = False,
) -> None:
    """Check all configuration files and list everything that is wrong with them.

    Starts nothing and changes nothing. The exit status is 0 if basinward could start, 1 if not;
    warnings do not count.

    Secrets are looked up too, so run it as the user and with the environment that basinward has.

    Examples:

      basinward check --fleet /etc/basinward

      basinward check --fleet ./fleet --json
    """
    from gateway.cli.output import errors, out, print_json, print_problems  # noqa: PLC0415 - lazy
    from gateway.config import Level, examine  # noqa: PLC0415 - lazy

    configuration, problems = examine(fleet, os.environ)
    n_errors = sum(p.level is Level.ERROR for p in problems)
    n_warnings = len(problems) - n_errors
    sites = configuration.sites if configuration else ()
    n_units = sum(len(site.units) for site in sites)
    if as_json:
        print_json(
            {
                "ok": configuration is not None,
                "errors": n_errors,
                "warnings": n_warnings,
                "sites": len(sites) if configuration else None,
                "units": n_units if configuration else None,
                "problems": [p.to_json() for p in problems],
            }
        )
        raise typer.Exit(0 if configuration else 1)
    console = out() if configuration else errors()
    print_problems(problems, console)
    warned = f", {_count(n_warnings, 'warning')}" if n_warnings else ""
    if configuration is None:
        console.print(
            f"\n{_count(n_errors, 'error')}{warned}. Nothing can start from {fleet} as it is.",
            markup=False,
        )
        raise typer.Exit(1)
    verdict = f"{warned}." if warned else ", all good."
    console.print(f"{_count(len(sites), 'site')}, {_count(n_units, 'unit')}{verdict}")


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
