"""``basinward accounts``: who may use the board, and what was done there."""

from __future__ import annotations

import time
from collections.abc import Sequence
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from gateway.cli import account_tokens
from gateway.cli.asking import JsonOption, commanding, nearer, opened
from gateway.cli.audit import audit
from gateway.cli.options import DataOption, OwnDataOption, OwnRecordsOption, RecordsOption

__all__ = ["RoleWord", "app", "now_ms"]

app = typer.Typer(
    name="accounts",
    invoke_without_command=True,
    no_args_is_help=False,
    rich_markup_mode=None,
)


class RoleWord(StrEnum):
    """The roles, as options take them."""

    VIEW = "view"
    OPERATE = "operate"
    PLAN = "plan"
    ADMINISTER = "administer"


NameArgument = Annotated[str, typer.Argument(metavar="NAME", help="Name to sign in with.")]
RolesOption = Annotated[
    list[RoleWord] | None,
    typer.Option(
        "--role",
        help="What the account may do; repeat for several. 'administer' holds all of them.",
        show_default=False,
    ),
]
PasswordFileOption = Annotated[
    Path | None,
    typer.Option(
        "--password-file",
        metavar="FILE",
        help="Read the password from this file instead of asking for it.",
        show_default=False,
    ),
]
PasswordEnvOption = Annotated[
    str | None,
    typer.Option(
        "--password-env",
        metavar="VARIABLE",
        help="Read the password from this environment variable.",
        show_default=False,
    ),
]


@app.callback(invoke_without_command=True)
def accounts(
    context: typer.Context,
    *,
    data: DataOption = Path("data"),
    records: RecordsOption = None,
    as_json: JsonOption = False,
) -> None:
    """List the accounts of the board; or add one, change it, see what was done.

    Without a further command it lists each account with its roles and when it was last seen. A
    password is asked for, or read from a file or an environment variable; it is never an argument,
    which other users of the machine could see.

    Roles: view (look at pages), operate (act on alarms and tickets), plan (change the plan),
    administer (all of these). Who operates or plans should also view.

    Examples:

      basinward accounts

      basinward accounts add rui --shown-name "Rui Prata" --role view --role operate

      basinward accounts audit --account rui
    """
    context.obj = (data, records)
    if context.invoked_subcommand is not None:
        return
    from gateway.cli.output import out, print_json, print_table, utc  # noqa: PLC0415 - lazy

    with opened(context) as store:
        rows = store.accounts.all()
    if as_json:
        print_json(
            [
                {
                    "name": a.name,
                    "shown_name": a.shown_name,
                    "roles": sorted(a.roles),
                    "disabled": a.disabled,
                    "has_password": bool(a.password_hash),
                    "created_ms": a.created_ms,
                    "sessions": sessions,
                    "seen_ms": seen_ms,
                }
                for a, sessions, seen_ms in rows
            ]
        )
        return
    if not rows:
        out().print(
            "There is no account yet. Add the first: basinward accounts add NAME --role administer"
        )
        return
    print_table(
        ("name", "shown as", "roles", "state", "last seen"),
        (
            (
                a.name,
                a.shown_name,
                ", ".join(sorted(a.roles)),
                "disabled" if a.disabled else "" if a.password_hash else "no password",
                utc(seen_ms),
            )
            for a, _, seen_ms in rows
        ),
    )


@app.command()
def add(
    context: typer.Context,
    name: NameArgument,
    *,
    role: RolesOption = None,
    shown_name: Annotated[
        str,
        typer.Option(
            metavar="TEXT",
            help="Name for the records, such as first and last name; default: NAME.",
            show_default=False,
        ),
    ] = "",
    password_file: PasswordFileOption = None,
    password_env: PasswordEnvOption = None,
    no_password: Annotated[
        bool,
        typer.Option(
            "--no-password", help="For somebody whom a reverse proxy signs on, or for a program."
        ),
    ] = False,
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """Add an account.

    Example:

      basinward accounts add eva --shown-name "Eva Lindt" --role administer
    """
    from gateway.accounts.names import (  # noqa: PLC0415 - lazy
        NameRefused,
        account_name,
    )
    from gateway.accounts.names import shown_name as checked  # noqa: PLC0415 - lazy
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy

    if not role:
        fail("Say what the account may do, for instance: --role view --role operate.")
    try:
        sign_in, shown = account_name(name), checked(shown_name or name)
    except NameRefused as error:
        fail(f"{error} Nothing was changed.")
    with opened(nearer(context, data, records)) as store:
        if store.accounts.get(sign_in) is not None:
            fail(f"There is an account '{sign_in}' already. Nothing was changed.")
        written = "" if no_password else _asked(password_file, password_env, sign_in, shown)
        store.accounts.add(sign_in, shown, written, role, commanding(), now_ms())
    typer.echo(f"{sign_in} ({shown}) may now {', '.join(sorted(role))}.")
    _hint(role)


@app.command()
def roles(
    context: typer.Context,
    name: NameArgument,
    *,
    role: RolesOption = None,
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """Give an account these roles and no others; it must sign in again.

    Example:

      basinward accounts roles rui --role view --role operate --role plan
    """
    given = role or []
    with opened(nearer(context, data, records)) as store:
        store.accounts.set_roles(name.lower(), given, commanding(), now_ms())
    typer.echo(f"{name} may now {', '.join(sorted(given)) or 'do nothing'}.")
    _hint(given)


@app.command()
def disable(
    context: typer.Context,
    name: NameArgument,
    *,
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """Keep an account from signing in, end its visits, and let its tokens do nothing.

    Example:

      basinward accounts disable rui
    """
    with opened(nearer(context, data, records)) as store:
        store.accounts.set_disabled(name.lower(), True, commanding(), now_ms())
    typer.echo(f"{name} cannot sign in any more.")


@app.command()
def enable(
    context: typer.Context,
    name: NameArgument,
    *,
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """Let an account sign in again.

    Example:

      basinward accounts enable rui
    """
    with opened(nearer(context, data, records)) as store:
        store.accounts.set_disabled(name.lower(), False, commanding(), now_ms())
    typer.echo(f"{name} can sign in again.")


@app.command()
def password(
    context: typer.Context,
    name: NameArgument,
    *,
    password_file: PasswordFileOption = None,
    password_env: PasswordEnvOption = None,
    no_password: Annotated[
        bool, typer.Option("--no-password", help="Take the password away.")
    ] = False,
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """Give an account another password; it must sign in again.

    Example:

      basinward accounts password rui
    """
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy

    with opened(nearer(context, data, records)) as store:
        account = store.accounts.get(name.lower())
        if account is None:
            fail(f"There is no account '{name}'. Nothing was changed.")
        written = (
            ""
            if no_password
            else _asked(password_file, password_env, account.name, account.shown_name)
        )
        store.accounts.set_password(account.name, written, commanding(), now_ms())
    typer.echo(f"{account.name} has {'no' if no_password else 'another'} password.")


@app.command(name="sign-out")
def sign_out(
    context: typer.Context,
    name: NameArgument,
    *,
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """End all visits of an account.

    Example:

      basinward accounts sign-out rui
    """
    with opened(nearer(context, data, records)) as store:
        ended = store.accounts.end_sessions(name.lower(), commanding(), now_ms())
    typer.echo(f"{name} is signed out; {ended} visits have ended.")


def now_ms() -> int:
    """The machine's clock [ms since 1970, UTC]."""
    return time.time_ns() // 1_000_000


def _hint(roles: Sequence[RoleWord]) -> None:
    if roles and not {RoleWord.VIEW, RoleWord.ADMINISTER} & set(roles):
        typer.echo("Without the role view no page opens for it, so most will want that as well.")


def _asked(file: Path | None, variable: str | None, *names: str) -> str:
    """The hash of the password that a file, a variable or a person gives; the command ends if not.

    A password that may not be one is never shown.
    """
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy

    try:
        from gateway.accounts.passwords import (  # noqa: PLC0415 - lazy
            PasswordRefused,
            Passwords,
        )
    except ModuleNotFoundError as error:
        fail(f"Accounts need more packages ({error.name}): pip install 'basinward[board]'.")
    text = _given(file, variable)
    try:
        return Passwords().chosen(text, *names, "basinward")
    except PasswordRefused as error:
        fail(f"The password was not taken. {error} Nothing was changed.")


def _given(file: Path | None, variable: str | None) -> str:
    import os  # noqa: PLC0415 - lazy

    from gateway.cli.output import fail  # noqa: PLC0415 - lazy
    from gateway.config.files import why_unreadable  # noqa: PLC0415 - lazy

    if file is not None and variable is not None:
        fail("Give a file or a variable, not both. Nothing was changed.")
    if variable is not None:
        if not os.environ.get(variable):
            fail(f"The environment variable {variable} is not set. Nothing was changed.")
        return os.environ[variable]
    if file is not None:
        try:
            return file.read_text(encoding="utf-8").rstrip("\r\n")
        except OSError as error:
            fail(f"{file} cannot be read: {why_unreadable(error)}. Nothing was changed.")
        except UnicodeDecodeError:
            fail(f"{file} holds no password: it is not plain text. Nothing was changed.")
    given: str = typer.prompt("Password", hide_input=True, confirmation_prompt=True)
    return given


app.command()(account_tokens.token)
app.command()(account_tokens.tokens)
app.command()(account_tokens.token_revoke)
app.command()(audit)
