"""The commands by which people carry a ticket on: assign, arrive, leave, done, hand-back, close.

Each records what a person says and prints what follows from it, or refuses with a sentence.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gateway.cli.asking import ByOption, NoteOption, nearer, opened
from gateway.cli.options import OwnDataOption, OwnRecordsOption
from gateway.cli.ticket_ask import NumberArgument, acting, milliseconds, now_ms, ticket_of
from gateway.cli.ticket_show import hand_back_told

if TYPE_CHECKING:
    from gateway.records import Records
    from gateway.records.rows import TicketRow
    from gateway.tickets.closeout import PartFinding, ReadingTaken

__all__ = ["add_work_to"]

REMINDER = (
    "Isolate, lock and tag by the site's own energy-control procedure, and prove that the machine "
    "is dead: this command does none of it. It authorises nothing, and a stop from afar is never "
    "an isolation."
)


def assign(
    context: typer.Context,
    number: NumberArgument,
    *,
    by: ByOption,
    to: Annotated[str, typer.Option("--to", metavar="NAME", help="Who is to do it.")],
    note: NoteOption = "",
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """Assign: say who is to do it. The alarm counts as acknowledged by you.

    Example:

      basinward tickets assign 123 --to "R. Marsh" --by "Control room"
    """
    with opened(nearer(context, data, records)) as store:
        ticket = ticket_of(store, number).ticket
        now = now_ms()
        with acting(store, ticket, "ticket assigned", by, now, note=note):
            store.assign(ticket.number, by=by, to=to, note=note, now_ms=now)
    typer.echo(f"{ticket.number}: assigned to {to.strip()} by {by.strip()}.")


def arrive(
    context: typer.Context,
    number: NumberArgument,
    *,
    by: ByOption,
    duration: Annotated[
        str,
        typer.Option("--for", metavar="TIME", help="How long you expect to work: 90m, 6h."),
    ] = "4h",
    note: NoteOption = "",
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """On site: you work on the unit from now on, so its alarms are out of service.

    After the time given whoever is on call is reminded; an hour later the unit is judged again.
    Reported again it lasts longer. Each person reports himself.

    Example:

      basinward tickets arrive 123 --for 6h --by "R. Marsh"
    """
    now = now_ms()
    with opened(nearer(context, data, records)) as store:
        ticket = ticket_of(store, number).ticket
        until_ms = now + milliseconds(duration)
        with acting(store, ticket, "on site", by, now, note=note, until_ms=until_ms):
            store.arrive(ticket.number, by=by, note=note, until_ms=until_ms, now_ms=now)
    typer.echo(
        f"{ticket.number}: {by.strip()} is on site; the alarms of {ticket.site}/{ticket.unit} are "
        f"out of service for {duration.strip()}, as soon as the gateway has it."
    )
    typer.echo(REMINDER)


def leave(
    context: typer.Context,
    number: NumberArgument,
    *,
    by: ByOption,
    note: NoteOption = "",
    whom: Annotated[
        str,
        typer.Option(
            "--whom",
            metavar="NAME",
            help="Who has left and cannot report it himself, as he gave his name on arrival.",
            show_default=False,
        ),
    ] = "",
    is_clear: Annotated[
        bool,
        typer.Option("--clear", help="You have made sure that --whom is clear of the machine."),
    ] = False,
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """Leave: you go before the work is done, clear of the machine and with your lock off.

    For another who cannot report it, name him. That takes off nobody's lock.

    Examples:

      basinward tickets leave 123 --by "R. Marsh" --note "Waits for a gasket."

      basinward tickets leave 123 --by "Control room" --whom "R. Marsh" --clear
    """
    with opened(nearer(context, data, records)) as store:
        ticket = ticket_of(store, number).ticket
        now = now_ms()
        said = {"note": note, "whom": whom.strip(), "is_clear": is_clear}
        with acting(store, ticket, "left the site", by, now, **said):
            is_over = store.leave(
                ticket.number, by=by, note=note, now_ms=now, whom=whom, is_clear=is_clear
            )
            service = _service(store, ticket, now, is_over=is_over)
    typer.echo(f"{ticket.number}: {whom.strip() or by.strip()} has left. {service}")


def done(
    context: typer.Context,
    number: NumberArgument,
    *,
    by: ByOption,
    note: NoteOption = "",
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """Work done: everybody is clear, the locks are off, the unit runs again.

    The gateway then looks at its readings; wait for `basinward tickets handback` before you leave.

    Example:

      basinward tickets done 123 --by "R. Marsh"
    """
    with opened(nearer(context, data, records)) as store:
        ticket = ticket_of(store, number).ticket
        now = now_ms()
        with acting(store, ticket, "work done", by, now, note=note):
            is_over = store.finish(ticket.number, by=by, note=note, now_ms=now)
            service = _service(store, ticket, now, is_over=is_over)
    typer.echo(f"{ticket.number}: work done, says {by.strip()}. {service}")
    if is_over:
        typer.echo(
            f"Before you leave: `basinward tickets handback {ticket.number}` shows what the "
            "readings prove; what is not proven in time is mailed to you and to who is on call."
        )


def handback(
    context: typer.Context,
    number: NumberArgument,
    *,
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """Hand-back: what the readings prove since the work was done.

    Ends with exit code 1 while, or because, not all is proven.

    Example:

      basinward tickets handback 123
    """
    with opened(nearer(context, data, records)) as store:
        detail = ticket_of(store, number)
    check = detail.ticket.hand_back
    if check is None:
        typer.echo(
            f"{detail.ticket.number}: the unit was not handed back. `basinward tickets done` does "
            "it when the work is done."
        )
        raise typer.Exit(1)
    for line in hand_back_told(detail):
        typer.echo(line.removeprefix("  "))
    if not check.items:
        typer.echo("The gateway has not looked yet; ask again in a minute.")
    if not check.proven:
        raise typer.Exit(1)


def close(
    context: typer.Context,
    number: NumberArgument,
    *,
    by: ByOption,
    found: Annotated[
        str, typer.Option("--found", metavar="TEXT", help="What was found and done, in words.")
    ],
    part: Annotated[
        list[str] | None,
        typer.Option(
            "--part",
            metavar="'PART | FOUND | DONE | USED | VERDICT'",
            help="What was found at one part, what was done, which parts were used, and whether it "
            "was 'as said' by the ticket, 'something else' or 'nothing found'. The last three may "
            "be left out. Repeat for several. `basinward tickets close --help` ends with the "
            "names.",
            show_default=False,
        ),
    ] = None,
    reading: Annotated[
        list[str] | None,
        typer.Option(
            "--reading",
            metavar="'PART | WHAT | BEFORE | AFTER | UNIT'",
            help="A reading at a part named with --part, before and after the work; either may be "
            "empty. Repeat for several.",
            show_default=False,
        ),
    ] = None,
    cleaned: Annotated[
        list[str] | None,
        typer.Option(
            "--cleaned",
            metavar="PART",
            help="A part that was cleaned: the readings show whether it helped, and if so its "
            "normal ones are learned anew; repeat for several: pump-screen, distribution, pads, "
            "coil, basin, float, bleed, fans.",
            show_default=False,
        ),
    ] = None,
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """Close: the work is done. Say what was found, so that the next one knows.

    The data have the last word: normal readings verify the ticket, the same alarm within three days
    (`reopen_within_s`) reopens it. Parts are pump, pump-screen, distribution, pads, coil, basin,
    float, bleed, fans, sensor, electrics, controls, refrigerant-side, other.

    Examples:

      basinward tickets close 123 --by "R. Marsh" --found "Leaves." --cleaned pump-screen

      basinward tickets close 123 --by "R. Marsh" --found "Screen blocked." --part "pump-screen |
      full of leaves | cleaned | gasket | as said" --reading "pump-screen | spray_pressure | 58 |
      84 | kPa"
    """
    findings = _findings(part or [], reading or [])
    with opened(nearer(context, data, records)) as store:
        ticket = ticket_of(store, number).ticket
        now, parts = now_ms(), cleaned or ()
        with acting(
            store, ticket, "ticket closed", by, now,
            finding=found, cleaned=" ".join(parts), parts=[f.part for f in findings],
        ):  # fmt: skip
            store.close_ticket(
                ticket.number, by=by, finding=found, findings=findings, cleaned=parts, now_ms=now
            )
    typer.echo(f"{ticket.number}: closed by {by.strip()}.")
    if cleaned:
        typer.echo(
            f"Cleaned: {', '.join(cleaned)}. The normal readings that depend on it are learned "
            "anew as the machine runs; until then the old ones hold."
        )


def attach(
    context: typer.Context,
    number: NumberArgument,
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="A photo (JPEG, PNG, WebP, HEIC) or a PDF.")
    ],
    *,
    by: ByOption,
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """Attach a photo or a PDF, 10 MB at most.

    Example:

      basinward tickets attach 123 screen.jpg --by "R. Marsh"
    """
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy
    from gateway.tickets.attachments import MOST_BYTES  # noqa: PLC0415 - lazy

    try:
        with file.open("rb") as stream:
            content = stream.read(MOST_BYTES + 1)
    except OSError as error:
        fail(f"{file} cannot be read: {error.strerror or error}. Nothing was attached.", 2)
    with opened(nearer(context, data, records)) as store:
        ticket = ticket_of(store, number).ticket
        now = now_ms()
        with acting(store, ticket, "file attached", by, now, name=file.name, bytes=len(content)):
            position = store.attach(
                ticket.number, by=by, name=file.name, content=content, now_ms=now
            )
    typer.echo(f"{ticket.number}: attachment {position}, {len(content) / 1024:.0f} kB.")


def add_work_to(app: typer.Typer) -> None:
    """Make these commands part of ``basinward tickets``."""
    for command in (assign, arrive, leave, done, handback, attach, close):
        app.command()(command)


def _service(store: Records, ticket: TicketRow, now_ms: int, *, is_over: bool) -> str:
    """Whether the unit is back; ``is_over`` tells that nobody works on it any more."""
    if not is_over:
        return "The unit stays out of service: somebody else still works on it."
    held = store.held_out(ticket.site, ticket.unit, now_ms)
    if held is None:
        return "The unit is back in service as soon as the gateway has it."
    note = f" ({held.note})" if held.note else ""
    return f"The unit stays out of service, as {held.by} had it before{note}."


def _findings(parts: list[str], readings: list[str]) -> list[PartFinding]:
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy
    from gateway.tickets.closeout import (  # noqa: PLC0415 - lazy
        CloseOutRefused,
        PartFinding,
        verdict_of,
    )

    taken: dict[str, list[ReadingTaken]] = {}
    try:
        for text in readings:
            name, one = _reading(text)
            taken.setdefault(name, []).append(one)
        found = []
        for text in parts:
            form = "--part 'pump-screen | full of leaves | cleaned | gasket | as said'"
            name, condition, did, used, verdict = (*_words(text, 2, 5, form), "", "", "")[:5]
            at = tuple(taken.pop(name.lower(), ()))
            found.append(PartFinding(name, condition, did, used, at, verdict_of(verdict)))
    except CloseOutRefused as error:
        fail(f"{error} Nothing was changed.", 2)
    if taken:
        fail(
            f"There is a reading at '{next(iter(taken))}', but no --part of that name. Say with "
            "--part what was found there. Nothing was changed.",
            2,
        )
    return found


def _reading(text: str) -> tuple[str, ReadingTaken]:
    from gateway.tickets.closeout import CloseOutRefused, ReadingTaken  # noqa: PLC0415 - lazy

    form = "--reading 'pump-screen | spray_pressure | 58 | 84 | kPa'"
    part, what, before, *rest = _words(text, 3, 5, form)
    after, unit = (*rest, "", "")[:2]
    try:
        values = [float(v) if v else None for v in (before, after)]
    except ValueError:
        msg = f"'{text}' has something else than a number for before or after. Write {form}."
        raise CloseOutRefused(msg) from None
    return part.lower(), ReadingTaken(what, unit, values[0], values[1])


def _words(text: str, least: int, most: int, form: str) -> list[str]:
    from gateway.tickets.closeout import CloseOutRefused  # noqa: PLC0415 - lazy

    words = [word.strip() for word in text.split("|")]
    if not least <= len(words) <= most:
        msg = f"'{text}' has {len(words)} fields, {least} to {most} are asked for. Write {form}."
        raise CloseOutRefused(msg)
    return words
