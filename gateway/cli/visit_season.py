"""``basinward visits season``: planning by condition beside two other ways, in a model."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated

import typer

__all__ = ["season"]

_NAMES = {
    "plan": "by condition and plan", "calendar": "by the calendar", "failure": "until it fails"
}  # fmt: skip


def season(
    *,
    sites: Annotated[int, typer.Option(min=1, max=300, help="Sites of the model.")] = 20,
    crews: Annotated[int, typer.Option(min=1, max=20, help="Crews of the model.")] = 2,
    weeks: Annotated[int, typer.Option(min=4, max=104, help="Length of the season.")] = 26,
    calendar: Annotated[
        int, typer.Option("--calendar", min=7, max=366, help="Days between calendar cleanings.")
    ] = 91,
    seed: Annotated[int, typer.Option(help="The same seed draws the same season.")] = 1,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Compare planning by condition with cleaning by the calendar and with waiting for failure.

    The season is a model: rates of wear, hot days and trips are drawn, and all three ways live
    through the same. It says which way to plan costs what under its assumptions, which stand in
    rules/visits/season.py; it says nothing about your own fleet.

    Example:

      basinward visits season --sites 20 --weeks 26 --seed 1
    """
    import numpy as np  # noqa: PLC0415 - lazy

    from gateway.cli.output import fail, print_json, print_table  # noqa: PLC0415 - lazy

    try:
        from rules.visits.season import SeasonSettings, draw, live  # noqa: PLC0415 - lazy
    except ModuleNotFoundError:
        fail("Planning needs the extra 'visits': pip install '.[visits]' brings its solver.")
    settings = SeasonSettings(sites, crews, weeks * 7, calendar_days=calendar)
    drawn = draw(settings, np.random.default_rng(seed))
    results = {policy: live(drawn, policy) for policy in _NAMES}
    if as_json:
        print_json({policy: asdict(figures) for policy, figures in results.items()})
        return
    print_table(
        ("", *_NAMES.values()),
        [
            ("site visits", *(str(f.site_visits) for f in results.values())),
            ("of these call-outs", *(str(f.call_outs) for f in results.values())),
            ("trips", *(str(f.trips) for f in results.values())),
            ("jobs", *(str(f.jobs) for f in results.values())),
            ("run left unused", *(f"{f.unused_share * 100:.0f} %" for f in results.values())),
            ("hours on the road", *(f"{f.drive_h:.0f}" for f in results.values())),
            ("hours at the sites", *(f"{f.work_h:.0f}" for f in results.values())),
            ("water, m³ more", *(f"{f.water_m3:.0f}" for f in results.values())),
            ("energy, kWh more", *(f"{f.energy_kwh:,.0f}" for f in results.values())),
        ],
    )
    typer.echo(
        f"A model of {sites} sites, {max(drawn.unit_of) + 1} units and {crews} crews over {weeks} "
        f"weeks, seed {seed}. More means: more than clean units would use."
    )
