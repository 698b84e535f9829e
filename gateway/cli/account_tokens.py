"""``basinward accounts token``, ``tokens`` and ``token-revoke``: what programs show."""

from __future__ import annotations

from typing import Annotated

import typer

from gateway.cli.asking import JsonOption, commanding, nearer, opened
from gateway.cli.options import OwnDataOption, OwnRecordsOption

__all__ = ["token", "token_revoke", "tokens"]

_DAY_MS = 86_400_000


def token(
    context: typer.Context,
    name: Annotated[str, typer.Argument(metavar="NAME", help="Account that it belongs to.")],
    *,
    purpose: Annotated[
        str, typer.Option(metavar="TEXT", help="What it is for, such as the program's name.")
    ],
    role: Annotated[
        list[str] | None,
        typer.Option(
            "--role",
            help="What it may do of what its account may; repeat for several. Default: view.",
            show_default=False,
        ),
    ] = None,
    days: Annotated[int, typer.Option(min=1, max=730, help="For how many days it holds.")] = 90,
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """Make a token for a program, and show it this once.

    The program sends it with each request: Authorization: Bearer TOKEN. The records hold its hash
    alone. It can do what both the token and its account may, and ends with the account.

    Example:

      basinward accounts token reports --purpose "monthly figures" --role view --days 365
    """
    from gateway.accounts.keys import kept, new_token  # noqa: PLC0415 - lazy
    from gateway.cli.accounts import RoleWord, now_ms  # noqa: PLC0415 - lazy
    from gateway.cli.output import errors, fail, utc  # noqa: PLC0415 - lazy

    words = role or ["view"]
    if unknown := [w for w in words if w not in set(RoleWord)]:
        fail(f"There is no role '{unknown[0]}'. Roles are {', '.join(RoleWord)}.")
    if not purpose.strip():
        fail("Say what the token is for, so that later one knows whether it is still needed.")
    made, now = new_token(), now_ms()
    ends_ms = now + days * _DAY_MS
    with opened(nearer(context, data, records)) as store:
        number = store.accounts.add_token(
            name.lower(), purpose.strip()[:200], kept(made), words, ends_ms, commanding(), now
        )
    errors().print(
        f"Token {number}, until {utc(ends_ms)}. It is shown now and never again:", markup=False
    )
    typer.echo(str(made))


def tokens(
    context: typer.Context,
    *,
    as_json: JsonOption = False,
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """List the tokens there are and were: for what, until when, when last used.

    Example:

      basinward accounts tokens
    """
    from gateway.cli.accounts import now_ms  # noqa: PLC0415 - lazy
    from gateway.cli.output import out, print_json, print_table, utc  # noqa: PLC0415 - lazy

    with opened(nearer(context, data, records)) as store:
        rows = store.accounts.tokens()
    now = now_ms()

    def state(revoked_ms: int | None, expires_ms: int) -> str:
        if revoked_ms is not None:
            return "revoked"
        return "holds" if now < expires_ms else "expired"

    if as_json:
        print_json(
            [
                {
                    "number": t.id,
                    "account": t.account.name,
                    "purpose": t.purpose,
                    "roles": sorted(t.roles),
                    "state": state(t.revoked_ms, t.expires_ms),
                    "created_ms": t.created_ms,
                    "expires_ms": t.expires_ms,
                    "used_ms": t.used_ms,
                    "revoked_ms": t.revoked_ms,
                }
                for t in rows
            ]
        )
        return
    if not rows:
        out().print("There is no token.")
        return
    print_table(
        ("number", "account", "purpose", "roles", "state", "until", "last used"),
        (
            (
                str(t.id), t.account.name, t.purpose, ", ".join(sorted(t.roles)),
                state(t.revoked_ms, t.expires_ms), utc(t.expires_ms), utc(t.used_ms),
            )
            for t in rows
        ),
    )  # fmt: skip


def token_revoke(
    context: typer.Context,
    number: Annotated[int, typer.Argument(metavar="NUMBER", help="As `tokens` lists it.")],
    *,
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """End a token at once.

    Example:

      basinward accounts token-revoke 3
    """
    from gateway.cli.accounts import now_ms  # noqa: PLC0415 - lazy

    with opened(nearer(context, data, records)) as store:
        store.accounts.revoke_token(number, commanding(), now_ms())
    typer.echo(f"Token {number} does not hold any more.")
