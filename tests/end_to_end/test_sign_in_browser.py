"""Signing in, and a visit's end, in a real browser against the real process."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from support.data_files import open_records
from support.fleet_files import write_fleet
from support.ports import free_port
from support.records import open_records as new_records
from support.running_board import RunningBoard
from support.web_browser import Visit, browser

from gateway.accounts.actors import Actor, How

ROOT = Path(__file__).parents[2]
PASSWORD = "pump under five blue lamps"
DESK = Actor("root", "root", How.COMMAND)


def prepared(where: Path) -> tuple[Path, Path, str]:
    """A fleet and data with one account, made as people make it; and the board's address."""
    port = free_port()
    fleet = write_fleet(where / "fleet", broker_port=1883, mail_port=1025)
    with (fleet / "fleet.toml").open("a") as file:
        file.write(f'\n[board]\nport = {port}\npublic_url = "http://127.0.0.1:{port}"\n')
    data = where / "data"
    data.mkdir()
    new_records(data).close()
    subprocess.run(
        [sys.executable, "-m", "gateway.cli", "accounts", "--data", str(data), "add", "rui",
         "--shown-name", "Rui Prata", "--role", "view", "--password-env", "PASSWORD_OF_RUI"],
        cwd=ROOT, env=os.environ | {"PASSWORD_OF_RUI": PASSWORD}, check=True,
    )  # fmt: skip
    return fleet, data, f"http://127.0.0.1:{port}"


def sign_in(visit: Visit, name: str, password: str) -> None:
    visit.page.get_by_label("Name").fill(name)
    visit.page.get_by_label("Password").fill(password)
    visit.page.get_by_role("button", name="Sign in").click()


def test_one_signs_in_goes_on_where_one_was_and_must_again_when_the_visit_ends(
    tmp_path: Path,
) -> None:
    fleet, data, url = prepared(tmp_path)
    with (
        RunningBoard(fleet, data) as board,
        open_records(data) as records,
        browser(390, 844, script=False) as visit,
    ):
        page = visit.page
        page.goto(f"{url}/account?from=a%20link")
        assert page.title().startswith("Sign in")
        # By keyboard alone: the fields come in order, and the end of the line sends them.
        page.get_by_label("Name").focus()
        page.keyboard.type("rui")
        page.keyboard.press("Tab")
        page.keyboard.type("not the password")
        page.keyboard.press("Enter")
        page.get_by_role("alert").wait_for()
        assert "name or the password is wrong" in page.get_by_role("alert").inner_text()
        assert page.get_by_label("Name").input_value() == "rui"
        assert page.get_by_label("Password").input_value() == ""

        sign_in(visit, "rui", PASSWORD)
        page.get_by_role("heading", name="Rui Prata", exact=True).wait_for()
        assert page.url == f"{url}/account?from=a%20link"
        cookies = {c["name"]: c for c in page.context.cookies()}
        session = cookies["basinward-session"]
        assert (session["httpOnly"], session["sameSite"], session["path"]) == (True, "Lax", "/")
        assert session["expires"] == -1, "it ends with the browser"

        # The visit ends by another hand while the page is open; what is sent then changes nothing.
        records.accounts.end_sessions("rui", DESK, 1)
        page.get_by_label("Present password").fill(PASSWORD)
        page.get_by_label("New password").fill("seven green valves in rain")
        page.get_by_role("button", name="Change the password").click()
        page.get_by_role("heading", name="Sign in first").wait_for()
        page.goto(f"{url}/account")
        assert "Your visit has ended" in page.get_by_role("alert").inner_text()

        sign_in(visit, "rui", PASSWORD)
        page.get_by_role("heading", name="Rui Prata", exact=True).wait_for()
        page.get_by_role("button", name="Sign out", exact=True).click()
        page.get_by_role("heading", name="Sign in").wait_for()
        assert page.get_by_role("alert").count() == 0
        page.go_back()
        page.reload()
        page.get_by_role("heading", name="Sign in").wait_for()

        assert [e.action for e in reversed(records.audit.entries())] == [
            "account added", "signed in", "signed out everywhere", "signed in", "signed out",
        ]  # fmt: skip
        refusals = ("403 (Forbidden)", "401 (Unauthorized)")
        assert [line for line in visit.said if not any(r in line for r in refusals)] == []
        assert {address.split("/")[2] for address in visit.asked_for} == {url.split("/")[2]}
        secrets = [PASSWORD, "not the password", *(c["value"] for c in page.context.cookies())]
        assert not [secret for secret in [*secrets, session["value"]] if secret in board.log]


def test_the_page_behind_a_mails_link_needs_no_account(tmp_path: Path) -> None:
    fleet, data, url = prepared(tmp_path)
    with RunningBoard(fleet, data), browser(390, 844, script=False) as visit:
        visit.page.goto(f"{url}/ack/BW-000001-1-abc-{'a' * 26}")
        visit.page.get_by_role("heading", name="This link cannot be used").wait_for()
        assert visit.page.context.cookies() == []
