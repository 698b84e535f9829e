"""``basinward accounts audit``: who did what, when, from where."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Annotated, Any

import typer

from gateway.cli.asking import JsonOption, nearer, opened
from gateway.cli.options import OwnDataOption, OwnRecordsOption

__all__ = ["audit"]


def audit(
    context: typer.Context,
    *,
    account: Annotated[
        str, typer.Option(metavar="NAME", help="Only what this account did.", show_default=False)
    ] = "",
    subject: Annotated[
        str,
        typer.Option(
            metavar="TEXT",
            help="Only what was done to this: a ticket's number, an account.",
            show_default=False,
        ),
    ] = "",
    since: Annotated[
        datetime | None,
        typer.Option(
            formats=["%Y-%m-%d", "%Y-%m-%dT%H:%M:%S"],
            help="Only from this time on (UTC).",
            show_default=False,
        ),
    ] = None,
    limit: Annotated[int, typer.Option(min=1, help="At most so many, the newest.")] = 200,
    as_json: JsonOption = False,
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """Print the audit trail: every act with who, when, from where, before and after.

    The newest entries come first. Entries are only ever added; the database refuses to change or
    delete one.

    Examples:

      basinward accounts audit --since 2026-03-01

      basinward accounts audit --subject BW-000123 --json
    """
    from gateway.cli.output import out, print_json, print_table, utc  # noqa: PLC0415 - lazy

    since_ms = 0 if since is None else round(since.replace(tzinfo=UTC).timestamp() * 1000)
    with opened(nearer(context, data, records)) as store:
        entries = store.audit.entries(
            account=account.lower(), subject=subject, since_ms=since_ms, limit=limit
        )
    if as_json:
        print_json(
            [
                {
                    "id": e.id,
                    "time_ms": e.time_ms,
                    "account": e.actor.account,
                    "shown_name": e.actor.shown_name,
                    "how": e.actor.how.value,
                    "address": e.actor.address,
                    "token": e.actor.token,
                    "action": e.action,
                    "subject": e.subject,
                    "before": e.before,
                    "after": e.after,
                }
                for e in entries
            ]
        )
        return
    if not entries:
        out().print("Nothing of that kind stands in the audit trail.")
        return
    print_table(
        ("time", "who", "from", "action", "subject", "before", "after"),
        (
            (
                utc(e.time_ms),
                e.actor.shown_name + (f" (token {e.actor.token})" if e.actor.token else ""),
                e.actor.address or e.actor.how.value,
                e.action,
                e.subject,
                _short(e.before),
                _short(e.after),
            )
            for e in entries
        ),
    )
    if len(entries) == limit:
        out().print(f"The list ends at {limit} entries; --limit and --since show others.")


def _short(values: Mapping[str, Any] | None) -> str:
    return ", ".join(
        f"{name} {value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)}"
        for name, value in (values or {}).items()
    )
