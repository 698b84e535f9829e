"""``basinward alarms`` and ``basinward baselines``: lists, actions and figures on real records."""

from __future__ import annotations

import json
import time

import pytest
from support.records import HOUR_MS, open_records, raised, returned
from typer.testing import CliRunner

from gateway.cli.app import app
from rules.events import ActionKind, BaselineChange, Severity, StepResult

RUNNER = CliRunner()
BY = ("--by", "Rui Prata", "--note", "Belt on order")


@pytest.fixture
def now_ms():
    return time.time_ns() // 1_000_000


@pytest.fixture
def data(tmp_path, now_ms):
    """Two days ago a fan fault, which stands; an hour ago a pump alarm, which returned."""
    records = open_records(tmp_path)
    learned = BaselineChange(0, "pump_current", "pump running", 3.61, 0.02, 72, now_ms, "A")
    records.commit(1, StepResult((raised(now_ms - 48 * HOUR_MS),), (learned,)), [], now_ms)
    second = raised(now_ms - HOUR_MS, Severity.HIGH, row=2, fault="pump-not-running")
    gone = returned(now_ms - HOUR_MS + 30_000, row=2, fault="pump-not-running")
    records.commit(2, StepResult((second, gone)), [], now_ms)
    records.close()
    return tmp_path


def run(data, group, *arguments):
    return RUNNER.invoke(app, [group, "--data", str(data), *arguments])


def pending(data):
    records = open_records(data)
    (action,) = records.pending_actions()
    records.close()
    return action


def test_the_list_names_what_is_not_normal_the_gravest_first(data):
    lines = run(data, "alarms").stdout.splitlines()
    assert lines[0].split() == ["alarm", "site", "unit", "fault", "since"]
    assert "quay-cold-store" in lines[1]
    assert lines[1].startswith("medium, unacknowledged ")
    assert "returned unacknowledged" in lines[2]
    items = json.loads(run(data, "alarms", "--json").stdout)
    assert [i["fault"] for i in items] == ["fan-fault", "pump-not-running"]
    assert run(data, "alarms", "--site", "nowhere").stdout == "All alarms are normal.\n"


def test_a_shelf_is_asked_for_with_an_end(data, now_ms):
    result = run(data, "alarms", "shelve", "quay-cold-store", "ac-1", "fan-fault", "--for", "3d",
                 "--by", "Rui Prata", "--note", "Belt on order")  # fmt: skip
    assert result.exit_code == 0, result.output
    action = pending(data)
    assert (action.kind, action.fault, action.by) == (ActionKind.SHELVE, "fan-fault", "Rui Prata")
    assert action.until_ms - now_ms == pytest.approx(72 * HOUR_MS, abs=HOUR_MS / 6)


@pytest.mark.parametrize("text", ["3", "three days", "-1h", "0m", "1e9d"])
def test_a_length_of_time_that_cannot_be_is_refused(data, text):
    result = run(data, "alarms", "shelve", "quay-cold-store", "ac-1", "fan-fault", f"--for={text}",
                 "--by", "Rui", "--note", "x")  # fmt: skip
    assert result.exit_code == 2
    assert "Write 90m, 8h or 3d" in result.output


@pytest.mark.parametrize(
    "command",
    [
        ("alarms", "figures"),
        ("alarms", "shelve", "quay-cold-store", "ac-1", "fan-fault", "--for", "8h", *BY),
        ("alarms", "unshelve", "quay-cold-store", "ac-1", "fan-fault", *BY),
        ("alarms", "reset", "quay-cold-store", "ac-1", "fan-fault", *BY),
        ("alarms", "out-of-service", "quay-cold-store", "ac-1", *BY),
        ("alarms", "in-service", "quay-cold-store", "ac-1", *BY),
        ("baselines", "reset", "quay-cold-store", "ac-1", *BY),
        ("baselines", "freeze", "quay-cold-store", "ac-1", *BY),
        ("baselines", "release", "quay-cold-store", "ac-1", *BY),
    ],
    ids=" ".join,
)
def test_the_data_directory_may_stand_behind_the_command(data, tmp_path, command):
    nowhere = str(tmp_path / "nowhere")
    behind = RUNNER.invoke(app, [command[0], "--data", nowhere, *command[1:], "--data", str(data)])
    assert behind.exit_code == 0, behind.output
    ahead = RUNNER.invoke(app, [command[0], "--data", nowhere, *command[1:]])
    assert ahead.exit_code == 1
    assert nowhere in ahead.output


def test_an_own_rules_alarm_can_be_shelved(data):
    result = run(data, "alarms", "shelve", "quay-cold-store", "ac-1", "own-weak-spray", "--for",
                 "8h", "--by", "Rui Prata", "--note", "Valve on order")  # fmt: skip
    assert result.exit_code == 0, result.output
    assert pending(data).fault == "own-weak-spray"


def test_an_unknown_fault_is_answered_with_the_nearest(data):
    result = run(data, "alarms", "reset", "quay-cold-store", "ac-1", "fan-falt", "--by", "Rui")
    assert result.exit_code == 2
    assert "Did you mean 'fan-fault'?" in result.output


@pytest.mark.parametrize(
    ("command", "kind"),
    [
        (("alarms", "unshelve", "quay-cold-store", "ac-1", "fan-fault"), ActionKind.UNSHELVE),
        (("alarms", "reset", "quay-cold-store", "ac-1", "fan-fault"), ActionKind.RESET),
        (("alarms", "in-service", "quay-cold-store", "ac-1"), ActionKind.IN_SERVICE),
        (("baselines", "release", "quay-cold-store", "ac-1"), ActionKind.RELEASE_BASELINE),
    ],
)
def test_plain_actions_are_recorded(data, command, kind):
    result = run(data, command[0], *command[1:], "--by", "Rui Prata")
    assert result.exit_code == 0, result.output
    assert pending(data).kind is kind


def test_a_unit_goes_out_of_service_with_a_reason(data):
    result = run(data, "alarms", "out-of-service", "quay-cold-store", "ac-1", "--by", "Rui",
                 "--note", "Cleaning")  # fmt: skip
    assert result.exit_code == 0, result.output
    action = pending(data)
    assert (action.kind, action.until_ms, action.note) == (ActionKind.OUT_OF_SERVICE, 0, "Cleaning")


def test_the_figures_are_told_beside_their_targets(data):
    result = run(data, "alarms", "figures", "--days", "7")
    assert result.exit_code == 0, result.output
    assert "2 of them alarms raised" in result.stdout
    assert max(map(len, result.stdout.splitlines())) <= 80
    (per_day,) = (line for line in result.stdout.splitlines() if line.startswith("  a day "))
    assert per_day.split(maxsplit=3)[2:] == ["0.29", "about 144, at most 288"]
    assert "quay-cold-store ac-1  fan-fault" in result.stdout
    figures = json.loads(run(data, "alarms", "figures", "--days", "7", "--json").stdout)
    assert figures["stale_most"] == 1
    assert figures["fleeting"][0]["unit"] == "hill-dairy ac-1"
    assert figures["priority_pct"] == {"low": 0.0, "medium": 50.0, "high": 50.0}


def test_baselines_are_listed_and_reset_by_part(data):
    lines = run(data, "baselines").stdout.splitlines()
    assert "3.61 A" in lines[1]
    result = run(data, "baselines", "reset", "quay-cold-store", "ac-1", "--part", "coil",
                 "--by", "Rui", "--note", "New coil")  # fmt: skip
    assert result.exit_code == 0, result.output
    action = pending(data)
    assert (action.kind, action.parts) == (ActionKind.RESET_BASELINE, ("coil",))


def test_an_unknown_part_is_refused_and_the_ticket_stays_open(data):
    result = run(data, "tickets", "close", "1", "--by", "Rui", "--found", "x", "--cleaned", "nose")
    assert result.exit_code == 1
    assert "Parts are pump-screen, distribution" in result.output
    assert json.loads(run(data, "tickets", "--json").stdout)[-1]["state"] == "open"


def test_closing_with_a_cleaned_part_asks_for_a_new_baseline(data):
    result = run(data, "tickets", "close", "1", "--by", "Rui", "--found", "Leaves",
                 "--cleaned", "pump-screen", "--cleaned", "distribution")  # fmt: skip
    assert result.exit_code == 0, result.output
    action = pending(data)
    assert (action.kind, action.parts) == (ActionKind.CLEANED, ("pump-screen", "distribution"))


def test_what_is_asked_for_stands_in_the_audit_trail_once_it_is_recorded(data):
    run(data, "alarms", "shelve", "quay-cold-store", "ac-1", "fan-fault", "--for", "3d", *BY)
    run(data, "baselines", "reset", "quay-cold-store", "ac-1", "--part", "pads", *BY)
    assert run(data, "alarms", "shelve", "quay-cold-store", "ac-9", "fan-fault", "--for", "3d",
               *BY).exit_code == 1  # fmt: skip
    records = open_records(data)
    reset, shelve = records.audit.entries()
    asked = records.pending_actions()
    records.close()
    assert (shelve.action, shelve.subject) == (
        "shelve asked for", "quay-cold-store/ac-1 fan-fault"
    )  # fmt: skip
    assert shelve.before == {"alarm": "unacknowledged"}
    assert shelve.after == {
        "request": asked[0].id, "by": "Rui Prata", "note": "Belt on order",
        "until_ms": asked[0].until_ms,
    }  # fmt: skip
    assert (reset.subject, reset.after["parts"]) == ("quay-cold-store/ac-1", "pads")
