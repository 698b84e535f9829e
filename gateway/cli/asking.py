"""What the commands share that ask the gateway for something in a person's name."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from gateway.accounts.actors import Actor
    from gateway.records import Records
    from rules.events import ActionKind

__all__ = [
    "ByOption",
    "JsonOption",
    "NoteOption",
    "SiteArgument",
    "UnitArgument",
    "commanding",
    "known_or_end",
    "nearer",
    "opened",
    "request",
]

SiteArgument = Annotated[str, typer.Argument(metavar="SITE", help="Site id.")]
UnitArgument = Annotated[str, typer.Argument(metavar="UNIT", help="Unit id.")]
ByOption = Annotated[str, typer.Option("--by", metavar="NAME", help="Your name, for the record.")]
NoteOption = Annotated[str, typer.Option("--note", metavar="TEXT", help="Why, for the record.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON, for other programs.")]


def request(
    context: typer.Context,
    kind: ActionKind,
    site: str,
    unit: str,
    by: str,
    *,
    fault: str = "",
    note: str = "",
    until_ms: int = 0,
    parts: list[str] | None = None,
    fleet: Path | None = None,
) -> None:
    """Record an action; the running gateway applies it within seconds.

    Where ``fleet`` can be read, a rule of its own must be one that applies to the unit.
    """
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy
    from gateway.config.sentences import nearest  # noqa: PLC0415 - lazy
    from rules.faults.registry import SLUGS  # noqa: PLC0415 - lazy
    from rules.own_rules.catalogue import PREFIX  # noqa: PLC0415 - lazy

    if fault and fault not in SLUGS and not fault.startswith(PREFIX):
        guess = nearest(fault, SLUGS)
        hint = f"Did you mean '{guess}'?" if guess else "`basinward rules` lists them."
        fail(f"There is no fault called '{fault}'. {hint}", 2)
    if fleet is not None and fault.startswith(PREFIX):
        _own_rule_or_end(fleet, site, unit, fault)
    place = f"{site}/{unit}" + (f" {fault}" if fault else "")
    now_ms = time.time_ns() // 1_000_000
    with opened(context) as store, store.audit.acting(commanding(), now_ms) as act:
        before = [a for a in store.standing_alarms(site, unit) if a.fault == fault]
        number = store.request_action(
            kind, site, unit, fault=fault, by=by, note=note, until_ms=until_ms,
            parts=parts or (), now_ms=now_ms,
        )  # fmt: skip
        asked = {"request": number, "by": by.strip(), "note": note.strip()}
        more = {"until_ms": until_ms or None, "parts": " ".join(parts or ())}
        act.note(
            f"{kind.value} asked for", place,
            before={"alarm": before[0].state.name.lower() if before else "normal"},
            after=asked | {name: value for name, value in more.items() if value},
        )  # fmt: skip
    typer.echo(
        f"{place}: '{kind.value}' by {by.strip()} recorded; the gateway applies it within "
        "seconds, or when it next starts."
    )


def _own_rule_or_end(fleet: Path, site_id: str, unit_id: str, slug: str) -> None:
    """End the command where the files have no such rule for the unit; say so where none is read."""
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy
    from gateway.config.loader import examine_plant  # noqa: PLC0415 - lazy
    from gateway.config.sentences import nearest  # noqa: PLC0415 - lazy
    from rules.own_rules.catalogue import rules_of, slug_of  # noqa: PLC0415 - lazy

    plant, _ = examine_plant(fleet)
    site = next((s for s in plant.sites if s.id == site_id), None) if plant else None
    unit = next((u for u in site.units if u.id == unit_id), None) if site else None
    if plant is None or site is None or unit is None:
        typer.echo(
            f"Whether {site_id}/{unit_id} has a rule '{slug}' cannot be told from {fleet}; name "
            "the configuration with --fleet.",
            err=True,
        )
        return
    known = [slug_of(rule) for rule in rules_of(plant.rules, site, unit)]
    if slug not in known:
        guess = nearest(slug, known)
        hint = f"Did you mean '{guess}'?" if guess else "`basinward rules --fleet` lists them."
        fail(f"{site_id}/{unit_id} has no rule of its own called '{slug}'. {hint}", 2)


def known_or_end(store: Records, site: str, unit: str) -> None:
    """End the command where nothing was ever heard of the site or unit that is asked for."""
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy
    from gateway.config.sentences import nearest  # noqa: PLC0415 - lazy

    places = list(store.units().values())
    for what, name, known in (
        ("site", site, sorted({s for s, _ in places})),
        ("unit", unit, sorted({u for s, u in places if site in ("", s)})),
    ):
        if name and name not in known:
            guess = nearest(name, known)
            hint = f" Did you mean '{guess}'?" if guess else ""
            where = f" of {site}" if what == "unit" and site else ""
            fail(f"Nothing was heard of a {what} '{name}'{where} yet.{hint}", 2)


def nearer(context: typer.Context, data: Path | None, records: str | None) -> typer.Context:
    """The context with what was said behind the command, which counts before what stands ahead."""
    before, before_url = context.obj
    context.obj = (data or before, records or before_url)
    return context


@contextmanager
def opened(context: typer.Context) -> Iterator[Records]:
    """The records that the options name; what they refuse ends the command with its sentence."""
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy
    from gateway.cli.setup import records_url  # noqa: PLC0415 - lazy
    from gateway.records import Records, RecordsError  # noqa: PLC0415 - lazy

    data, url = context.obj
    try:
        store = Records(records_url(data, url, must_exist=True))
        try:
            yield store
        finally:
            store.close()
    except RecordsError as error:
        fail(str(error))


def commanding() -> Actor:
    """Whoever runs this command: the user of the machine, and who became that user by sudo."""
    import getpass  # noqa: PLC0415 - lazy
    import os  # noqa: PLC0415 - lazy
    import pwd  # noqa: PLC0415 - lazy

    from gateway.accounts.actors import Actor, How  # noqa: PLC0415 - lazy
    from gateway.cli.output import clean  # noqa: PLC0415 - lazy

    try:
        user = pwd.getpwuid(os.getuid()).pw_name
    except KeyError:  # a container may have a user without a name
        user = getpass.getuser() if "USER" in os.environ else f"user {os.getuid()}"
    behind = os.environ.get("SUDO_USER", "")
    shown = f"{user} (sudo by {behind})" if behind and behind != user else user
    return Actor(clean(user)[:100], clean(shown)[:200], How.COMMAND)
