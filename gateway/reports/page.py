"""A report as an HTML page, as plain text, and as the letter that carries both with the PDF."""

from __future__ import annotations

import base64
import hashlib
import textwrap
from functools import cache
from pathlib import Path
from typing import Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined, Template, select_autoescape

from gateway.mail.letter import Letter, LetterFile
from gateway.reports.model import GRADES, REMINDER, Report
from gateway.reports.paper import report_pdf

__all__ = ["html_page", "report_letter", "text_page"]

_WIDTH: Final = 72


def html_page(report: Report, *, cid_of: dict[str, str] | None = None) -> str:
    """The page whole, its pictures within it, or by ``cid_of`` beside it in a mail."""
    sources = {
        p.name: f"cid:{cid_of[p.name]}"
        if cid_of is not None
        else "data:image/png;base64," + base64.b64encode(p.png).decode("ascii")
        for p in report.pictures
    }
    return _template("report.html.j2").render(
        r=report, sources=sources, grades=GRADES, reminder=REMINDER
    )


def text_page(report: Report) -> str:
    """What the mail says without a picture: the figures at its head, and what to do next."""
    titles = ", ".join(section.title.lower() for section in report.sections)
    return _template("report.txt.j2").render(
        r=report, titles=titles, grades=GRADES, reminder=REMINDER
    )


def report_letter(report: Report) -> Letter:
    """The mail. The same report makes the same letter."""
    digest = hashlib.sha256(f"{report.scope} {report.period}".encode()).hexdigest()[:24]
    cids = {p.name: f"{p.name}.{digest}@basinward" for p in report.pictures}
    pictures = tuple(
        LetterFile(f"{p.name}.png", "image/png", p.png, cids[p.name]) for p in report.pictures
    )
    paper = LetterFile(f"Report {report.title}.pdf", "application/pdf", report_pdf(report))
    return Letter(
        f"[REPORT] {report.title}",
        text_page(report),
        html_page(report, cid_of=cids),
        (*pictures, paper),
    )


@cache
def _template(name: str) -> Template:
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=select_autoescape(enabled_extensions=("html.j2",)),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["wrap"] = _wrap
    return environment.get_template(name)


def _wrap(text: str, first: str = "") -> str:
    return textwrap.fill(
        text, _WIDTH, initial_indent=first, subsequent_indent=" " * len(first),
        break_on_hyphens=False,
    )  # fmt: skip
