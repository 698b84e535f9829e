"""A report on paper: the same words, tables and pictures, laid out for A4 or Letter.

Legible in black and white: colours only repeat what words say.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from datetime import UTC, datetime
from io import BytesIO
from typing import Final, Literal

from fpdf import FPDF
from fpdf.enums import TableBordersLayout
from fpdf.fonts import FontFace

from gateway.reports.model import (
    GRADES,
    REMINDER,
    Block,
    Fact,
    Next,
    Picture,
    Report,
    Section,
    Table,
)
from gateway.tickets.fonts import BOLD, REGULAR

__all__ = ["report_pdf"]

logging.getLogger("fontTools").setLevel(logging.WARNING)

_Colour = tuple[int, int, int]
_INK: Final[_Colour] = (31, 41, 51)
_SOFT: Final[_Colour] = (82, 96, 109)
_RULE: Final[_Colour] = (175, 185, 195)
_TINT: Final[_Colour] = (241, 245, 248)
_HEAD: Final[_Colour] = (36, 64, 92)
_WHITE: Final[_Colour] = (255, 255, 255)
_GRADE: Final[dict[str, tuple[str, _Colour, _Colour]]] = {
    "now": (GRADES["now"], (155, 28, 28), _WHITE),
    "soon": (GRADES["soon"], (224, 153, 47), (31, 20, 0)),
    "plan": (GRADES["plan"], (219, 227, 234), _INK),
}
_MARGIN_MM: Final = 15
_FOOT_MM: Final = 16
_BODY_PT: Final = 9.5
_LINE_MM: Final = 4.5


class _Pdf(FPDF):
    footer_text = ""

    def footer(self) -> None:
        self.set_y(-11)
        self.set_font("body", size=8)
        self.set_text_color(*_SOFT)
        self.cell(0, 5, f"{self.footer_text}   {self.page_no()} of {{nb}}", align="C")


def report_pdf(report: Report) -> bytes:
    """The document; the same report gives the same bytes."""
    pdf = _Pdf(format=report.page)
    pdf.footer_text = report.title
    pdf.set_creation_date(datetime.fromtimestamp(report.made_ms // 1000, UTC))
    pdf.set_title(f"Monthly report: {report.title}")
    pdf.set_lang("en")
    pdf.add_font("body", fname=REGULAR)
    pdf.add_font("body", style="B", fname=BOLD)
    pdf.set_margin(_MARGIN_MM)
    pdf.c_margin = 0  # text begins where rules, pictures and tables begin
    pdf.set_auto_page_break(auto=True, margin=_FOOT_MM)
    pdf.add_page()
    _head(pdf, report)
    for sentence in report.summary:
        _text(pdf, sentence, size=10.5)
    pdf.ln(2)
    _facts(pdf, report.facts)
    _steps(pdf, report.next_steps)
    for section in report.sections:
        _section(pdf, section)
    pdf.ln(2)
    _text(pdf, f"Times are those of {report.time_zone}. Basinward only watches; it commands no "
          "equipment.", colour=_SOFT, size=8.5)  # fmt: skip
    return bytes(pdf.output())


def _head(pdf: _Pdf, report: Report) -> None:
    pdf.set_fill_color(*_HEAD)
    pdf.rect(0, 0, pdf.w, 36, style="F")
    pdf.set_xy(_MARGIN_MM, 8)
    _text(pdf, "Monthly report", colour=(219, 229, 238), size=10)
    _text(pdf, report.title, bold=True, colour=_WHITE, size=19, line_mm=9)
    _text(pdf, f"Made {report.made}", colour=(219, 229, 238), size=9)
    pdf.set_y(42)


def _text(
    pdf: _Pdf, text: str, *, bold: bool = False, colour: _Colour = _INK, size: float = _BODY_PT,
    line_mm: float | None = None, after_mm: float = 0.8,
) -> None:  # fmt: skip
    pdf.set_font("body", style="B" if bold else "", size=size)
    pdf.set_text_color(*colour)
    pdf.multi_cell(0, line_mm or size * 0.47, text, align="L", new_x="LMARGIN", new_y="NEXT")
    pdf.ln(after_mm)


def _facts(pdf: _Pdf, facts: Sequence[Fact]) -> None:
    gap, height = 3.0, 19.0
    width = (pdf.epw - 2 * gap) / 3
    for row in range(0, len(facts), 3):
        y = pdf.get_y()
        for column, fact in enumerate(facts[row : row + 3]):
            x = _MARGIN_MM + column * (width + gap)
            pdf.set_fill_color(*_TINT)
            pdf.rect(x, y, width, height, style="F")
            for text, style, size, colour, down in (
                (fact.figure, "B", 16, _INK, 2.0), (fact.about, "", 9.5, _INK, 8.8),
                (fact.beside, "", 8.5, _SOFT, 13.3),
            ):  # fmt: skip
                pdf.set_xy(x + 2.5, y + down)
                pdf.set_text_color(*colour)
                _fit(pdf, text, style="B" if style else "", size=size, width=width - 5)
                pdf.cell(width - 5, 5, text)
        pdf.set_xy(_MARGIN_MM, y + height + gap)


def _fit(pdf: _Pdf, text: str, *, style: Literal["", "B"], size: float, width: float) -> None:
    """The largest size, up to the wanted one, at which the text has room."""
    while True:
        pdf.set_font("body", style=style, size=size)
        if size <= 7 or pdf.get_string_width(text) <= width - 1:
            return
        size -= 0.5


def _title(pdf: _Pdf, title: str, room_mm: float = 40) -> None:
    if pdf.will_page_break(room_mm):
        pdf.add_page()
    pdf.ln(3)
    pdf.set_draw_color(*_RULE)
    pdf.line(_MARGIN_MM, pdf.get_y(), pdf.w - _MARGIN_MM, pdf.get_y())
    pdf.ln(2)
    _text(pdf, title, bold=True, size=14, after_mm=1.5)


def _steps(pdf: _Pdf, steps: Sequence[Next]) -> None:
    _title(pdf, "What to do next")
    if not steps:
        _text(pdf, "Nothing stands, and nothing is due within the next weeks.")
    for number, step in enumerate(steps, start=1):
        if pdf.will_page_break(2 * _LINE_MM + 4):
            pdf.add_page()
        word, fill, ink = _GRADE[step.grade]
        y = pdf.get_y()
        pdf.set_font("body", size=_BODY_PT)
        pdf.set_text_color(*_SOFT)
        pdf.cell(7, _LINE_MM, f"{number}.", align="R")
        pdf.set_xy(_MARGIN_MM + 9, y)
        pdf.set_fill_color(*fill)
        pdf.set_text_color(*ink)
        pdf.set_font("body", style="B", size=8)
        pdf.cell(11, _LINE_MM, word, align="C", fill=True)
        _beside(pdf, 22, f"{step.place}: {step.what}", bold=True, y=y)
        _beside(pdf, 22, step.why, colour=_SOFT)
        pdf.ln(1.3)
    _text(pdf, REMINDER, colour=_SOFT, size=8.5)


def _beside(
    pdf: _Pdf, indent_mm: float, text: str, *, bold: bool = False, colour: _Colour = _INK,
    y: float | None = None,
) -> None:  # fmt: skip
    pdf.set_xy(_MARGIN_MM + indent_mm, pdf.get_y() if y is None else y)
    pdf.set_font("body", style="B" if bold else "", size=_BODY_PT)
    pdf.set_text_color(*colour)
    pdf.multi_cell(pdf.epw - indent_mm, _LINE_MM, text, align="L", new_x="LMARGIN", new_y="NEXT")


def _section(pdf: _Pdf, section: Section) -> None:
    _title(pdf, section.title, _first_mm(pdf, section))
    for block in section.blocks:
        _block(pdf, block)


def _first_mm(pdf: _Pdf, section: Section) -> float:
    """Room that the title wants below it: its first picture whole, or some lines."""
    for block in section.blocks:
        if block.picture is not None:
            return min(40 + _height_mm(pdf, block.picture), 0.8 * pdf.eph)
        if block.table is not None:
            break
    return 45


def _height_mm(pdf: _Pdf, picture: Picture) -> float:
    return min(pdf.epw * picture.height / picture.width, 0.78 * pdf.eph)


def _block(pdf: _Pdf, block: Block) -> None:
    beside = block.picture or block.table or block.items
    if block.text:
        if pdf.will_page_break(25 if block.table else 8):
            pdf.add_page()
        _text(pdf, block.text, colour=_SOFT if beside else _INK)
    if block.picture is not None:
        _picture(pdf, block.picture)
    if block.table is not None:
        _table(pdf, block.table)
    for item in block.items:
        _beside(pdf, 0, f"– {item}", colour=_SOFT)
    pdf.ln(1)


def _picture(pdf: _Pdf, picture: Picture) -> None:
    height = _height_mm(pdf, picture)
    if pdf.will_page_break(height):
        pdf.add_page()
    width = height * picture.width / picture.height
    pdf.image(BytesIO(picture.png), _MARGIN_MM, pdf.get_y(), width, height, alt_text=picture.alt)
    pdf.set_y(pdf.get_y() + height + 1.5)


def _table(pdf: _Pdf, table: Table) -> None:
    pdf.set_font("body", size=8.5)
    pdf.set_text_color(*_INK)
    pdf.set_draw_color(*_RULE)
    # Fills of earlier parts must not show through the cells.
    pdf.set_fill_color(*_WHITE)
    align = tuple("RIGHT" if i in table.right else "LEFT" for i in range(len(table.head)))
    with pdf.table(
        col_widths=table.widths, line_height=4.2, padding=(0.9, 1.2, 0.9, 0.4),
        text_align=align, v_align="TOP", width=pdf.epw,
        borders_layout=TableBordersLayout.HORIZONTAL_LINES,
        headings_style=FontFace(emphasis="BOLD", color=_SOFT),
    ) as laid:  # fmt: skip
        for number, cells in enumerate((table.head, *table.rows)):
            last = table.total and number == len(table.rows)
            row = laid.row(style=FontFace(emphasis="BOLD") if last else None)
            for cell in cells:
                row.cell(cell)
    pdf.ln(1.5)
