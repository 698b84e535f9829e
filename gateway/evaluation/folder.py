"""Reads an evaluation's folder: site files, settings, samples and labelled faults."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from gateway.config import Plant, examine_plant
from gateway.config.report import Level, Problem, has_errors, ordered
from gateway.evaluation.labels import NAME, SERVICE, read_labels, read_service
from gateway.evaluation.samples import Samples, arrange
from gateway.evaluation.table import Faulty, Table, read_table
from rules.evaluation.cases import Label
from rules.events import Action, ActionKind
from rules.site_weather import SERVED

__all__ = ["FaultyFolder", "Folder", "read_folder"]


class FaultyFolder(Exception):
    """The folder cannot be evaluated; ``problems`` hold all that is wrong, warnings too."""

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        """At least one error."""
        super().__init__("\n".join(map(str, problems)))
        self.problems = problems


@dataclass(frozen=True)
class Folder:
    """What is to be evaluated. ``rows`` numbers the units of the site files."""

    path: Path
    plant: Plant
    rows: dict[tuple[str, str], int]
    samples: Samples
    labels: tuple[Label, ...]
    service: tuple[Action, ...]
    """Units taken out of service, in order of time."""
    not_scored: int
    """Labels of times at which there is no sample."""
    warnings: tuple[Problem, ...]

    def sent(self) -> dict[tuple[str, str], frozenset[str]]:
        """By site and unit, the signals of which any reading came.

        Weather that one unit sends is its whole site's.
        """
        names = {row: key for key, row in self.rows.items()}
        own = {names[row]: found for row, found in self.samples.sent().items()}
        weather: dict[str, frozenset[str]] = {}
        for (site, _unit), found in own.items():
            weather[site] = weather.get(site, frozenset()) | (found & frozenset(SERVED))
        return {(site, unit): found | weather[site] for (site, unit), found in own.items()}


def read_folder(path: Path, say: Callable[[str], None] = lambda _text: None) -> Folder:
    """Everything in the folder. Raises :class:`FaultyFolder`. ``say`` is told what takes long."""
    from rules.faults.registry import SLUGS  # noqa: PLC0415 - the rules take a while to import

    plant, found = examine_plant(path)
    problems = list(found)
    if not path.is_dir():
        raise FaultyFolder(ordered(problems))
    # Where the site files are broken, the rest is looked at all the same: one look shows it all.
    sites = plant.sites if plant is not None else ()
    units = {site.id: [unit.id for unit in site.units] for site in sites} or None
    labels, wrong = read_labels(path / NAME, units, SLUGS)
    problems += wrong
    service, wrong = read_service(path / SERVICE, units)
    problems += wrong
    say("Reading the samples ...")
    table: Table | None = None
    try:
        table = read_table(path)
        problems += table.warnings
    except Faulty as faulty:
        problems += faulty.problems
    if has_errors(problems) or plant is None or table is None:
        raise FaultyFolder(ordered(problems))
    rows = {key: row for row, key in enumerate((s.id, u.id) for s in plant.sites for u in s.units)}
    name, not_numbers = table.name, table.not_numbers
    samples = arrange(table, rows)
    problems += _sample_warnings(name, samples, not_numbers)
    if not len(samples):
        what = "no row holds a value of a unit that is in the site files."
        raise FaultyFolder(ordered([*problems, Problem(name, "", what)]))
    first_ms, last_ms = int(samples.arrived_ms[0]), int(samples.arrived_ms[-1])
    scored = [
        label
        for label in labels
        if label.start_ms <= last_ms and (label.end_ms is None or label.end_ms >= first_ms)
    ]
    if len(scored) < len(labels):
        what = (
            f"{len(labels) - len(scored)} faults lie outside the time of the samples: not scored."
        )
        problems.append(Problem(NAME, "", what, level=Level.WARNING))
    actions = [
        Action(
            number, ActionKind.OUT_OF_SERVICE, rows[site, unit], "", start_ms, "history",
            until_ms=end_ms or 0,
        )
        for number, (site, unit, start_ms, end_ms) in enumerate(service, start=1)
    ]  # fmt: skip
    return Folder(
        path=path,
        plant=plant,
        rows=rows,
        samples=samples,
        labels=tuple(scored),
        service=tuple(sorted(actions, key=lambda action: action.time_ms)),
        not_scored=len(labels) - len(scored),
        warnings=ordered(problems),
    )


def _sample_warnings(name: str, samples: Samples, not_numbers: dict[str, int]) -> list[Problem]:
    found = []
    for (site, unit), came in sorted(samples.strangers.items()):
        what = (
            f"{len(came)} rows are of unit '{unit}' of site '{site}', which no site file describes."
        )
        todo = "They are refused, as live."
        found.append(Problem(name, "", what, todo=todo, level=Level.WARNING))
    for column, count in not_numbers.items():
        what = f"{count} cells are no number; they count as refused."
        found.append(Problem(name, column, what, level=Level.WARNING))
    return found
