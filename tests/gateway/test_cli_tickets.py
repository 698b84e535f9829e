"""``basinward tickets``: list, show, acknowledge, close, against real records."""

import json

import pytest
from support.records import HOUR_MS, NOW_MS, acknowledged, open_records, raised, returned, step
from typer.testing import CliRunner

from gateway.cli.app import app
from rules.events import ActionKind, Severity

RUNNER = CliRunner()


@pytest.fixture
def data(tmp_path):
    """Two tickets: BW-000001 of a fan (medium, standing), BW-000002 of a pump (low, returned)."""
    records = open_records(tmp_path)
    records.commit(1, step(raised(NOW_MS)), [], NOW_MS)
    second = raised(NOW_MS + HOUR_MS, Severity.LOW, row=2, fault="pump-screen-clogging")
    records.commit(2, step(second), [], NOW_MS + HOUR_MS)
    gone = returned(NOW_MS + 2 * HOUR_MS, row=2, fault="pump-screen-clogging")
    records.commit(3, step(gone), [], NOW_MS + 2 * HOUR_MS)
    records.close()
    return tmp_path


def _tickets(data, *arguments):
    return RUNNER.invoke(app, ["tickets", "--data", str(data), *arguments])


def test_the_list_is_newest_first_and_tells_what_stands(data):
    result = _tickets(data)
    assert result.exit_code == 0, result.output
    heading, first, second = result.stdout.splitlines()
    assert heading.split() == [
        "ticket", "priority", "state", "site", "unit", "fault", "opened", "readings",
    ]  # fmt: skip
    assert first.split()[:6] == [
        "BW-000002", "low", "open", "hill-dairy", "ac-1", "pump-screen-clogging",
    ]  # fmt: skip
    assert first.endswith("2026-03-01 10:30:00Z  normal again")
    assert second.split()[:6] == [
        "BW-000001", "medium", "open", "quay-cold-store", "ac-1", "fan-fault",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("options", "numbers"),
    [
        (("--site", "hill-dairy"), ["BW-000002"]),
        (("--unit", "ac-1"), ["BW-000002", "BW-000001"]),
        (("--unit", "ac-2"), []),
        (("--fault", "fan-fault"), ["BW-000001"]),
        (("--priority", "medium"), ["BW-000001"]),
        (("--priority", "high"), []),
        (("--state", "closed"), []),
        (("--state", "all"), ["BW-000002", "BW-000001"]),
        (("--limit", "1"), ["BW-000002"]),
    ],
)
def test_filters(data, options, numbers):
    result = _tickets(data, *options, "--json")
    assert [t["number"] for t in json.loads(result.stdout)] == numbers


def test_an_empty_list_says_so_and_a_cut_one_too(data):
    assert _tickets(data, "--state", "closed").stdout == "No closed tickets.\n"
    assert "The list ends at 1; --limit shows more." in _tickets(data, "--limit", "1").stdout


@pytest.mark.parametrize("number", ["BW-000001", "bw-000001", "1", "000001"])
def test_a_ticket_is_shown_with_evidence_history_and_mails(data, number):
    result = _tickets(data, "show", number)
    assert result.exit_code == 0, result.output
    assert "BW-000001  medium  open  quay-cold-store / ac-1  fan-fault" in result.stdout
    assert "The spray pressure is 31 % below the clean pump's. (confidence 80%)" in result.stdout
    assert "Spray pressure: 58 kPa, expected 84" in result.stdout
    assert "2026-03-01 09:30:00Z  opened" in result.stdout
    assert "mail, opened: pending rui@north.example (pending)" in result.stdout
    assert "the site's own energy-control procedure" in result.stdout


def test_json_of_a_ticket_holds_its_history(data):
    ticket = json.loads(_tickets(data, "show", "2", "--json").stdout)
    assert [e["kind"] for e in ticket["history"]] == ["opened", "returned"]
    assert ticket["returned_ms"] == NOW_MS + 2 * HOUR_MS
    assert [m["kind"] for m in ticket["mails"]][:1] == ["opened"]
    assert ticket["history"][0]["evidence"]["confidence"] == 0.8


def test_an_acknowledgement_waits_for_the_gateway(data):
    result = _tickets(data, "ack", "1", "--by", "Rui Prata")
    assert result.exit_code == 0, result.output
    assert result.stdout == (
        "BW-000001: acknowledgement by Rui Prata recorded; the gateway applies it within "
        "seconds, or when it next starts.\n"
    )
    records = open_records(data)
    (action,) = records.pending_actions()
    records.close()
    assert (action.kind, action.unit_row, action.fault, action.by) == (
        ActionKind.ACKNOWLEDGE, 0, "fan-fault", "Rui Prata",
    )  # fmt: skip


def test_a_second_acknowledgement_changes_nothing(data):
    records = open_records(data)
    records.commit(4, step(acknowledged(NOW_MS + HOUR_MS)), [], NOW_MS + HOUR_MS)
    records.close()
    result = _tickets(data, "ack", "1", "--by", "Ines")
    assert result.stdout == "BW-000001 was acknowledged before, by Rui Prata.\n"
    assert result.exit_code == 0
    records = open_records(data)
    assert records.pending_actions() == []
    records.close()


def test_closing_records_who_and_what_was_found(data):
    result = _tickets(
        data, "close", "1", "--by", "Rui Prata", "--found", "Bearing seized; changed."
    )
    assert result.stdout == "BW-000001: closed by Rui Prata.\n"
    (ticket,) = json.loads(_tickets(data, "--state", "closed", "--json").stdout)
    assert (ticket["closed_by"], ticket["finding"]) == ("Rui Prata", "Bearing seized; changed.")
    again = _tickets(data, "close", "1", "--by", "Ines", "--found", "x")
    assert again.exit_code == 1
    assert "was closed before, by Rui Prata. Nothing was changed." in again.stderr
    late = _tickets(data, "ack", "1", "--by", "Ines")
    assert late.exit_code == 1
    assert "was closed before, by Rui Prata. If the trouble is back" in late.stderr


def test_closing_without_words_is_refused(data):
    result = _tickets(data, "close", "1", "--by", "Rui Prata", "--found", "  ")
    assert result.exit_code == 1
    assert "closed by a person who says what was found" in result.stderr
    missing = _tickets(data, "close", "1", "--by", "Rui Prata")
    assert missing.exit_code == 2
    assert "Missing option '--found'" in missing.stderr


def test_an_unknown_ticket_ends_with_a_sentence(data):
    result = _tickets(data, "show", "77")
    assert result.exit_code == 1
    assert "There is no ticket '77'. Numbers are written as BW-000123" in result.stderr


def test_the_data_directory_may_follow_the_command(data):
    result = RUNNER.invoke(app, ["tickets", "show", "1", "--data", str(data)])
    assert result.exit_code == 0
    url = f"sqlite:///{data / 'records.sqlite'}"
    result = RUNNER.invoke(app, ["tickets", "show", "1", "--records", url])
    assert result.exit_code == 0


def test_a_directory_without_records_is_told_and_not_filled(tmp_path):
    result = _tickets(tmp_path)
    assert result.exit_code == 1
    assert "There are no records in" in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_records_that_are_no_database_end_with_a_sentence(tmp_path):
    (tmp_path / "records.sqlite").write_bytes(b"not a database, but long enough to look at" * 30)
    result = _tickets(tmp_path)
    assert result.exit_code == 1
    assert "the file is no database" in result.stderr


def test_a_url_that_cannot_be_read_ends_with_a_sentence(tmp_path):
    result = _tickets(tmp_path, "--records", "nonsense")
    assert result.exit_code == 1
    assert "The records' URL cannot be read" in result.stderr
