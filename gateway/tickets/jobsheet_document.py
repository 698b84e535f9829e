"""The document beneath a job sheet: its fonts, its footer, and letters that no font has.

A thin layer over fpdf2. The typeface comes with the program; letters that it lacks are taken from
fonts of the machine, or are stood in for visibly, and the footer then says so.
"""

from __future__ import annotations

import logging
import unicodedata
from collections.abc import Mapping
from datetime import datetime
from typing import Final, Literal, cast

from fpdf import FPDF
from fpdf.fonts import TTFFont

from gateway.tickets.fonts import BOLD, EAST_ASIAN, REGULAR

__all__ = ["SOFT", "SheetDocument"]

# It tells at length, for each sheet, which letters it takes from a font.
logging.getLogger("fontTools").setLevel(logging.WARNING)

SOFT: Final = (82, 96, 109)
"""The colour of what is said beside: labels and the footer; red, green, blue."""

_STAND_IN: Final = "■"
_FROM_THE_RIGHT: Final = frozenset({"R", "AL"})  # bidirectional classes of UAX 9
_LOST: Final = (
    f"{_STAND_IN} stands for a letter that this sheet cannot print; the ticket's mail has it."
)


class SheetDocument(FPDF):
    """The document, with its footer on every page, and a stand-in for letters that no font has."""

    lost_letters = False

    def __init__(
        self, page: Literal["A4", "Letter"], title: str, made: datetime, footer: str
    ) -> None:
        super().__init__(format=page)
        self.footer_text = footer
        self._others: list[str] = []
        self.set_creation_date(made)
        self.set_title(title)
        self.set_lang("en")
        self.add_font("body", fname=REGULAR)
        self.add_font("body", style="B", fname=BOLD)

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
        """What stands below every page; the library asks for it."""
        if self.lost_letters:
            self.set_y(-16)
            self.set_font("body", size=8)
            self.set_text_color(*SOFT)
            self.cell(0, 5, _LOST, align="C")
        self.set_y(-12)
        self.set_font("body", size=8)
        self.set_text_color(*SOFT)
        self.cell(0, 5, f"{self.footer_text}   {self.page_no()} of {{nb}}", align="C")
