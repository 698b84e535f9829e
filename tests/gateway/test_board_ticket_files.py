"""What technicians give back with a ticket through the board: photos, documents and readings.

The bodies are made by httpx, which writes RFC 7578 by itself.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack

import pytest
from board_bench import Page
from support.shown_board import ANA, board_of, client
from support.shown_fleet import ShownFleet, fleet_of

from gateway.board.forms import MOST_FILES
from gateway.board.limits import asker, upload_limit
from gateway.board.visitor import Role, Visitor
from gateway.tickets.attachments import MOST_BYTES

PNG = b"\x89PNG\r\n\x1a\n" + b"\0" * 2_000_000
PDF = b"%PDF-1.7\n"
VIEWER = Visitor("Vic", frozenset({Role.VIEW}), form_token="t0ken-of-vic")


@pytest.fixture
def fleet(tmp_path) -> Iterator[ShownFleet]:
    made = ShownFleet(tmp_path, fleet_of(1, 1))
    made.commit(made.alarm(0))
    yield made
    made.close()


def number_of(fleet: ShownFleet) -> str:
    return fleet.records.tickets()[0].number


def sent(fleet: ShownFleet, files, visitor: Visitor = ANA, **fields: str):
    """The upload form as the ticket's page sends it."""
    data = {"form_token": visitor.form_token, **fields}
    path = f"/tickets/{number_of(fleet)}/files"
    return client(board_of(fleet, visitor)).post(
        path, data=data, files=[("files", file) for file in files]
    )


def test_photos_and_documents_are_kept_whole_and_in_one_entry_of_the_audit_trail(fleet):
    response = sent(fleet, [("screen \u2116 1.png", PNG), ("report.pdf", PDF)])
    assert response.status_code == 303
    number = number_of(fleet)
    browser = client(board_of(fleet))
    page = Page(browser.get(response.headers["location"].replace("../", "/tickets/")).text)
    assert "Recorded: what you attached." in page.text
    assert "screen \u2116 1.png" in page.text
    assert browser.get(f"/tickets/{number}/files/1").content == PNG
    assert browser.get(f"/tickets/{number}/files/2").content == PDF
    [entry] = fleet.records.audit.entries()
    assert (entry.actor.shown_name, entry.action) == ("Ana Reis", "ticket: file attached")
    assert entry.after == {"files": ["screen \u2116 1.png", "report.pdf"]}


@pytest.mark.parametrize(
    ("files", "status", "says"),
    [
        ([("a.png", PNG), ("run.exe", b"MZ" + b"\0" * 99)], 422, "neither a photo"),
        ([("a.svg", b"<svg onload='alert(1)'/>")], 422, "neither a photo"),
        ([("large.png", PNG[:8] + b"\0" * (MOST_BYTES + 1))], 422, "10 MB is the most"),
        ([("x.png", PNG[:8] + b"\0" * (3 * MOST_BYTES))], 413, "30 MB are the most"),
        ([(f"{i}.png", PNG[:8] + bytes([i])) for i in range(MOST_FILES + 1)], 400, "more than 5"),
        ([("", b"")], 422, "No file was chosen"),
    ],
)
def test_what_cannot_be_kept_is_told_and_nothing_of_it_is_kept(fleet, files, status, says):
    response = sent(fleet, files)
    assert response.status_code == status
    assert says in Page(response.text).text
    detail = fleet.records.ticket(number_of(fleet))
    assert detail is not None
    assert detail.attachments == ()
    assert fleet.records.audit.entries() == []


@pytest.mark.parametrize(
    "body", [b"", b"--x\r\n\r\n", b'--x\r\nContent-Disposition: form-data; name="files"\r\n\r\n1']
)
@pytest.mark.parametrize("kind", ["multipart/form-data", "multipart/form-data; boundary=x"])
def test_a_body_that_is_cut_or_none_is_told(fleet, body, kind):
    response = client(board_of(fleet)).post(
        f"/tickets/{number_of(fleet)}/files", content=body, headers={"content-type": kind}
    )
    assert response.status_code in {400, 403}
    assert Page(response.text).text


def test_only_who_works_on_tickets_attaches_and_only_from_the_page(fleet):
    assert sent(fleet, [("a.png", PNG)], VIEWER).status_code == 403
    assert sent(fleet, [("a.png", PNG)], form_token="of another visit").status_code == 403
    assert client(board_of(fleet)).post(
        "/tickets/BW-999999/files", data={"form_token": ANA.form_token}, files={"files": PNG}
    ).status_code == 404  # fmt: skip
    detail = fleet.records.ticket(number_of(fleet))
    assert detail is not None
    assert detail.attachments == ()


def test_a_few_files_at_once_are_taken_of_pages_and_programs_together(fleet):
    board = board_of(fleet)
    board.uploads = limit = upload_limit(in_all=2, of_one=1)
    browser = client(board)
    data = {"form_token": ANA.form_token}
    path = f"/tickets/{number_of(fleet)}/files"
    mine = asker(ANA)
    for others, status in ([mine], 429), (["token 8", "token 9"], 503):
        with ExitStack() as busy:
            for who in others:
                busy.enter_context(limit.one_more(who))
            refused = browser.post(path, data=data, files={"files": ("a.pdf", PDF)})
        assert refused.status_code == status
        assert "Nothing was kept." in Page(refused.text).text
    assert fleet.records.audit.entries() == []
    taken = browser.post(path, data=data, files={"files": ("a.pdf", PDF)})
    assert taken.status_code == 303


def close(fleet: ShownFleet, **fields: str):
    path = f"/tickets/{number_of(fleet)}"
    browser = client(board_of(fleet))
    seen = Page(browser.get(path).text).fields()["seen"]
    data = {"form_token": ANA.form_token, "seen": seen, "act": "close", "found": "Leaves"}
    return browser.post(path, data=data | fields)


def test_a_close_out_keeps_readings_before_and_after_in_the_signals_unit(fleet):
    response = close(
        fleet, part0="pump-screen", found0="Full of leaves", did0="Cleaned", used0="Gasket",
        reading0="spray_pressure", before0="58,5", after0="84",
    )  # fmt: skip
    assert response.status_code == 303
    detail = fleet.records.ticket(number_of(fleet))
    assert detail is not None
    [found] = detail.findings
    [reading] = found.finding.readings
    assert (reading.what, reading.before, reading.after, reading.unit) == (
        "spray_pressure", 58.5, 84.0, "kPa"
    )  # fmt: skip


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({"part0": "coil", "found0": "x", "reading0": "spray_pressure", "before0": "58 kPa"},
         "'58 kPa' is no number"),
        ({"part0": "coil", "found0": "x", "before0": "58"}, "Say the name of a reading"),
        ({"reading0": "spray_pressure", "after0": "84"}, "Say at which part"),
        ({"part0": "coil", "found0": "x", "reading0": "spray_pressure", "after0": "inf"},
         "needs a number"),
    ],
)  # fmt: skip
def test_a_reading_that_cannot_be_meant_is_told_and_what_was_written_stays(fleet, fields, says):
    response = close(fleet, **fields)
    assert response.status_code == 409
    page = Page(response.text)
    assert says in page.text
    given = [a.get("value") for a in page.all("input")]
    assert all(v in given for k, v in fields.items() if k.startswith(("before", "after")))
    detail = fleet.records.ticket(number_of(fleet))
    assert detail is not None
    assert not detail.findings
