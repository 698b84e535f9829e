"""From the printed job sheet to a closed ticket, on a telephone, with real servers and processes.

The sheet of the mail is read by an independent PDF library, its QR code (ISO/IEC 18004) by an
independent decoder; the browser goes where the code leads.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from email.message import EmailMessage
from io import BytesIO
from pathlib import Path

import numpy as np
import zxingcpp
from pypdf import PdfReader
from support.data_files import open_records
from support.gateway_command import StartGateway
from support.ports import free_port
from support.running_board import RunningBoard
from support.senml_site import HEALTHY, PUMP_STANDS, SiteGateway
from support.smtp import MailCatcher
from support.web_browser import browser

ROOT = Path(__file__).parents[2]
UNIT = ("quay-cold-store", "ac-1")
STEP_S = 30
PASSWORD = "pump under five blue lamps"


def code_on_the_sheet(mail: EmailMessage) -> str:
    """What the QR code of the attached job sheet says."""
    [sheet] = [p for p in mail.iter_attachments() if p.get_content_type() == "application/pdf"]
    pages = PdfReader(BytesIO(sheet.get_content())).pages
    [picture] = [image.image for page in pages for image in page.images]
    assert picture is not None
    [code] = zxingcpp.read_barcodes(np.asarray(picture.convert("L")))
    return code.text


def test_the_code_on_the_sheet_leads_to_the_ticket_and_the_work_is_reported_there(
    gateway: StartGateway, site_gateway: SiteGateway, mail: MailCatcher, tmp_path: Path
) -> None:
    start_s = time.time() - 900
    times_s = [start_s + i * STEP_S for i in range(18)]
    prepared = gateway()
    port = free_port()
    with (prepared.fleet / "fleet.toml").open("a") as file:
        file.write(f'\n[board]\nport = {port}\npublic_url = "http://127.0.0.1:{port}"\n')
    photo = tmp_path / "screen.png"
    photo.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 1_000)
    with prepared as running:
        site_gateway.send(*UNIT, times_s[:10], HEALTHY)
        site_gateway.send(*UNIT, times_s[10:], PUMP_STANDS)
        [received] = mail.wait_for(1)
        subprocess.run(
            [sys.executable, "-m", "gateway.cli", "accounts", "--data", str(running.data), "add",
             "rui", "--shown-name", "Rui Prata", "--role", "view", "--role", "operate",
             "--password-env", "PASSWORD_OF_RUI"],
            cwd=ROOT, env=os.environ | {"PASSWORD_OF_RUI": PASSWORD}, check=True,
        )  # fmt: skip
        with (
            RunningBoard(running.fleet, running.data),
            open_records(running.data) as records,
            browser(390, 844) as visit,
        ):
            [ticket] = records.tickets()
            page = visit.page
            page.goto(code_on_the_sheet(received.message))
            page.get_by_label("Name").fill("rui")
            page.get_by_label("Password").fill(PASSWORD)
            page.get_by_role("button", name="Sign in").click()
            # Signed in, one is where the code led to, and is told of the lock before of the job.
            page.get_by_role("heading", name="Make it safe first").wait_for()
            assert page.url.endswith(f"/tickets/{ticket.number}")
            wide = page.evaluate("document.documentElement.scrollWidth")
            assert wide <= 390, "the page is wider than the telephone"

            page.get_by_role("button", name="I am on site").click()
            page.get_by_role("status").filter(has_text="isolates nothing").wait_for()
            page.get_by_text("Add photos or a document").click()
            page.get_by_label("Photos").set_input_files(photo)
            page.get_by_role("button", name=f"Add to {ticket.number}").click()
            page.get_by_role("link", name="screen.png").wait_for()
            page.get_by_role("button", name="Work done").click()
            page.get_by_role("status").filter(has_text="Wait here").wait_for()

            page.get_by_text("Close the ticket").click()
            page.get_by_label("What was found and done").fill("Screen full of leaves.")
            part = page.get_by_role("group", name="Part (may stay empty)", exact=True)
            part.get_by_role("combobox", name="Part", exact=True).select_option("pump-screen")
            part.get_by_role("textbox", name="Found").fill("Full of leaves")
            part.get_by_role("combobox", name="Reading").select_option("pump_current")
            part.get_by_role("textbox", name="Before").fill("0")
            part.get_by_role("textbox", name="After").fill("3,9")
            page.get_by_role("button", name=f"Close {ticket.number}").click()
            page.get_by_role("status").filter(has_text="Recorded: closed.").wait_for()
            page.get_by_text("Pump current: 0 before, 3.9 after A").wait_for()

            detail = records.ticket(ticket.number)
            assert detail is not None
            assert detail.ticket.closed_by == "Rui Prata"
            found = records.attachment(ticket.number, 1)
            assert found is not None
            assert found[1] == photo.read_bytes()
            done = [e.action for e in reversed(records.audit.entries()) if "ticket" in e.action]
            assert done == [
                "ticket: arrive", "ticket: file attached", "ticket: done", "ticket: close",
            ]  # fmt: skip
            assert visit.said == []
            assert {address.split("/")[2] for address in visit.asked_for} == {f"127.0.0.1:{port}"}
