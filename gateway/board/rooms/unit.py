"""One unit: its readings against what is expected, how they went, and taking it out of service."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Annotated, Any, Final

import numpy as np
from fastapi import APIRouter, Query, Request, Response
from numpy.typing import NDArray
from starlette.exceptions import HTTPException

from gateway.board.acts.alarms import LONGEST_NOTE
from gateway.board.board import Board
from gateway.board.doors import needs
from gateway.board.house import PART, furnish, show
from gateway.board.paper import Paper
from gateway.board.rooms.alarms import SHELVES
from gateway.board.rooms.fleet import Word
from gateway.board.visitor import Role
from gateway.overview.trend import SPANS, TrendView, shown_signals, trend_view
from gateway.overview.unit import unit_view, unit_wear
from gateway.records.wear_rows import ConditionRow
from gateway.telemetry.base import StoreError
from rules.expected import LiveReading
from rules.signals import SIGNALS, signal

__all__ = ["unit_room"]

FIRST_SHOWN: Final = (
    "basin_level", "conductivity", "pump_current", "spray_pressure", "head_pressure",
)  # fmt: skip
MOST_LINES: Final = 8
_SPAN_WORDS: Final = {
    "6h": "6 hours", "24h": "24 hours", "7d": "7 days", "30d": "30 days", "90d": "90 days",
    "1y": "1 year", "3y": "3 years",
}  # fmt: skip
_FLAGS: Final = frozenset(s.name for s in SIGNALS if s.kind == "flag")
_LATEST_MS: Final = 4_102_444_800_000  # 2100: beyond it a date says nothing


def unit_room(board: Board, paper: Paper) -> APIRouter:
    """Routes of a unit's page and of its readings over time."""
    router = APIRouter(dependencies=[needs(Role.VIEW)])
    house = board.house
    if house is None:
        return router
    furnish(paper)
    paper.environment.globals |= {"gauge": _gauge, "worst_first": _worst_first, "flags": _FLAGS}
    source = house.source

    @router.get("/sites/{site}/{unit}")
    def page(
        request: Request,
        site: str,
        unit: str,
        span: Word = "24h",
        to: int = 0,
        s: Annotated[list[str] | None, Query()] = None,
    ) -> Response:
        if (site, unit) not in source.names.units:
            raise HTTPException(404)
        now_ms = board.clock_ms()

        def values() -> dict[str, Any]:
            try:
                view, trouble = unit_view(source, site, unit, now_ms), ""
            except StoreError as error:
                view, trouble = None, str(error)
            return {"view": view, "store_trouble": trouble}

        span = span if span in SPANS else "24h"
        chosen = _chosen(s)
        given = {
            "site": source.names.sites[site], "unit": source.names.units[site, unit],
            "span": span, "spans": _SPAN_WORDS, "to": to if 0 < to < now_ms else 0,
            "span_ms": SPANS[span], "chosen": chosen, "now_ms": now_ms,
            "signals": [signal(name) for name in shown_signals()],
            "shelves": SHELVES, "longest_note": LONGEST_NOTE, "wear": None,
        }  # fmt: skip
        if request.query_params.get(PART) != "live":  # years of figures, which change once a day
            given["wear"] = unit_wear(source, site, unit, now_ms)
        return show(house, paper, request, "unit.html.j2", values, given)

    @router.get("/sites/{site}/{unit}/trend.json")
    def trend(
        site: str,
        unit: str,
        span: Word = "24h",
        to: int = 0,
        s: Annotated[list[str] | None, Query()] = None,
    ) -> Response:
        end_ms = to if 0 < to < _LATEST_MS else board.clock_ms()
        start_ms = end_ms - SPANS[span if span in SPANS else "24h"]
        try:
            view = trend_view(source, site, unit, _chosen(s), start_ms, end_ms)
        except StoreError as error:
            return _json({"trouble": str(error)}, 503)
        if view is None:
            raise HTTPException(404)
        return _json(_plain(view))

    return router


def _worst_first(conditions: Iterable[ConditionRow]) -> list[ConditionRow]:
    """The parts by their condition, what is not known last."""
    return sorted(conditions, key=lambda c: (c.raw_pct is None, c.raw_pct or 0.0, c.title))


def _chosen(s: list[str] | None) -> tuple[str, ...]:
    known = set(shown_signals())
    return tuple(dict.fromkeys(n for n in s or FIRST_SHOWN if n in known))[:MOST_LINES]


def _json(data: dict[str, Any], status: int = 200) -> Response:
    return Response(json.dumps(data, allow_nan=False), status, media_type="application/json")


def _plain(view: TrendView) -> dict[str, Any]:
    return {
        "start": view.start_ms / 1000,
        "end": view.end_ms / 1000,
        "width": view.width_ms / 1000,
        "time": (view.time_ms / 1000).tolist(),
        "lines": [
            {
                "signal": line.signal,
                "title": line.title,
                "unit": line.unit,
                "decimals": line.decimals,
                "flag": line.is_flag,
                "values": _rounded(line.values, line.decimals),
                "low": _rounded(line.low, line.decimals),
                "high": _rounded(line.high, line.decimals),
            }
            for line in view.lines
        ],
        "marks": [
            {
                "start": m.start_ms / 1000,
                "end": None if m.end_ms is None else m.end_ms / 1000,
                "kind": m.kind,
                "priority": m.priority,
                "title": m.title,
                "note": m.note,
            }
            for m in view.marks
        ],
    }


def _rounded(values: NDArray[np.float64], decimals: int) -> list[float | None]:
    rounded: list[float | None] = np.round(values, decimals + 1).tolist()
    for at in np.flatnonzero(np.isnan(values)):
        rounded[at] = None
    return rounded


def _gauge(reading: LiveReading) -> dict[str, float | bool | None] | None:
    """Where value and limits stand on a line from 0 to 100; None where nothing is expected.

    The middle half of the line is the range that is expected, so that all lines read alike.
    """
    r = reading.reading
    known = [v for v in (r.low, r.high, r.expected) if v is not None]
    if r.measured is None or not known or (r.low is None and r.high is None):
        return None
    low, high = r.low, r.high
    if low is None:
        assert high is not None  # noqa: S101 - one of them is there
        low = min(0.0, high)
    if high is None:
        high = max(2 * low, low + 1.0)
    if high <= low:
        return None

    def at(value: float) -> float:
        return round(min(max(25 + 50 * (value - low) / (high - low), 1), 99), 1)

    return {
        "value": at(r.measured),
        "expected": None if r.expected is None else at(r.expected),
        "from": 25 if r.low is not None else 0,
        "to": 75 if r.high is not None else 100,
        "out": bool(reading.verdict),
    }
