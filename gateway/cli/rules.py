"""``basinward rules``: the master alarm list, printed from the fault catalogue."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from gateway.cli.catalogue import Entry

__all__ = ["rules"]


def rules(
    slug: Annotated[
        str | None,
        typer.Argument(
            metavar="[SLUG]", help="One fault in full, with its settings; see the list for names."
        ),
    ] = None,
    *,
    fleet: Annotated[
        Path | None,
        typer.Option(
            "--fleet",
            metavar="DIR",
            help="Also the own rules of the files in this configuration directory.",
            show_default=False,
        ),
    ] = None,
    names: Annotated[
        bool,
        typer.Option("--names", help="Print what the conditions of own rules may name, instead."),
    ] = False,
    signatures: Annotated[
        bool,
        typer.Option("--signatures", help="Print which signs tell causes apart, instead."),
    ] = False,
    markdown: Annotated[
        bool, typer.Option("--markdown", help="Print Markdown, for a document.")
    ] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print JSON, for other programs.")
    ] = False,
) -> None:
    """Print the master alarm list: every fault that basinward recognises.

    With a fault's name it prints all there is to know about it: meaning, consequence, what to do,
    causes, the signs that tell them apart, the signals it needs, and its settings with default,
    unit, range and reason. The name 'fleet' gives the settings that belong to no single fault.

    Examples:

      basinward rules

      basinward rules pump-screen-clogging

      basinward rules --markdown > alarms.md

      basinward rules --fleet /etc/basinward

      basinward rules --names

      basinward rules --signatures
    """
    from gateway.cli import catalogue  # noqa: PLC0415 - lazy
    from gateway.cli.output import fail, print_json  # noqa: PLC0415 - lazy
    from gateway.config.sentences import nearest  # noqa: PLC0415 - lazy

    if markdown and as_json:
        fail("Choose --markdown or --json, not both.", 2)
    if names or signatures:
        _instead(signatures=signatures, markdown=markdown, as_json=as_json)
        return
    entries = [*catalogue.entries().values(), *(_own(fleet) if fleet is not None else ())]
    if slug is not None:
        known = list(dict.fromkeys(entry.slug for entry in entries))
        entries = [entry for entry in entries if entry.slug == slug]
        if not entries:
            guess = nearest(slug, known)
            hint = f"Did you mean '{guess}'?" if guess else f"Known: {', '.join(known)}."
            fail(f"There is no fault called '{slug}'. {hint}", 2)
    if as_json:
        items = [entry.to_json() for entry in entries]
        print_json(items[0] if slug is not None and len(items) == 1 else items)
    elif markdown:
        typer.echo(catalogue.to_markdown(entries, whole_list=slug is None))
    elif slug is not None:
        typer.echo("\n\n".join(catalogue.to_text(entry) for entry in entries))
    else:
        catalogue.print_list(entries)


def _instead(*, signatures: bool, markdown: bool, as_json: bool) -> None:
    """What is printed instead of faults: the signature matrix, or the names for own rules."""
    from gateway.cli import catalogue  # noqa: PLC0415 - lazy
    from gateway.cli import signatures as matrix  # noqa: PLC0415 - lazy
    from gateway.cli.output import print_json  # noqa: PLC0415 - lazy

    if as_json:
        print_json(matrix.matrix_json() if signatures else catalogue.names_json())
    elif signatures:
        typer.echo(matrix.matrix_markdown() if markdown else matrix.matrix_text())
    else:
        catalogue.print_names()


def _own(fleet: Path) -> tuple[Entry, ...]:
    """The own rules of a configuration; its problems end the command."""
    from gateway.cli import catalogue  # noqa: PLC0415 - lazy
    from gateway.cli.output import errors, print_problems  # noqa: PLC0415 - lazy
    from gateway.config import Level, examine_plant  # noqa: PLC0415 - lazy

    plant, problems = examine_plant(fleet)
    if plant is None:
        print_problems([p for p in problems if p.level is Level.ERROR], errors())
        raise typer.Exit(1)
    return catalogue.own_entries(plant.rules, plant.sites)
