"""Mosquitto's access list: which topics each account may publish to (write) and receive (read).

What is not listed is refused, for everyone. There is no list for anonymous clients.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from gateway.broker_access.accounts import Account

__all__ = ["access_list"]

_HEADER: Final = """\
# Written by "basinward broker-access"; what is changed by hand is lost at the next run.
# What is not listed here nobody may do.
"""


def access_list(accounts: Iterable[Account]) -> str:
    """The file's text, one block an account."""
    return _HEADER + "".join(f"\n{_block(account)}" for account in accounts)


def _block(account: Account) -> str:
    lines = [f"# {account.what}", f"user {account.user}"]
    lines += [f"topic write {topic}" for topic in account.writes]
    lines += [f"topic read {topic}" for topic in account.reads]
    return "\n".join(lines) + "\n"
