"""The paper of a job sheet: how its titles, boxes, tables and blanks look.

A thin layer over fpdf2, so that the sheet itself reads as a list of what stands on it. Legible when
printed in black and white; colours only repeat what words say.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from io import BytesIO
from typing import Final, Literal

import segno

from gateway.tickets.jobsheet_document import SOFT, SheetDocument
from rules.hazards import SignalWord

__all__ = ["Paper"]

_Colour = tuple[int, int, int]
_INK: Final[_Colour] = (31, 41, 51)
_RULE: Final[_Colour] = (150, 160, 170)
_TINT: Final[_Colour] = (238, 242, 245)
_MARGIN_MM: Final = 16
_QR_MM: Final = 26
_LABEL_MM: Final = 20
_BODY_PT: Final = 10
_LINE_MM: Final = 4.6
_ROW_LINE_MM: Final = 5.0
_BOX_MM: Final = 2.0  # between a box's edge and its words
_CELL_MM: Final = 1.5  # the same in a table
_CHECK: Final = "☐"
_WIDTHS: Final[dict[tuple[str, str], float]] = {}
"""By style and word: millimetres at one point, the same on every sheet."""
_WIDTHS_KEPT: Final = 20_000
# ANSI Z535.4 gives each signal word its colours: red, orange, yellow, blue.
_WORD_COLOURS: Final[dict[SignalWord, tuple[_Colour, _Colour]]] = {
    SignalWord.DANGER: ((179, 19, 27), (255, 255, 255)),
    SignalWord.WARNING: ((245, 158, 11), (31, 20, 0)),
    SignalWord.CAUTION: ((255, 216, 77), (31, 26, 0)),
    SignalWord.NOTICE: ((29, 79, 145), (255, 255, 255)),
}


@dataclass(frozen=True)
class _Row:
    """A row of a table: the lines of each cell, and the style that all have."""

    cells: Sequence[Sequence[str]]
    height_mm: float
    style: Literal["", "B"]


class Paper:
    """A sheet under way; each method adds one part below the last."""

    def __init__(
        self, page: Literal["A4", "Letter"], title: str, made: datetime, *, footer: str
    ) -> None:
        pdf = self._pdf = SheetDocument(page, title, made, footer)
        pdf.set_margin(_MARGIN_MM)
        pdf.set_auto_page_break(auto=True, margin=17)
        pdf.add_page()
        pdf.set_draw_color(*_RULE)
        self._right_mm = 0.0

    def bytes(self) -> bytes:
        """The document."""
        return bytes(self._pdf.output())

    def footer(self, text: str) -> None:
        """From the present page on, this stands below."""
        self._pdf.footer_text = text

    def new_page(self) -> None:
        """The next page begins."""
        self._pdf.add_page()

    def _text(
        self,
        text: str,
        size: float = _BODY_PT,
        style: Literal["", "B"] = "",
        indent_mm: float = 0.0,
    ) -> None:
        self._pdf.set_font("body", style=style, size=size)
        self._write(self._broken(text, self._beside_mm(indent_mm)), indent_mm, size * 0.46)

    def _beside_mm(self, indent_mm: float) -> float:
        """What an indent, and a code in the corner, leave of the page's width."""
        return self._pdf.epw - self._right_mm - indent_mm - 2 * self._pdf.c_margin

    def _broken(self, text: str, width: float) -> list[str]:
        """``text`` in lines that fit into ``width`` mm in the present font.

        The library's own breaking, in its tables too, measures each line anew with every letter,
        which takes most of the time of a whole sheet.
        """
        space = self._width(" ")
        lines: list[str] = []
        line: list[str] = []
        used = 0.0
        for word in _pieces(text.split(), width, self._width):
            needs = self._width(word)
            if line and used + space + needs > width:
                lines.append(" ".join(line))
                line, used = [], 0.0
            used += needs + (space if line else 0.0)
            line.append(word)
        return [*lines, " ".join(line)]

    def _width(self, word: str) -> float:
        """Width of a word in the present font. [mm]

        The library takes 160 µs a word, which without the memory is a third of a sheet's time.
        """
        pdf = self._pdf
        key = (pdf.font_style, word)
        mm_per_pt = _WIDTHS.get(key)
        if mm_per_pt is None:
            mm_per_pt = pdf.get_string_width(word) / pdf.font_size_pt
            if len(_WIDTHS) < _WIDTHS_KEPT:
                _WIDTHS[key] = mm_per_pt
        return mm_per_pt * pdf.font_size_pt

    def _write(self, lines: Sequence[str], indent_mm: float, height_mm: float) -> None:
        pdf = self._pdf
        for line in lines:
            pdf.set_x(_MARGIN_MM + indent_mm)
            pdf.cell(0, height_mm, line, new_x="LMARGIN", new_y="NEXT")

    def qr(self, content: str, below: str) -> None:
        """A QR code (ISO/IEC 18004) in the right upper corner, with its meaning below it."""
        picture = BytesIO()
        segno.make(content, error="m", micro=False).save(picture, kind="png", scale=6, border=2)
        pdf = self._pdf
        x, y = pdf.w - _MARGIN_MM - _QR_MM, pdf.get_y()
        pdf.image(picture, x, y, _QR_MM, _QR_MM, alt_text=f"QR code: {content}")
        pdf.set_xy(x, y + _QR_MM)
        pdf.set_font("body", size=8)
        pdf.set_text_color(*SOFT)
        pdf.cell(_QR_MM, 4, below, align="C")
        pdf.set_xy(_MARGIN_MM, y)
        self._right_mm = _QR_MM + 4
        self._qr_end_mm = y + _QR_MM + 4

    def kicker(self, text: str) -> None:
        """A small line above the title."""
        self._pdf.set_text_color(*SOFT)
        self._text(text, 10, "B")

    def title(self, text: str) -> None:
        """The sheet's title."""
        self._pdf.set_text_color(*_INK)
        self._text(text, 20, "B")

    def subtitle(self, text: str) -> None:
        """The place."""
        self._text(text, 13)
        self._pdf.ln(2)

    def facts(self, rows: Iterable[tuple[str, str]]) -> None:
        """Labels and what they say; those that say nothing are left out."""
        pdf = self._pdf
        for label, text in rows:
            if not text:
                continue
            if self._right_mm and pdf.get_y() > self._qr_end_mm:
                self._right_mm = 0.0
            pdf.set_font("body", size=_BODY_PT)
            pdf.set_text_color(*SOFT)
            pdf.cell(_LABEL_MM, _LINE_MM, label)
            pdf.set_text_color(*_INK)
            self._write(self._broken(text, self._beside_mm(_LABEL_MM)), _LABEL_MM, _LINE_MM)
        if self._right_mm:
            pdf.set_y(max(pdf.get_y(), self._qr_end_mm))
            self._right_mm = 0.0
        pdf.ln(1.5)

    def paragraph(self, text: str) -> None:
        """Plain text."""
        self._pdf.set_text_color(*_INK)
        self._text(text)
        self._pdf.ln(1.5)

    def heading(self, text: str) -> None:
        """A section begins, never alone at the foot of a page."""
        pdf = self._pdf
        if pdf.will_page_break(30):
            pdf.add_page()
        pdf.ln(2.5)
        pdf.line(_MARGIN_MM, pdf.get_y(), pdf.w - _MARGIN_MM, pdf.get_y())
        pdf.ln(1.5)
        pdf.set_text_color(*_INK)
        self._text(text, 14, "B")
        pdf.ln(1)

    def small_heading(self, text: str) -> None:
        """A part of a section begins."""
        pdf = self._pdf
        if pdf.will_page_break(18):
            pdf.add_page()
        pdf.ln(1.5)
        pdf.set_text_color(*_INK)
        self._text(text, 11, "B")
        pdf.ln(0.5)

    def box(self, paragraphs: Sequence[str], border: _Colour | None = None) -> None:
        """Paragraphs on a tint, or framed."""
        pdf = self._pdf
        pdf.set_font("body", style="B" if border else "", size=_BODY_PT)
        pdf.set_text_color(*_INK)
        pdf.set_fill_color(*_TINT)
        pdf.set_draw_color(*(border or _TINT))
        lines = [t for p in paragraphs for t in self._broken(p, pdf.epw - 2 * _BOX_MM)]
        height = _LINE_MM * len(lines) + 2 * _BOX_MM
        if pdf.will_page_break(height):
            pdf.add_page()
        pdf.rect(_MARGIN_MM, pdf.get_y(), pdf.epw, height, "D" if border else "DF")
        pdf.ln(_BOX_MM)
        self._write(lines, _BOX_MM - pdf.c_margin, _LINE_MM)
        pdf.ln(_BOX_MM)
        pdf.set_draw_color(*_RULE)
        pdf.ln(1.5)

    def table(
        self, head: Sequence[str], rows: Sequence[Sequence[str]], widths: Sequence[int]
    ) -> None:
        """A table with room to write; its head comes again on a new page, no row is broken.

        ``widths`` are per cent of the page's.
        """
        pdf = self._pdf
        columns_mm = [pdf.epw * width / 100 for width in widths]
        pdf.set_text_color(*_INK)
        pdf.set_fill_color(*_TINT)
        top = self._row(head, columns_mm, "B")
        below = [self._row(cells, columns_mm, "") for cells in rows]
        if pdf.will_page_break(top.height_mm + (below[0].height_mm if below else 0.0)):
            pdf.add_page()
        self._put_row(top, columns_mm)
        for row in below:
            if pdf.will_page_break(row.height_mm):
                pdf.add_page()
                self._put_row(top, columns_mm)
            self._put_row(row, columns_mm)
        pdf.ln(1.5)

    def _row(
        self, cells: Sequence[str], columns_mm: Sequence[float], style: Literal["", "B"]
    ) -> _Row:
        self._pdf.set_font("body", style=style, size=_BODY_PT)
        lines = [
            [line for part in cell.split("\n") for line in self._broken(part, width - 2 * _CELL_MM)]
            for cell, width in zip(cells, columns_mm, strict=True)
        ]
        height_mm = max(map(len, lines)) * _ROW_LINE_MM + 2 * _CELL_MM
        return _Row(lines, height_mm, style)

    def _put_row(self, row: _Row, columns_mm: Sequence[float]) -> None:
        pdf = self._pdf
        pdf.set_font("body", style=row.style, size=_BODY_PT)
        x, y = float(_MARGIN_MM), pdf.get_y()
        for lines, width in zip(row.cells, columns_mm, strict=True):
            pdf.rect(x, y, width, row.height_mm, "DF" if row.style else "D")
            pdf.set_y(y + _CELL_MM)
            self._write(lines, x + _CELL_MM - pdf.c_margin - _MARGIN_MM, _ROW_LINE_MM)
            x += width
        pdf.set_y(y + row.height_mm)

    def step(self, title: str, actions: Sequence[str]) -> None:
        """A numbered step with its boxes to tick."""
        if self._pdf.will_page_break(14):
            self._pdf.add_page()
        self._pdf.set_text_color(*_INK)
        self._text(title, _BODY_PT, "B")
        self.checks(actions)

    def checks(self, texts: Iterable[str]) -> None:
        """Lines with a box to tick."""
        self._marked(texts, _CHECK)

    def bullets(self, texts: Iterable[str]) -> None:
        """Lines with a dash."""
        self._marked(texts, "–")

    def _marked(self, texts: Iterable[str], mark: str) -> None:
        pdf = self._pdf
        pdf.set_text_color(*_INK)
        pdf.set_font("body", size=_BODY_PT)
        for text in texts:
            lines = self._broken(text, self._beside_mm(6))
            if pdf.will_page_break(_LINE_MM * len(lines)):
                pdf.add_page()
            pdf.cell(6, _LINE_MM, mark)
            self._write(lines, 6, _LINE_MM)
        pdf.ln(1)

    def caution(self, word: SignalWord, title: str, text: str) -> None:
        """A signal word on its colours, then what it is about."""
        pdf = self._pdf
        if pdf.will_page_break(14):
            pdf.add_page()
        fill, ink = _WORD_COLOURS[word]
        pdf.set_font("body", style="B", size=_BODY_PT)
        pdf.set_fill_color(*fill)
        pdf.set_text_color(*ink)
        pdf.cell(22, _LINE_MM + 0.6, str(word), align="C", fill=True)
        pdf.set_text_color(*_INK)
        self._text(title, _BODY_PT, "B", indent_mm=24)
        self._text(text, indent_mm=24)
        pdf.ln(1)

    def lines(self, count: int) -> None:
        """Blank lines to write on."""
        pdf = self._pdf
        if pdf.will_page_break(9 * count):
            pdf.add_page()
        for _ in range(count):
            pdf.ln(9)
            pdf.line(_MARGIN_MM, pdf.get_y(), pdf.w - _MARGIN_MM, pdf.get_y())
        pdf.ln(2)


def _pieces(words: Sequence[str], width: float, measure: Callable[[str], float]) -> Iterator[str]:
    """The words, those that are wider than a line cut to pieces that fit."""
    for word in words:
        rest = word
        while len(rest) > 1 and measure(rest) > width:
            fits = next((n for n in range(len(rest) - 1, 1, -1) if measure(rest[:n]) <= width), 1)
            yield rest[:fits]
            rest = rest[fits:]
        yield rest
