"""The chart of a ticket's mail: the deciding signals before and after the condition was first seen.

Draws five-minute means (a thin shade from least to greatest value behind them), the band that was
expected, and a mark where the condition was first seen, in the site's units and time. Pure: data
and notice in, a small PNG and its description out. Wide enough in pixels, and large enough in
letters, to be read when a telephone shows it 320 points wide.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from functools import cache
from io import BytesIO
from typing import Final

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from gateway.display_units import DisplaySystem, display_unit, format_quantity, in_display_unit
from gateway.telemetry.base import ROLLUP_MS, Rollups
from gateway.tickets.fonts import BOLD, REGULAR
from gateway.tickets.notice import TicketNotice
from rules.events import Evidence
from rules.signals import Signal, signal

__all__ = ["MOST_PANELS", "Chart", "charted_signals", "draw_chart", "window_ms"]

MOST_PANELS: Final = 3
"""Signals drawn at most: more would not be read on a telephone."""

_HOUR_MS: Final = 3_600_000
_LEAST_BEFORE_MS: Final = 12 * _HOUR_MS
_MOST_BEFORE_MS: Final = 14 * 24 * _HOUR_MS
_LONGEST_MS: Final = 28 * 24 * _HOUR_MS
_GAP_MS: Final = 3 * ROLLUP_MS  # a longer silence is shown as one

_WIDTH: Final = 960
_LEFT, _RIGHT = 124, 20
_TITLE, _PLOT, _AXIS, _MARK = 54, 190, 56, 50
_WHITE, _INK, _SOFT, _RULE = "#ffffff", "#1f2933", "#52606d", "#d3dae0"
_LINE, _SHADE = "#1d4f91", "#c5d5ea"
_BAND, _BAND_EDGE = "#e3efe1", "#5f8a57"
_ONSET: Final = "#9b1c1c"
_TICK_HOURS: Final = (1, 2, 3, 6, 12, 24, 48, 96, 168)
_MOST_TICKS: Final = 6


@dataclass(frozen=True)
class Chart:
    """A picture for a mail: PNG bytes, a description in words, and its size in pixels."""

    png: bytes
    alt: str
    width: int
    height: int


@dataclass(frozen=True)
class _Panel:
    """One signal's course in display units; the band's ends are None where nothing was expected."""

    title: str
    unit: str
    decimals: int
    time_ms: NDArray[np.int64]
    low: NDArray[np.float64]
    mean: NDArray[np.float64]
    high: NDArray[np.float64]
    expected: float | None
    least: float | None
    most: float | None
    words: str


def charted_signals(evidence: Evidence) -> tuple[str, ...]:
    """Names of the deciding signals that can be drawn, the first ones; bit masks cannot."""
    drawable = [s for s in evidence.signals if signal(s).kind != "mask"]
    return tuple(dict.fromkeys(drawable))[:MOST_PANELS]


def window_ms(notice: TicketNotice) -> tuple[int, int]:
    """From when to when the chart goes: twice as long before the onset as since, 12 h at least."""
    end_ms = notice.time_ms + ROLLUP_MS
    since_ms = max(notice.time_ms - notice.onset_ms, 0)
    before_ms = min(max(2 * since_ms, _LEAST_BEFORE_MS), _MOST_BEFORE_MS)
    return max(notice.onset_ms - before_ms, end_ms - _LONGEST_MS), end_ms


def draw_chart(
    notice: TicketNotice, data: Rollups, zone: tzinfo, system: DisplaySystem
) -> Chart | None:
    """The chart of the notice's evidence; None where there is too little to draw.

    ``data`` holds the signals of :func:`charted_signals`, or some of them, in catalogue units.
    """
    start_ms, end_ms = window_ms(notice)
    panels = [
        panel
        for name in charted_signals(notice.evidence)
        if name in data.signals
        and (panel := _panel(name, notice.evidence, data, (start_ms, end_ms), system)) is not None
    ]
    if not panels:
        return None
    height = _MARK + len(panels) * (_TITLE + _PLOT) + _AXIS
    image = Image.new("RGB", (_WIDTH, height), _WHITE)
    canvas = _Canvas(ImageDraw.Draw(image), start_ms, end_ms, zone)
    for number, panel in enumerate(panels):
        canvas.panel(panel, _MARK + number * (_TITLE + _PLOT))
    canvas.time_axis(height - _AXIS)
    canvas.onset(notice.onset_ms, _MARK, height - _AXIS)
    packed = BytesIO()
    image.quantize(32, dither=Image.Dither.NONE).save(packed, "PNG", optimize=True)
    first, last = _moment(start_ms, zone), _moment(end_ms, zone)
    alt = (
        f"Chart from {first:%H:%M} on {_day(first)} to {_day(last)}, {last:%H:%M}; first seen at "
        f"{_moment(notice.onset_ms, zone):%H:%M} on {_day(_moment(notice.onset_ms, zone))}. "
    )
    return Chart(packed.getvalue(), alt + " ".join(p.words for p in panels), _WIDTH, height)


def _panel(
    name: str,
    evidence: Evidence,
    data: Rollups,
    window: tuple[int, int],
    system: DisplaySystem,
) -> _Panel | None:
    entry = signal(name)
    column = data.signals.index(name)
    inside = (data.start_ms >= window[0]) & (data.start_ms < window[1])
    known = inside & np.isfinite(data.mean[:, column])
    if np.count_nonzero(known) < 2:
        return None
    unit = "kPa abs" if name == "head_pressure" else entry.unit
    expected, least, most = _expected(entry, evidence)
    mean = data.mean[known, column]

    def shown(values: NDArray[np.float64]) -> NDArray[np.float64]:
        scale = in_display_unit(1.0, unit, system) - in_display_unit(0.0, unit, system)
        return values * scale + in_display_unit(0.0, unit, system)

    def limit(value: float | None) -> float | None:
        return None if value is None else in_display_unit(value, unit, system)

    words = f"{entry.title}: last {format_quantity(float(mean[-1]), unit, system)}"
    words += f", between {format_quantity(float(mean.min()), unit, system)}"
    words += f" and {format_quantity(float(mean.max()), unit, system)}"
    if expected is not None:
        words += f"; expected {format_quantity(expected, unit, system)}"
    for bound, word in ((least, "at least"), (most, "at most")):
        if bound is not None:
            words += f"; allowed {word} {format_quantity(bound, unit, system)}"
    display = display_unit(unit, system)
    return _Panel(
        title=entry.title,
        unit=display.symbol,
        decimals=display.decimals,
        time_ms=data.start_ms[known] + ROLLUP_MS // 2,
        low=shown(data.minimum[known, column]),
        mean=shown(mean),
        high=shown(data.maximum[known, column]),
        expected=limit(expected),
        least=limit(least),
        most=limit(most),
        words=words + ".",
    )


def _expected(entry: Signal, evidence: Evidence) -> tuple[float | None, float | None, float | None]:
    """What the evidence says was expected of the signal: a value, and the least and the most."""
    for reading in evidence.readings:
        same = reading.quantity == entry.title or reading.quantity.startswith(f"{entry.title},")
        if same and reading.unit == entry.unit:
            bounds = (reading.expected, reading.low, reading.high)
            if any(b is not None for b in bounds):
                expected, least, most = (
                    b if b is not None and math.isfinite(b) else None for b in bounds
                )
                return expected, least, most
    return None, None, None


class _Canvas:
    """Draws panels one below the other against one axis of time."""

    def __init__(self, draw: ImageDraw.ImageDraw, start_ms: int, end_ms: int, zone: tzinfo) -> None:
        self._draw = draw
        self._start_ms, self._end_ms, self._zone = start_ms, end_ms, zone
        self._small, self._title = _font(False, 32), _font(True, 36)

    def _x(self, time_ms: float) -> float:
        share = (time_ms - self._start_ms) / (self._end_ms - self._start_ms)
        return _LEFT + share * (_WIDTH - _LEFT - _RIGHT)

    def panel(self, panel: _Panel, top: int) -> None:
        draw, plot_top, bottom = self._draw, top + _TITLE, top + _TITLE + _PLOT - 14
        floor, ceiling = _range(panel)

        def y(value: float) -> float:
            share = (value - floor) / (ceiling - floor)
            return bottom - min(max(share, 0.0), 1.0) * (bottom - plot_top)

        unit = f", {panel.unit}" if panel.unit else ""
        draw.text((_LEFT, top + 6), f"{panel.title}{unit}", _INK, self._title)
        if panel.least is not None or panel.most is not None:
            upper = plot_top if panel.most is None else y(panel.most)
            lower = bottom if panel.least is None else y(panel.least)
            if lower > upper:
                draw.rectangle((_LEFT, upper, _WIDTH - _RIGHT, lower), fill=_BAND)
        for tick in _ticks(floor, ceiling):
            draw.line((_LEFT, y(tick), _WIDTH - _RIGHT, y(tick)), _RULE, 2)
            label = f"{tick:,.{_tick_decimals(floor, ceiling)}f}"
            draw.text((_LEFT - 12, y(tick)), label, _SOFT, self._small, anchor="rm")
        if panel.expected is not None:
            self._dashes(y(panel.expected))
        for part in _runs(panel.time_ms):
            xs = [self._x(t) for t in panel.time_ms[part]]
            outline = list(zip(xs, map(y, panel.high[part]), strict=True))
            back = list(zip(xs, map(y, panel.low[part]), strict=True))
            course = list(zip(xs, map(y, panel.mean[part]), strict=True))
            if len(xs) > 1:
                draw.polygon([*outline, *reversed(back)], fill=_SHADE)
                draw.line(course, _LINE, 5, joint="curve")
            else:
                (at,) = course
                draw.ellipse((at[0] - 3, at[1] - 3, at[0] + 3, at[1] + 3), fill=_LINE)
        draw.line((_LEFT, plot_top, _LEFT, bottom), _SOFT, 2)

    def _dashes(self, y: float) -> None:
        for x in range(_LEFT, _WIDTH - _RIGHT, 22):
            self._draw.line((x, y, min(x + 12, _WIDTH - _RIGHT), y), _BAND_EDGE, 4)

    def time_axis(self, top: int) -> None:
        for time_ms, label in _time_ticks(self._start_ms, self._end_ms, self._zone):
            x = self._x(time_ms)
            self._draw.line((x, top - 14, x, top - 4), _SOFT, 2)
            half = self._small.getlength(label) / 2
            x = min(max(x, _LEFT + half - 40), _WIDTH - half - 4)
            self._draw.text((x, top), label, _SOFT, self._small, anchor="ma")

    def onset(self, onset_ms: int, top: int, bottom: int) -> None:
        if not self._start_ms <= onset_ms <= self._end_ms:
            return
        x = self._x(onset_ms)
        self._draw.line((x, top, x, bottom - 14), _ONSET, 3)
        label = f"first seen {_moment(onset_ms, self._zone):%H:%M}"
        half = self._small.getlength(label) / 2
        at = min(max(x, half + 8), _WIDTH - half - 8)
        self._draw.text((at, top - 6), label, _ONSET, self._small, anchor="mb")


def _range(panel: _Panel) -> tuple[float, float]:
    """The least and the greatest value on the axis, with air above and below."""
    marks = [m for m in (panel.expected, panel.least, panel.most) if m is not None]
    low, high = float(panel.mean.min()), float(panel.mean.max())
    spread = max(high - low, 10.0**-panel.decimals)
    # A limit far off is left out rather than the course flattened to a line.
    near = [m for m in marks if low - 1.5 * spread <= m <= high + 1.5 * spread]
    shaded_low, shaded_high = float(panel.low.min()), float(panel.high.max())
    low = min(low, max(shaded_low, low - spread), *near, low)
    high = max(high, min(shaded_high, high + spread), *near, high)
    air = 0.08 * max(high - low, 2 * 10.0**-panel.decimals)
    return low - air, high + air


def _step(floor: float, ceiling: float) -> float:
    raw = (ceiling - floor) / 3
    power = 10.0 ** math.floor(math.log10(raw))
    return power * max(m for m in (1, 2, 5) if m == 1 or m * power <= raw * 1.1)


def _tick_decimals(floor: float, ceiling: float) -> int:
    return max(0, -math.floor(math.log10(_step(floor, ceiling)) + 1e-9))


def _ticks(floor: float, ceiling: float) -> list[float]:
    step = _step(floor, ceiling)
    first = math.ceil(floor / step)
    return [n * step for n in range(first, math.floor(ceiling / step) + 1)]


def _runs(time_ms: NDArray[np.int64]) -> Iterator[slice]:
    """Stretches without a gap."""
    ends = [*(np.flatnonzero(np.diff(time_ms) > _GAP_MS) + 1), len(time_ms)]
    begin = 0
    for end in ends:
        yield slice(begin, int(end))
        begin = int(end)


def _time_ticks(start_ms: int, end_ms: int, zone: tzinfo) -> Sequence[tuple[int, str]]:
    """Moments at whole local hours or days, with their labels."""
    hours = (end_ms - start_ms) / _HOUR_MS
    step_h = next((h for h in _TICK_HOURS if hours / h <= _MOST_TICKS), _TICK_HOURS[-1])
    found: list[tuple[int, str]] = []
    quarter = 900_000  # zones differ from UTC by quarters of an hour
    days = 0
    for time_ms in range(-(-start_ms // quarter) * quarter, end_ms, quarter):
        local = _moment(time_ms, zone)
        if local.minute or local.hour % min(step_h, 24):
            continue
        if step_h > 24:
            days += 1
            if (days - 1) % (step_h // 24):
                continue
        midnight = local.hour == 0
        found.append((time_ms, _day(local) if midnight else f"{local:%H:%M}"))
    return found


_WEEKDAYS: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def _day(moment: datetime) -> str:
    return f"{_WEEKDAYS[moment.weekday()]} {moment.day}"


def _moment(time_ms: int, zone: tzinfo) -> datetime:
    return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=time_ms)).astimezone(zone)


@cache
def _font(bold: bool, size: int) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(str(BOLD if bold else REGULAR), size)
