"""The job sheet: what stands on it, its QR code, which mails carry it, and any text that may come.

Read back by an independent PDF library, the QR code by an independent decoder.
"""

from __future__ import annotations

import email
from dataclasses import replace
from datetime import UTC, datetime
from email import policy
from email.message import EmailMessage
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
import zxingcpp
from pypdf import PdfReader
from ticket_scenes import FAULTS, fan_notice, mesa_site, notice, quay_site

import gateway.tickets.jobsheet_document as document
import gateway.tickets.render as rendering
from gateway.tickets.fonts import EAST_ASIAN
from gateway.tickets.jobsheet import job_sheet
from gateway.tickets.jobsheet_paper import Paper
from gateway.tickets.notice import NoticeKind, TicketNotice
from gateway.tickets.render import MailRenderer

RENDER = MailRenderer([quay_site(), mesa_site()], FAULTS)


def sheet(scene: TicketNotice | None = None, **options: str) -> PdfReader:
    scene = scene or notice()
    return PdfReader(
        BytesIO(job_sheet(RENDER.ticket(scene), made_ms=scene.date_ms, **options)), strict=True
    )


def text_of(pdf: PdfReader) -> str:
    return " ".join(" ".join(page.extract_text().split()) for page in pdf.pages)


def in_order(text: str, *marks: str) -> None:
    at = 0
    for mark in marks:
        at = text.find(mark, at)
        assert at >= 0, mark


def test_what_stands_on_it_and_in_which_order() -> None:
    text = text_of(sheet())
    in_order(
        text,
        "JOB SHEET · BW-000123 · HIGH PRIORITY", "Pump screen clogging", "Quay Cold Store / AC-1",
        "1 Make it safe first", "Isolation points",
        "Q14 (electrical)", "Locked and tagged by, time:", "Verified by, time:",
        "Removed by, time:", "V-31 (water)", "In this order", "1. Prepare", "6. Verify",
        "Cautions", "DANGER", "WARNING", "NOTICE",
        "2 What to bring", "Tools", "Parts", "3 The job: Clean the pump's suction screen",
        "Look first", "Then, only with the machine made safe",
        "4 Readings and findings", "Before", "After", "Spray pressure, kPa",
        "5 Hand back", "Release, in this order", "Back to service", "Signature",
    )  # fmt: skip


def test_signal_words_stand_worst_first() -> None:
    """ANSI Z535.4-2007, 4.14: DANGER will kill, WARNING could; CAUTION is minor; NOTICE none."""
    text = text_of(sheet())
    cautions = RENDER.ticket(notice()).isolation.cautions
    words = [str(c.word) for c in cautions]
    assert words == sorted(words, key=["DANGER", "WARNING", "CAUTION", "NOTICE"].index)
    in_order(text[text.index("Cautions") :], *(f"{c.word} {c.title}." for c in cautions))


def test_every_page_says_that_it_authorises_nothing() -> None:
    pdf = sheet()
    for number, page in enumerate(pdf.pages, start=1):
        text = page.extract_text()
        assert "it does not authorise work, and it is no permit" in " ".join(text.split())
        assert f"{number} of {len(pdf.pages)}" in text


def test_the_same_ticket_gives_the_same_bytes() -> None:
    ticket = RENDER.ticket(notice())
    assert job_sheet(ticket, made_ms=5) == job_sheet(ticket, made_ms=5)


def test_a_table_that_runs_over_has_its_head_again_and_whole_rows() -> None:
    sheet = Paper("A4", "Table", datetime(2026, 1, 1, tzinfo=UTC), footer="")
    rows = [(f"Row {n} begins", f"first of {n}\nsecond of {n}\nlast of {n}") for n in range(40)]
    sheet.table(("Reading", "Before"), rows, (60, 40))
    pages = [page.extract_text() for page in PdfReader(BytesIO(sheet.bytes())).pages]
    assert len(pages) > 2
    assert all(page.count("Reading") == 1 for page in pages)
    for number in range(40):
        parts = (f"Row {number} begins", f"first of {number}\n", f"last of {number}\n")
        (at,) = {n for n, page in enumerate(pages) for part in parts if part in page + "\n"}
        assert all(part in pages[at] + "\n" for part in parts)


def codes_on(pdf: PdfReader) -> list[str]:
    """What the QR codes of a sheet say, read by a decoder that shares nothing with the encoder."""
    pictures = [image.image for page in pdf.pages for image in page.images]
    found = [
        zxingcpp.read_barcodes(np.asarray(picture.convert("L"))) for picture in pictures if picture
    ]
    assert all(len(codes) == 1 for codes in found)
    return [codes[0].text for codes in found]


@pytest.mark.parametrize("board", ["https://board.north.example", "https://north.example/board"])
def test_the_qr_code_leads_to_the_tickets_page(board: str) -> None:
    """ISO/IEC 18004."""
    renderer = MailRenderer([quay_site(), mesa_site()], FAULTS, board_url=board)
    assert codes_on(PdfReader(BytesIO(renderer.sheet(notice())))) == [f"{board}/tickets/BW-000123"]


def test_without_a_board_there_is_no_code_and_the_number_stands_on_every_page() -> None:
    pdf = PdfReader(BytesIO(RENDER.sheet(notice())))
    assert codes_on(pdf) == []
    assert all("BW-000123" in page.extract_text() for page in pdf.pages)


def test_paper_and_units_are_the_sites() -> None:
    """ISO 216: A4 is 210 x 297 mm; ANSI/ASME Y14.1: A is 8.5 x 11 in (both from memory)."""
    metric = PdfReader(BytesIO(RENDER.sheet(notice()))).pages[0].mediabox
    assert (metric.width, metric.height) == pytest.approx((210 / 25.4 * 72, 297 / 25.4 * 72), 0.01)
    us = PdfReader(BytesIO(RENDER.sheet(fan_notice())))
    assert (us.pages[0].mediabox.width, us.pages[0].mediabox.height) == pytest.approx((612, 792))
    assert "psia" in text_of(us)


def test_a_point_that_is_not_recorded_is_said_to_be_missing() -> None:
    scene = replace(fan_notice(), fault="pump-screen-clogging")
    assert "Missing: No isolation point for water energy is recorded" in text_of(sheet(scene))


@pytest.mark.parametrize(
    "odd",
    ["Łódź, Ωμέγα, Київ", "会議室 🚿", "x" * 400, "a **b** <c> \\d {nb}", "", "\u202eturned"],
)
def test_any_text_makes_a_sheet(odd: str) -> None:
    scene = notice(evidence=replace(notice().evidence, summary=odd))
    ticket = RENDER.ticket(scene)
    pdf = PdfReader(BytesIO(job_sheet(replace(ticket, address=odd, site_name=odd), made_ms=-5)))
    assert len(pdf.pages) >= 3
    if odd.startswith("Ł"):
        assert odd in text_of(pdf)


# Names of cold stores and yards in scripts that the sheet's own typeface does not have.
EAST_ASIAN_TEXTS = ["港口冷藏库", "冷凍倉庫の屋上", "부산 냉동창고"]


def sheet_in(text: str) -> PdfReader:
    ticket = replace(RENDER.ticket(notice()), site_name=text, address=f"{text} 12, North quay")
    return PdfReader(BytesIO(job_sheet(ticket, made_ms=0)), strict=True)


@pytest.mark.skipif(
    not all(font.is_file() for font in EAST_ASIAN),
    reason="needs Debian's fonts-droid-fallback and fonts-nanum",
)
@pytest.mark.parametrize("text", EAST_ASIAN_TEXTS)
def test_east_asian_names_are_printed_where_the_machine_has_letters_for_them(text: str) -> None:
    """Read back by an independent library, by way of the glyphs' own Unicode map."""
    pdf = sheet_in(text)
    read = text_of(pdf)
    assert f"{text} / AC-1" in read
    assert f"{text} 12, North quay" in read
    assert "■" not in read
    fonts = pdf.pages[0]["/Resources"]["/Font"].values()
    assert len({font.get_object()["/BaseFont"] for font in fonts}) > 2


@pytest.mark.parametrize("text", [*EAST_ASIAN_TEXTS, "مخزن التبريد", "שלום", "ห้องเย็น", "शीतगृह"])
def test_letters_that_cannot_be_printed_are_stood_in_for_and_said_to_be_in_the_mail(
    text: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(document, "EAST_ASIAN", (tmp_path / "none.ttf",))
    pdf = sheet_in(text)
    marks = "".join("■" if not letter.isspace() else " " for letter in text)
    assert f"{marks} / AC-1" in text_of(pdf)
    for page in pdf.pages:
        assert "the ticket's mail has it" in " ".join(page.extract_text().split())
    site = quay_site(name=text)
    mail = MailRenderer([site], FAULTS)(notice())
    body = mail.get_body(("plain",))
    assert body is not None
    assert f"{text} / AC-1" in body.get_content()


def test_a_sheet_with_all_its_letters_says_nothing_of_lost_ones() -> None:
    assert "the ticket's mail has it" not in text_of(sheet_in("Łódź Ωμέγα Київ"))


# --- the mail ---------------------------------------------------------------------------------


def parts(scene: TicketNotice) -> list[str]:
    mail = email.message_from_bytes(RENDER(scene).as_bytes(), policy=policy.default)
    assert isinstance(mail, EmailMessage)
    assert not mail.defects
    return [part.get_content_type() for part in mail.walk() if not part.is_multipart()]


@pytest.mark.parametrize(
    ("kind", "priority", "has"),
    [
        (NoticeKind.OPENED, "high", True),
        (NoticeKind.OPENED, "medium", True),
        (NoticeKind.OPENED, "low", False),
        (NoticeKind.WORSENED, "high", True),
        (NoticeKind.ESCALATED, "high", True),
        (NoticeKind.REMINDED, "high", False),
        (NoticeKind.RETURNED, "high", False),
    ],
)
def test_which_mails_carry_it(kind: NoticeKind, priority: str, has: bool) -> None:
    wanted = ["text/plain", "text/html", *(["application/pdf"] if has else [])]
    assert parts(notice(kind, priority=priority)) == wanted


def test_it_is_named_by_its_ticket_and_whole_when_it_arrives() -> None:
    mail = email.message_from_bytes(RENDER(notice()).as_bytes(), policy=policy.default)
    assert isinstance(mail, EmailMessage)
    (attached,) = mail.iter_attachments()
    assert attached.get_filename() == "Job sheet BW-000123.pdf"
    assert attached.get_content() == RENDER.sheet(notice())


def test_a_sheet_that_cannot_be_made_costs_the_sheet_alone(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(*_about: object, **_more: object) -> bytes:
        raise OSError("no font")

    monkeypatch.setattr(rendering, "job_sheet", broken)
    assert parts(notice()) == ["text/plain", "text/html"]
    assert "The job sheet of ticket BW-000123 cannot be made" in caplog.text
