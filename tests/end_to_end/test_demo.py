"""The demonstration as a stranger meets it: one command, a fleet with a past, tickets, mails."""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
from email import message_from_bytes, policy
from pathlib import Path

import pytest

# The demonstration ends as soon as it has shown all; a busy machine takes longer.
pytestmark = pytest.mark.timeout(1000)

COMMAND = [sys.executable, "-m", "gateway.cli", "demo"]

# What the scenario holds (simulator/demo_fleet/scenario.toml), as the catalogue names it.
IN_THE_PAST = {
    "bleed-blocked", "coil-fouled", "distribution-restricted", "fan-fault", "fan-not-proven",
    "float-stuck-open", "float-stuck-shut", "level-frozen", "pump-not-running",
    "pump-screen-clogging",
}  # fmt: skip
WHILE_LIVE = {"site-cut-off", "unit-stale"}


def start(directory: Path, *options: str) -> subprocess.Popen[str]:
    """The demo in a process of its own."""
    return subprocess.Popen(
        [*COMMAND, "--data", str(directory), *options],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip


@pytest.fixture(scope="module")
def played(tmp_path_factory) -> tuple[Path, list[str], int]:
    """The whole demo, ended with Ctrl-C once the mail of the site that is cut off has come."""
    directory = tmp_path_factory.mktemp("demo") / "data"
    demo = start(directory, "--stop-after", "900")
    lines = []
    with demo:
        assert demo.stdout is not None
        try:
            for line in demo.stdout:
                lines.append(line.rstrip("\n"))
                if line.startswith("Mail: ") and "site cut off" in line:
                    demo.send_signal(signal.SIGINT)
        except BaseException:  # the limit of this test's time, above all: nobody waits on
            demo.kill()
            raise
    return directory, lines, demo.returncode


def test_it_ends_cleanly_with_one_json_object_as_its_last_line(played):
    _, lines, status = played
    assert status == 0, "\n".join(lines)
    tally = json.loads(lines[-1])
    assert tally["caught_up"] is True
    assert tally["frames_stored"] > 200_000
    assert tally["samples_stored"] > 10 * tally["frames_stored"]


def test_it_finds_every_kind_of_fault_of_its_scenario_and_no_other(played):
    tally = json.loads(played[1][-1])
    assert set(tally["alarms_raised"]) == IN_THE_PAST | WHILE_LIVE
    assert tally["tickets"] == 14


def test_every_mail_is_readable_and_carries_its_isolation_block(played):
    directory, lines, _ = played
    files = sorted((directory / "mail").glob("*.eml"))
    assert len(files) == json.loads(lines[-1])["mails"]
    written = [line for line in lines if line.startswith("Mail: ")]
    assert len(written) == len(files)
    # Low ones wait for a digest, which a demonstration that is ended early has not come to.
    urgent = [re.match(r"(BW-\d+) (?:high|medium):", line) for line in lines]
    numbers = {found[1] for found in urgent if found}
    assert len(numbers) >= 6
    assert {number for number in numbers if any(f"({number})" in line for line in written)} == (
        numbers
    )
    for file in files:
        message = message_from_bytes(file.read_bytes(), policy=policy.default)
        assert message["Auto-Submitted"] == "auto-generated"  # RFC 3834
        text = message.get_body(("plain",)).get_content()
        if message["Subject"].startswith(("[HAND-OVER]", "[DIGEST]")):
            assert "BW-" in text  # what a slow machine has come to by then
            continue
        assert "MAKE IT SAFE FIRST" in text
        assert "[ ]" in text
        assert message.get_body(("html",)) is not None
        attached = [part.get_content_type() for part in message.iter_attachments()]
        assert attached in ([], ["application/pdf"]), "nothing but the sheet to print"
    pages = sorted((directory / "mail").glob("0*.html"))
    assert len(pages) == len(files)
    assert not any("cid:" in page.read_text() for page in pages), "pictures are in the page"
    index = (directory / "mail" / "index.html").read_text()
    assert all(file.name in index for file in files)


def test_it_stops_by_itself_in_the_middle_of_its_past(tmp_path):
    done = subprocess.run(
        [*COMMAND, "--data", str(tmp_path / "d"), "--stop-after", "4"],
        capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout.splitlines()[-1])["caught_up"] is False


def test_it_refuses_a_directory_that_holds_something(tmp_path):
    (tmp_path / "mine.txt").write_text("keep me")
    done = subprocess.run(
        [*COMMAND, "--data", str(tmp_path)],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert done.returncode == 1
    assert "is not empty" in done.stderr
    assert (tmp_path / "mine.txt").read_text() == "keep me"
