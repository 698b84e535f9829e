"""The paper of a job sheet: how its titles, boxes, tables and blanks look.

A thin layer over fpdf2, so that the sheet itself reads as a list of what stands on it. Legible when
printed in black and white; colours only repeat what words say.
"""

from __future__ import annotations

import logging
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from io import BytesIO
from typing import Final, Literal, cast

import segno
from fpdf import FPDF
from fpdf.fonts import FontFace, TTFFont

from gateway.tickets.fonts import BOLD, EAST_ASIAN, REGULAR
from rules.hazards import SignalWord

__all__ = ["Paper"]

# It tells at length, for each sheet, which letters it takes from a font.
logging.getLogger("fontTools").setLevel(logging.WARNING)

_Colour = tuple[int, int, int]
_INK: Final[_Colour] = (31, 41, 51)
_SOFT: Final[_Colour] = (82, 96, 109)
_RULE: Final[_Colour] = (150, 160, 170)
_TINT: Final[_Colour] = (238, 242, 245)
_MARGIN_MM: Final = 16
_QR_MM: Final = 26
_LABEL_MM: Final = 20
_BODY_PT: Final = 10
_LINE_MM: Final = 4.6
_CHECK: Final = "☐"
_STAND_IN: Final = "■"
_FROM_THE_RIGHT: Final = frozenset({"R", "AL"})  # bidirectional classes of UAX 9
_LOST: Final = (
    f"{_STAND_IN} stands for a letter that this sheet cannot print; the ticket's mail has it."
)
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


class _Pdf(FPDF):
    """The document, with its footer on every page, and a stand-in for letters that no font has."""

    footer_text = ""
    lost_letters = False

    def __init__(self, page: Literal["A4", "Letter"]) -> None:
        super().__init__(format=page)
        self._others: list[str] = []

    def normalize_text(self, text: str) -> str:
        """``text`` with what can be printed; the library asks this of all that is written."""
        body = cast("TTFFont", self.fonts["body"]).cmap
        if all(ord(letter) in body or letter.isspace() for letter in text):
            return text
        return "".join(self._printable(letter, body) for letter in text)

    def _printable(self, letter: str, body: Mapping[int, object]) -> str:
        if ord(letter) in body or letter.isspace():
            return letter
        # Letters that join, stack or run from right to left come out wrong one by one.
        one_by_one = (
            unicodedata.category(letter)[0] != "M"
            and unicodedata.bidirectional(letter) not in _FROM_THE_RIGHT
        )
        if one_by_one and self._is_in_another_font(letter):
            return letter
        self.lost_letters = True
        return _STAND_IN

    def _is_in_another_font(self, letter: str) -> bool:
        """Whether a font of the machine has it; each is loaded when those before it do not."""
        for number, file in enumerate(EAST_ASIAN):
            name = f"other{number}"
            if name not in self.fonts:
                if not file.is_file():
                    continue
                self.add_font(name, fname=file)
                self._others.append(name)
                self.set_fallback_fonts(self._others, exact_match=False)
            if ord(letter) in cast("TTFFont", self.fonts[name]).cmap:
                return True
        return False

    def footer(self) -> None:
        if self.lost_letters:
            self.set_y(-16)
            self.set_font("body", size=8)
            self.set_text_color(*_SOFT)
            self.cell(0, 5, _LOST, align="C")
        self.set_y(-12)
        self.set_font("body", size=8)
        self.set_text_color(*_SOFT)
        self.cell(0, 5, f"{self.footer_text}   {self.page_no()} of {{nb}}", align="C")


class Paper:
    """A sheet under way; each method adds one part below the last."""

    def __init__(
        self, page: Literal["A4", "Letter"], title: str, made: datetime, *, footer: str
    ) -> None:
        pdf = self._pdf = _Pdf(page)
        pdf.footer_text = footer
        pdf.set_creation_date(made)
        pdf.set_title(title)
        pdf.set_lang("en")
        pdf.add_font("body", fname=REGULAR)
        pdf.add_font("body", style="B", fname=BOLD)
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
        self._write(self._broken(text, indent_mm), indent_mm, size * 0.46)

    def _broken(self, text: str, indent_mm: float) -> list[str]:
        """``text`` in lines that fit beside the indent, in the present font.

        The library's own breaking measures each line anew with every letter, which takes most of
        the time of a whole sheet.
        """
        pdf = self._pdf
        width = pdf.epw - self._right_mm - indent_mm - 2 * pdf.c_margin
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
        pdf.set_text_color(*_SOFT)
        pdf.cell(_QR_MM, 4, below, align="C")
        pdf.set_xy(_MARGIN_MM, y)
        self._right_mm = _QR_MM + 4
        self._qr_end_mm = y + _QR_MM + 4

    def kicker(self, text: str) -> None:
        """A small line above the title."""
        self._pdf.set_text_color(*_SOFT)
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
            pdf.set_text_color(*_SOFT)
            pdf.cell(_LABEL_MM, _LINE_MM, label)
            pdf.set_text_color(*_INK)
            self._write(self._broken(text, _LABEL_MM), _LABEL_MM, _LINE_MM)
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
        pdf.multi_cell(
            0, _LINE_MM, "\n".join(paragraphs), border=1, fill=border is None, align="L",
            padding=2, new_x="LMARGIN", new_y="NEXT",
        )  # fmt: skip
        pdf.set_draw_color(*_RULE)
        pdf.ln(1.5)

    def table(
        self, head: Sequence[str], rows: Sequence[Sequence[str]], widths: Sequence[int]
    ) -> None:
        """A table with room to write; its head comes again on a new page, no row is broken."""
        pdf = self._pdf
        pdf.set_font("body", size=_BODY_PT)
        pdf.set_text_color(*_INK)
        pdf.set_fill_color(255, 255, 255)
        with pdf.table(
            col_widths=tuple(widths), line_height=_LINE_MM + 0.4, padding=1.5, text_align="LEFT",
            v_align="TOP", headings_style=FontFace(emphasis="BOLD", fill_color=_TINT),
        ) as table:  # fmt: skip
            for cells in (head, *rows):
                row = table.row()
                for cell in cells:
                    row.cell(cell)
        pdf.ln(1.5)

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
            lines = self._broken(text, 6)
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
