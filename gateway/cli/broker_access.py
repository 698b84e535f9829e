"""``basinward broker-access``: the broker's accounts and access list, made of the site files."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gateway.cli.options import FleetOption

if TYPE_CHECKING:
    from gateway.broker_access import Changes

__all__ = ["broker_access"]

_GATEWAY_USER = "gateway"
"""Of a fleet.toml that names none: no password is needed to make one."""


def broker_access(
    *,
    fleet: FleetOption = Path("fleet"),
    out: Annotated[
        Path,
        typer.Option("--out", metavar="DIR", help="Folder that the broker reads."),
    ] = Path("broker-access"),
    secrets: Annotated[
        Path | None,
        typer.Option(
            "--secrets",
            metavar="DIR",
            show_default=False,
            help="Folder for new passwords, one file an account; else 'secrets' in the other one.",
        ),
    ] = None,
    renew: Annotated[
        list[str] | None,
        typer.Option(
            "--renew", metavar="NAME", help="Give this account a new password.", show_default=False
        ),
    ] = None,
    each_unit: Annotated[
        list[str] | None,
        typer.Option(
            "--each-unit",
            metavar="SITE",
            show_default=False,
            help="Give each unit of this site an account of its own as well.",
        ),
    ] = None,
    site_only: Annotated[
        list[str] | None,
        typer.Option(
            "--site-only",
            metavar="SITE",
            show_default=False,
            help="Take the accounts of this site's units away again.",
        ),
    ] = None,
) -> None:
    """Write Mosquitto's password file and access list from the site files.

    Each site gets an account by its id, which may publish below its own topics and nothing else;
    the gateway's account, username under [broker], may read all sites. A site connects once at a
    time by its account; where units connect by themselves, --each-unit gives them accounts named
    SITE.UNIT. Run it again after each change of the site files: passwords stay, new sites get one,
    sites that are gone lose theirs. Nothing is written if a site file has a fault.

    A new password is written to a file that only you can read, and nowhere else. Hand it over to
    the site by a safe way and delete the file; the broker needs only the hash.

    Examples:

      basinward broker-access --fleet /etc/basinward --out /etc/mosquitto/basinward

      basinward broker-access --fleet /etc/basinward --out /etc/mosquitto/basinward --renew my-site
    """
    from gateway.broker_access import (  # noqa: PLC0415 - lazy
        AccessFolder,
        AccessFolderError,
        AccountsError,
        accounts_of,
    )
    from gateway.cli.output import errors, fail, print_problems  # noqa: PLC0415 - lazy
    from gateway.cli.output import out as console  # noqa: PLC0415 - lazy
    from gateway.config import examine_plant  # noqa: PLC0415 - lazy

    plant, problems = examine_plant(fleet)
    print_problems(problems, errors())
    if plant is None:
        fail("The site files have faults; nothing has been written. Correct them and run it again.")
    folder = AccessFolder(out, secrets if secrets is not None else out / "secrets")
    try:
        unit_sites = folder.sites_with_unit_accounts() & {site.id for site in plant.sites}
        unit_sites = (unit_sites | set(each_unit or ())) - set(site_only or ())
        user, may_ask_rebirth = _gateways_part(fleet)
        accounts = accounts_of(
            plant.sites, user or _GATEWAY_USER,
            each_unit=unit_sites, may_ask_rebirth=may_ask_rebirth,
        )  # fmt: skip
        if unknown := sorted(set(renew or ()) - {account.user for account in accounts}):
            fail(f"There is no account {', '.join(unknown)}. Nothing has been written.")
        changes = folder.write(accounts, frozenset(renew or ()))
    except (AccountsError, AccessFolderError) as error:
        fail(str(error))
    for line in _told(changes, folder.folder):
        console().print(line, markup=False)
    if user is None:
        console().print(
            f'Under [broker] in fleet.toml write username = "{_GATEWAY_USER}" and where its '
            "password is: password_file or password_env.", markup=False,
        )  # fmt: skip


def _gateways_part(fleet: Path) -> tuple[str | None, bool]:
    """``username`` under ``[broker]``, ``request_rebirth`` under ``[sparkplug]``.

    The rest of fleet.toml need not be complete yet: it names the password that is made here.
    """
    from gateway.config.files import Document  # noqa: PLC0415 - lazy

    data = Document.read(fleet / "fleet.toml", "fleet.toml").data or {}
    broker, sparkplug = data.get("broker"), data.get("sparkplug")
    user = broker.get("username") if isinstance(broker, dict) else None
    asks = sparkplug.get("request_rebirth") if isinstance(sparkplug, dict) else None
    return user.strip() if isinstance(user, str) and user.strip() else None, asks is True


def _told(changes: Changes, folder: Path) -> list[str]:
    """What happened, in lines; names only."""
    lines = [
        f"{len(names)} {what}{': ' + ', '.join(names) if shown else ''}"
        for names, what, shown in (
            (changes.kept, "kept as they were", False),
            (changes.new, "new", True),
            (changes.renewed, "with a new password", True),
            (changes.taken_over, "with the password that lay there", True),
            (changes.removed, "removed", True),
        )
        if names
    ]
    lines = [f"Accounts in {folder}:", *(f"  {line}" for line in lines)]
    if changes.handed_over:
        lines.append(
            f"New passwords are in {changes.handed_over[0].parent}, one file an account. Hand each "
            "over by a safe way, then delete its file."
        )
    lines.append("Now let the broker read the files: systemctl reload mosquitto, or SIGHUP.")
    return lines
