"""``basinward rules``: the master alarm list, printed from the fault catalogue."""

from __future__ import annotations

from typing import Annotated

import typer

__all__ = ["rules"]


def rules(
    slug: Annotated[
        str | None,
        typer.Argument(
            metavar="[SLUG]", help="One fault in full, with its settings; see the list for names."
        ),
    ] = None,
    *,
    markdown: Annotated[
        bool, typer.Option("--markdown", help="Print Markdown, for a document.")
    ] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print JSON, for other programs.")
    ] = False,
) -> None:
    """Print the master alarm list: every fault that basinward recognises.

    With a fault's name it prints all there is to know about it: meaning, consequence, what to do,
    causes, the signals it needs, and its settings with default, unit, range and reason. The name
    'fleet' gives the settings that belong to no single fault.

    Examples:

      basinward rules

      basinward rules pump-screen-clogging

      basinward rules --markdown > alarms.md
    """
    from gateway.cli import catalogue  # noqa: PLC0415 - lazy
    from gateway.cli.output import fail, print_json  # noqa: PLC0415 - lazy
    from gateway.config.sentences import nearest  # noqa: PLC0415 - lazy

    if markdown and as_json:
        fail("Choose --markdown or --json, not both.", 2)
    entries = catalogue.entries()
    if slug is not None:
        if slug not in entries:
            guess = nearest(slug, entries)
            hint = f"Did you mean '{guess}'?" if guess else f"Known: {', '.join(entries)}."
            fail(f"There is no fault called '{slug}'. {hint}", 2)
        entries = {slug: entries[slug]}
    if as_json:
        items = [entry.to_json() for entry in entries.values()]
        print_json(items[0] if slug is not None else items)
    elif markdown:
        typer.echo(catalogue.to_markdown(entries.values(), whole_list=slug is None))
    elif slug is not None:
        typer.echo(catalogue.to_text(entries[slug]))
    else:
        catalogue.print_list(entries.values())
