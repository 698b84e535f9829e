"""Pictures of a report: alarms by day, what became of the water, the parts' condition, coverage.

Drawn large, so that they can be read on paper and on a telephone. Words stand beside each bar:
colours only repeat them, and differ in lightness, so that a black and white print tells them apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from io import BytesIO
from typing import Final

from PIL import Image, ImageDraw, ImageFont

from gateway.reports.model import Picture
from gateway.tickets.fonts import BOLD, REGULAR

__all__ = ["Bar", "Gauge", "Series", "bars", "days", "gauges"]

WIDTH: Final = 1440
_LEFT: Final = 370
_RIGHT: Final = 40
_WHITE, _INK, _SOFT, _RULE, _TRACK = "#ffffff", "#1f2933", "#52606d", "#d3dae0", "#eef1f4"
_PT, _SMALL = 27, 23


@dataclass(frozen=True)
class Series:
    """One kind of things that is counted or measured: its name and its colour."""

    name: str
    colour: str


@dataclass(frozen=True)
class Bar:
    """A labelled bar of parts, one a series (None: not known), and what is said at its end."""

    label: str
    parts: tuple[float | None, ...]
    said: str


@dataclass(frozen=True)
class Gauge:
    """A value between 0 and 100 with its doubt; None where it is not known."""

    label: str
    value: float | None
    give: float
    said: str


class _Sheet:
    def __init__(self, height: int) -> None:
        self.image = Image.new("RGB", (WIDTH, height), _WHITE)
        self.draw = ImageDraw.Draw(self.image)

    def text(
        self, x: float, y: float, words: str, *, size: int = _PT, bold: bool = False,
        colour: str = _INK, anchor: str = "lm",
    ) -> None:  # fmt: skip
        self.draw.text((x, y), words, colour, _font(bold, size), anchor=anchor)

    def picture(self, name: str, alt: str) -> Picture:
        packed = BytesIO()
        self.image.quantize(48, dither=Image.Dither.NONE).save(packed, "PNG", optimize=True)
        return Picture(name, packed.getvalue(), alt, WIDTH, self.image.height)


def days(
    name: str, about: str, labels: Sequence[str], counts: Sequence[Sequence[int]],
    series: Sequence[Series],
) -> Picture:  # fmt: skip
    """Columns by day: ``counts`` has one row a day with one number a series, stacked."""
    top, plot, foot = 66, 300, 60
    sheet = _Sheet(top + plot + foot)
    left = 90
    most = max([sum(row) for row in counts] + [1])
    step = _whole_step(most)
    ceiling = -(-most // step) * step
    bottom = top + plot
    _legend(sheet, series, left)
    for tick in range(0, ceiling + 1, step):
        y = bottom - plot * tick / ceiling
        sheet.draw.line((left, y, WIDTH - _RIGHT, y), _RULE, 2)
        sheet.text(left - 14, y, str(tick), size=_SMALL, colour=_SOFT, anchor="rm")
    slot = (WIDTH - _RIGHT - left) / max(len(counts), 1)
    for i, row in enumerate(counts):
        x, y = left + slot * i, float(bottom)
        for value, one in zip(row, series, strict=True):
            height = plot * value / ceiling
            if height > 0.0:
                sheet.draw.rectangle((x + 4, y - height, x + slot - 4, y - 1), one.colour)
            y -= height
        if i % 2 == 0 or len(counts) <= 16:
            sheet.text(x + slot / 2, bottom + 26, labels[i], size=_SMALL, colour=_SOFT, anchor="mm")
    sheet.draw.line((left, bottom, WIDTH - _RIGHT, bottom), _SOFT, 2)
    totals = [sum(row[k] for row in counts) for k in range(len(series))]
    parts = ", ".join(f"{n} {one.name}" for n, one in zip(totals, series, strict=True))
    worst = max(range(len(counts)), key=lambda i: sum(counts[i])) if counts else 0
    alt = f"{about}: {parts}."
    if counts and sum(counts[worst]):
        alt += f" Most on day {labels[worst]}: {sum(counts[worst])}."
    return sheet.picture(name, alt)


def bars(name: str, about: str, rows: Sequence[Bar], series: Sequence[Series]) -> Picture:
    """Lying bars of stacked parts, one below the other, with words at their ends."""
    top, row_height = 66, 56
    sheet = _Sheet(top + row_height * len(rows) + 14)
    _legend(sheet, series, _LEFT)
    words = max([_font(True, _SMALL).getlength(row.said) for row in rows] + [0.0])
    room = WIDTH - _RIGHT - _LEFT - words - 24
    most = max([sum(p or 0.0 for p in row.parts) for row in rows] + [1e-9])
    for i, row in enumerate(rows):
        y = top + row_height * i
        _label(sheet, row.label, y + row_height / 2)
        x = float(_LEFT)
        for part, one in zip(row.parts, series, strict=True):
            width = room * (part or 0.0) / most
            if width > 0.0:
                sheet.draw.rectangle(
                    (x, y + 9, max(x + width - 1, x + 1), y + row_height - 9), one.colour
                )
            x += width
        known = any(p is not None for p in row.parts)
        sheet.text(
            x + 14 if known else _LEFT, y + row_height / 2, row.said,
            size=_SMALL, bold=known, colour=_INK if known else _SOFT,
        )  # fmt: skip
    sheet.draw.line((_LEFT, top, _LEFT, top + row_height * len(rows)), _SOFT, 2)
    said = "; ".join(f"{row.label} {row.said}" for row in rows)
    return sheet.picture(name, f"{about}: {said}.")


def gauges(
    name: str, about: str, rows: Sequence[Gauge], *, low: float, ends: tuple[str, str]
) -> Picture:
    """Scales from 0 to 100 with a mark and its doubt; below ``low`` the bar is dark."""
    top, row_height = 60, 56
    sheet = _Sheet(top + row_height * len(rows) + 14)
    words = max([_font(True, _SMALL).getlength(row.said) for row in rows] + [0.0])
    right = WIDTH - _RIGHT - words - 24
    sheet.text(_LEFT, 26, ends[0], size=_SMALL, colour=_SOFT)
    sheet.text(right, 26, ends[1], size=_SMALL, colour=_SOFT, anchor="rm")
    for i, row in enumerate(rows):
        y = top + row_height * i
        middle = y + row_height / 2
        _label(sheet, row.label, middle)
        sheet.draw.rectangle((_LEFT, y + 13, right, y + row_height - 13), _TRACK)
        if row.value is not None:
            x = _along(row.value, right)
            colour = _DARK if row.value < low else _CALM
            sheet.draw.rectangle((_LEFT, y + 13, x, y + row_height - 13), colour)
            if row.give > 0.0:
                a, b = _along(row.value - row.give, right), _along(row.value + row.give, right)
                sheet.draw.line((a, middle, b, middle), _INK, 3)
                for end in (a, b):
                    sheet.draw.line((end, middle - 8, end, middle + 8), _INK, 3)
        sheet.text(
            right + 24, middle, row.said, size=_SMALL, bold=row.value is not None,
            colour=_INK if row.value is not None else _SOFT,
        )  # fmt: skip
    sheet.draw.line((_LEFT, top, _LEFT, top + row_height * len(rows)), _SOFT, 2)
    said = "; ".join(f"{row.label} {row.said}" for row in rows)
    return sheet.picture(name, f"{about}: {said}.")


_CALM: Final = "#7fa8d1"
_DARK: Final = "#9b1c1c"


def _along(value: float, right: float) -> float:
    return _LEFT + (right - _LEFT) * min(max(value, 0.0), 100.0) / 100.0


def _legend(sheet: _Sheet, series: Sequence[Series], left: float) -> None:
    x = left
    for one in series:
        sheet.draw.rectangle((x, 16, x + 26, 42), one.colour)
        sheet.text(x + 38, 29, one.name, size=_SMALL)
        x += 38 + _font(False, _SMALL).getlength(one.name) + 44


def _label(sheet: _Sheet, label: str, y: float) -> None:
    font = _font(False, _PT)
    shown = label
    while font.getlength(shown) > _LEFT - 34 and len(shown) > 2:
        shown = shown[:-2].rstrip() + "…"
    sheet.text(_LEFT - 18, y, shown, anchor="rm")


def _whole_step(most: int) -> int:
    step = 1
    while most / step > 5:
        step = step * 2 if str(step)[0] in "15" else step // 2 * 5
    return step


@cache
def _font(bold: bool, size: int) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(str(BOLD if bold else REGULAR), size)
