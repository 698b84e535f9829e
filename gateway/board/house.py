"""What the rooms about the fleet share: where views come from, and how a page is given."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, tzinfo
from typing import Any, Final
from urllib.parse import urlencode

from fastapi import Request, Response
from fastapi.dependencies.models import Dependant
from fastapi.routing import APIRoute

from gateway.board.doors import path_of
from gateway.board.live import Live
from gateway.board.paper import Paper
from gateway.board.visitor import Role, Visitor
from gateway.display_units import DisplaySystem, display_unit, format_quantity
from gateway.overview.source import Source
from gateway.tickets.document import lasting
from gateway.tickets.render import MailRenderer

__all__ = ["PART", "House", "clock", "furnish", "show"]

PART: Final = "part"
DONE: Final = "done"
"""Of an address: what the last form did, which stands outside the part that is shared."""
_MONTHS: Final = (
    "Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec",
)  # fmt: skip


@dataclass(frozen=True)
class House:
    """Where views come from, what makes tickets' documents, and what tells pages of changes."""

    source: Source
    renderer: MailRenderer
    live: Live = field(init=False)

    def __post_init__(self) -> None:
        """Follow the source's records."""
        object.__setattr__(self, "live", Live(self.source.records.change_mark))


def show(
    house: House,
    paper: Paper,
    request: Request,
    template: str,
    values: Callable[[], dict[str, Any]],
    more: Mapping[str, Any] | None = None,
    *,
    status: int = 200,
) -> Response:
    """A page, or with ``?part=live`` only the part of it that changes, for all who look at once.

    ``values`` makes what that part shows; ``more`` is what only the rest of the page needs. What
    differs from visitor to visitor, but for their roles, must stand outside the block 'live'.
    """
    if request.method == "GET" and request.query_params.get(PART) == "live":
        made = house.live.shared.get(
            _shared_by(request),
            lambda: paper.part(
                request, template, "live", has=house.source.names.has, **values(), **(more or {})
            ),
        )
        return Response(made, media_type="text/html; charset=utf-8")
    has = house.source.names.has
    return paper.page(request, template, status, has=has, **values(), **(more or {}))


def _shared_by(request: Request) -> str:
    """What is the same for all to whom the same part is shown.

    Of the address only what the route asks for counts: nobody makes pages by inventing words.
    """
    visitor: Visitor = request.state.visitor
    route: APIRoute = request.scope["route"]
    known = _asked_for(route.dependant) - {DONE}
    asked = sorted(pair for pair in request.query_params.multi_items() if pair[0] in known)
    return f"{path_of(request)}?{urlencode(asked)} {sorted(visitor.roles)}"


def _asked_for(dependant: Dependant) -> set[str]:
    """The names that a route, or what it depends on, takes from an address's query."""
    inner = (_asked_for(one) for one in dependant.dependencies)
    return {field.alias for field in dependant.query_params}.union(*inner)


def clock(ms: int, zone: tzinfo = UTC, now_ms: int | None = None) -> str:
    """A moment as short as it is clear: '13:50', '2 Jul 13:50', '2 Jul 2025'."""
    try:
        at = datetime.fromtimestamp(ms / 1000, zone)
    except (OverflowError, ValueError, OSError):
        return "at a time that cannot be"
    day = f"{at.day} {_MONTHS[at.month - 1]}"
    if now_ms is None:
        return f"{day} {at.year} {at:%H:%M}"
    now = datetime.fromtimestamp(now_ms / 1000, zone)
    if at.date() == now.date():
        return f"{at:%H:%M}"
    return f"{day} {at:%H:%M}" if abs(now_ms - ms) < 180 * 86_400_000 else f"{day} {at.year}"


def _day(ms: int, zone: tzinfo = UTC) -> str:
    """The date alone: '2 Jul 2025'."""
    try:
        at = datetime.fromtimestamp(ms / 1000, zone)
    except (OverflowError, ValueError, OSError):
        return "a date that cannot be"
    return f"{at.day} {_MONTHS[at.month - 1]} {at.year}"


def _iso(ms: int) -> str:
    """As ISO 8601, for programs."""
    try:
        return datetime.fromtimestamp(ms / 1000, UTC).isoformat(timespec="seconds")
    except (OverflowError, ValueError, OSError):
        return ""


def _span(ms: float) -> str:
    """A length of time in words, the shortest that says enough."""
    minutes = max(ms, 0) / 60_000
    if minutes < 1:
        return "now"
    if minutes < 100:
        return f"{minutes:.0f} min"
    hours = minutes / 60
    return f"{hours:.0f} h" if hours < 48 else f"{hours / 24:.0f} d"


def _quantity(value: float | None, unit: str, system: DisplaySystem = "metric") -> str:
    return "" if value is None else format_quantity(value, unit, system)


def _number(value: float | None, unit: str, system: DisplaySystem = "metric") -> str:
    """The number alone, to be aligned in a column whose unit stands beside it."""
    if value is None:
        return ""
    text = format_quantity(value, unit, system)
    return text.removesuffix(display_unit(unit, system).symbol).rstrip()


def _symbol(unit: str, system: DisplaySystem = "metric") -> str:
    return display_unit(unit, system).symbol


def furnish(paper: Paper) -> None:
    """Give the templates what the rooms need; once a paper."""
    environment = paper.environment
    if "clock" in environment.filters:
        return
    environment.filters |= {
        "clock": clock,
        "day": _day,
        "iso": _iso,
        "span": _span,
        "lasting": lambda ms: lasting(max(ms, 0) / 1000),
        "quantity": _quantity,
        "number": _number,
        "symbol": _symbol,
    }
    shapes = {"high": "▲", "medium": "◆", "low": "●", "": "○"}
    environment.globals.update({"Role": Role, "shapes": shapes, "utc": UTC})
