"""Readings over a time as JSON: samples, or windows of them. Long ranges are for the export."""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import datetime
from typing import Annotated, Final, Literal

from fastapi import APIRouter, Query

from gateway.board.api.routing import ApiRoute, answers
from gateway.board.api.sites import no_unit
from gateway.board.api.terms import Fact, Moment, Time, at, ms
from gateway.board.board import Board
from gateway.board.doors import needs
from gateway.board.house import House
from gateway.board.problems import Refused
from gateway.board.visitor import Role
from gateway.telemetry.base import ROLLUP_MS
from rules.signals import INDEX, SIGNALS, signal

__all__ = ["SignalName", "Width", "readings_routes", "width_ms_of"]

LONGEST_SAMPLES_MS: Final = 2 * 86_400_000
MOST_WINDOWS: Final = 10_000
DAY_MS: Final = 86_400_000

SignalName = Annotated[str, Query(max_length=64)]
Width = Annotated[
    int,
    Query(
        ge=0, le=366 * 86_400,
        description="0 for samples as they came; else the width of the windows, a multiple of "
        "300. [s]",
    ),
]  # fmt: skip


class SignalFacts(Fact):
    """One signal of the catalogue."""

    name: str
    title: str
    unit: str
    """Of its values everywhere here; empty for none."""
    kind: Literal["analogue", "flag", "mask"]
    """A `mask` has one bit a fan, bit 0 for fan 1."""
    low: float
    """Below it a value is physically impossible, and refused."""
    high: float
    meaning: str


class Signals(Fact):
    """The signal catalogue."""

    items: list[SignalFacts]


class Line(Fact):
    """One signal; the lists are as long as `time`, null where there is nothing."""

    signal: str
    unit: str
    values: list[float | None]
    """Samples, or the mean of each window."""
    low: list[float | None] | None
    """The least of each window; null for samples."""
    high: list[float | None] | None


class Readings(Fact):
    """Readings of one unit over one time axis."""

    site: str
    unit: str
    start: Time
    end: Time
    width_s: int
    """0 for samples. [s]"""
    time: list[datetime]
    """Of each sample, or the begin of each window."""
    lines: list[Line]


def width_ms_of(width_s: int) -> int:
    """The width in ms; one that would cut five-minute windows is refused."""
    width_ms = width_s * 1000
    if width_ms % ROLLUP_MS:
        raise Refused(422, "`width_s` must be 0, or a multiple of 300.")
    return width_ms


def readings_routes(board: Board, house: House) -> APIRouter:
    """Routes of readings and of the signals' catalogue."""
    router = APIRouter(route_class=ApiRoute, tags=["telemetry"], dependencies=[needs(Role.VIEW)])
    source = house.source

    @router.get("/signals", responses=answers())
    def list_signals() -> Signals:
        """Every signal there is, with its unit."""
        names = SignalFacts.model_fields
        return Signals(items=[SignalFacts(**{n: getattr(s, n) for n in names}) for s in SIGNALS])

    @router.get("/sites/{site}/units/{unit}/readings", responses=answers(404))
    def get_readings(
        site: str,
        unit: str,
        signals: Annotated[
            list[str] | None,
            Query(alias="signal", max_length=30, description="Which; all where none is named."),
        ] = None,
        start: Annotated[
            Moment | None, Query(alias="from", description="Default: a day before the end.")
        ] = None,
        end: Annotated[Moment | None, Query(alias="to", description="Default: now.")] = None,
        width_s: Width = 0,
    ) -> Readings:
        """Readings of a unit, of two days or 10,000 windows at most; the export has no such end."""
        if (site, unit) not in source.names.units:
            raise no_unit(site, unit)
        names = named(signals)
        end_ms = ms(end) if end else board.clock_ms()
        start_ms = ms(start) if start else max(end_ms - DAY_MS, 0)
        width_ms = width_ms_of(width_s)
        in_order(start_ms, end_ms)
        longest_ms = MOST_WINDOWS * width_ms if width_ms else LONGEST_SAMPLES_MS
        if end_ms - start_ms > longest_ms:
            raise Refused(
                422,
                "That is more than one answer holds: two days of samples, or 10,000 windows. Ask "
                "for wider windows (`width_s`) or for a part, or use api/1/export/readings.csv.",
            )
        if width_ms:
            outline = source.store.outline(site, unit, names, start_ms, end_ms, width_ms)
            times, values = outline.start_ms, outline.mean
            low, high = outline.minimum, outline.maximum
        else:
            series = source.store.read(site, unit, names, start_ms, end_ms)
            times, values = series.time_ms, series.values
        return Readings(
            site=site, unit=unit, start=at(start_ms), end=at(end_ms), width_s=width_s,
            time=[at(t) for t in times.tolist()],
            lines=[
                Line(
                    signal=name, unit=signal(name).unit, values=_plain(values[:, k].tolist()),
                    low=_plain(low[:, k].tolist()) if width_ms else None,
                    high=_plain(high[:, k].tolist()) if width_ms else None,
                )
                for k, name in enumerate(names)
            ],
        )  # fmt: skip

    return router


def named(signals: list[str] | None) -> tuple[str, ...]:
    """Names of the catalogue, all where none is given; another name is refused."""
    if not signals:
        return tuple(INDEX)
    unknown = [name for name in signals if name not in INDEX]
    if unknown:
        raise Refused(422, f"There is no signal '{unknown[0][:64]}'. api/1/signals lists them.")
    return tuple(dict.fromkeys(signals))


def in_order(start_ms: int, end_ms: int) -> None:
    """Refuse a range that ends before it begins."""
    if start_ms >= end_ms:
        raise Refused(422, "`from` must lie before `to`.")


def _plain(values: Iterable[float]) -> list[float | None]:
    return [v if math.isfinite(v) else None for v in values]
