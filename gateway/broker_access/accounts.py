"""The accounts that a fleet needs on its broker: one for the gateway, one for each site.

The topic is a reading's identity, so what an account may publish is who it can be. Pure: site files
in, accounts out. A name of a site file that could widen what an account may do is refused.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from typing import Final

from rules.equipment import Site

__all__ = ["Account", "AccountsError", "accounts_of", "site_of"]

_USER: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}")
"""User names go into Mosquitto's files and become file names: no colon, slash, blank or dot."""

_EDGE_PUBLISHES: Final = ("NBIRTH", "NDATA", "NDEATH")
_DEVICE_PUBLISHES: Final = ("DBIRTH", "DDATA", "DDEATH")
"""Sparkplug 3.0, chapter 4: the messages of an edge node for itself and for its devices."""


class AccountsError(ValueError):
    """The site files or the gateway's user name allow no safe accounts; the text says why."""


@dataclass(frozen=True)
class Account:
    """A user of the broker, and the topic filters that it may publish to and read.

    ``what`` says in words whose account it is.
    """

    user: str
    what: str
    writes: tuple[str, ...] = ()
    reads: tuple[str, ...] = ()


def accounts_of(
    sites: Iterable[Site],
    gateway_user: str,
    *,
    each_unit: Collection[str] = (),
    may_ask_rebirth: bool = False,
) -> tuple[Account, ...]:
    """The accounts, the gateway's first, then each site in the order given.

    ``each_unit`` names the sites whose units connect by themselves and so have accounts of their
    own beside the site's. ``may_ask_rebirth`` lets the gateway send the one command that Sparkplug
    edge nodes know for being asked to describe themselves again; otherwise it may publish nothing.
    Raises :class:`AccountsError`.
    """
    sites = tuple(sites)
    _check_gateway_user(gateway_user, sites)
    if unknown := sorted(set(each_unit) - {site.id for site in sites}):
        msg = f"There is no site file for {', '.join(unknown)}. Give a site's id."
        raise AccountsError(msg)
    edges = {site.id: edge for site in sites if (edge := _edge(site)) is not None}
    _check_edges_differ(edges)
    asks = tuple(f"spBv1.0/{group}/NCMD/{edge}" for group, edge in edges.values())
    gateway = Account(
        gateway_user, "the gateway",
        writes=asks if may_ask_rebirth else (), reads=("sites/#", "spBv1.0/#"),
    )  # fmt: skip
    found = [gateway]
    for site in sites:
        found.append(_of_site(site, edges.get(site.id)))
        if site.id in each_unit:
            found += [
                Account(f"{site.id}.{unit.id}", f"unit {unit.id} of site {site.id}",
                        writes=(f"sites/{site.id}/{unit.id}/#",))
                for unit in site.units
            ]  # fmt: skip
    return tuple(found)


def site_of(user: str) -> str | None:
    """The site of a unit's account; None for other accounts, whose names have no dot."""
    site, dot, _unit = user.partition(".")
    return site if dot else None


def _of_site(site: Site, edge: tuple[str, str] | None) -> Account:
    writes = [f"sites/{site.id}/#"]
    reads = []
    if edge is not None:
        group, node = edge
        writes += [f"spBv1.0/{group}/{kind}/{node}" for kind in _EDGE_PUBLISHES]
        writes += [f"spBv1.0/{group}/{kind}/{node}/+" for kind in _DEVICE_PUBLISHES]
        reads.append(f"spBv1.0/{group}/NCMD/{node}")
    return Account(site.id, f"site {site.id}", tuple(writes), tuple(reads))


def _edge(site: Site) -> tuple[str, str] | None:
    """Group and edge node of a site that speaks Sparkplug, fit to stand in an access list."""
    table = getattr(site, "sparkplug", None)
    if table is None:
        return None
    for key, name in (("group", table.group), ("edge", table.edge)):
        if not name.strip() or name != name.strip() or not _is_one_level(name):
            msg = (
                f"sites/{site.id}.toml: sparkplug.{key} is {name!r}; it cannot be one level of a "
                "topic. It must have no '+', '#', '/', control characters or blanks around it, "
                "or the site could publish as another."
            )
            raise AccountsError(msg)
    return table.group, table.edge


def _is_one_level(name: str) -> bool:
    return name.isprintable() and not set(name) & set("+#/")


def _check_edges_differ(edges: dict[str, tuple[str, str]]) -> None:
    seen: dict[tuple[str, str], str] = {}
    for site, edge in edges.items():
        if edge in seen:
            msg = (
                f"The sites {seen[edge]} and {site} both have the Sparkplug group '{edge[0]}' and "
                f"edge '{edge[1]}', so each could publish as the other. Correct one site file."
            )
            raise AccountsError(msg)
        seen[edge] = site


def _check_gateway_user(user: str, sites: tuple[Site, ...]) -> None:
    if not _USER.fullmatch(user):
        msg = (
            f"The gateway's user name {user!r} cannot be used: it may have letters, digits, '-' "
            "and '_', 64 at most. Change username under [broker] in fleet.toml."
        )
        raise AccountsError(msg)
    if user in {site.id for site in sites}:
        msg = (
            f"The gateway's user name '{user}' is also a site's id, so that site could read all "
            "others. Change username under [broker] in fleet.toml."
        )
        raise AccountsError(msg)
