"""``basinward alarms`` and ``basinward baselines``: lists, actions and figures on real records."""

from __future__ import annotations

import json
import time

import pytest
from support.fleet_files import write_fleet
from support.records import HOUR_MS, moved, open_records, raised, returned
from typer.testing import CliRunner

from gateway.cli.app import app
from rules.events import (
    ActionKind,
    AlarmState,
    BaselineChange,
    Change,
    Severity,
    StepResult,
)

RUNNER = CliRunner()
OWN_RULE = """
[[rules]]
id = "weak-spray"
title = "Spray weak"
condition = "spray_pressure < 80 kPa and pump_running"
priority = "medium"
text = "See that valve V3 is open."
"""
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


def bring(data, now_ms, change, state):
    """The fan's alarm comes to a state."""
    records = open_records(data)
    records.commit(3, StepResult((moved(now_ms, change, state),)), [], now_ms)
    records.close()


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
def test_the_data_directory_may_stand_behind_the_command(data, tmp_path, now_ms, command):
    if command[:2] == ("alarms", "unshelve"):
        bring(data, now_ms, Change.SHELVED, AlarmState.SHELVED)
    elif command[:2] == ("alarms", "reset"):
        bring(data, now_ms, Change.ACKNOWLEDGED, AlarmState.LATCHED_ACKNOWLEDGED)
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
    assert "name the configuration with --fleet" in " ".join(result.output.split())


def test_an_unknown_fault_is_answered_with_the_nearest(data):
    result = run(data, "alarms", "reset", "quay-cold-store", "ac-1", "fan-falt", "--by", "Rui")
    assert result.exit_code == 2
    assert "Did you mean 'fan-fault'?" in result.output


@pytest.mark.parametrize(
    ("command", "change", "state", "why"),
    [
        ("reset", None, None, "Its condition still stands."),
        ("reset", Change.RETURNED, AlarmState.RETURNED_UNACKNOWLEDGED, "It does not latch"),
        ("reset", Change.RETURNED, AlarmState.NORMAL, "the alarm is normal"),
        ("reset", Change.RETURNED, AlarmState.LATCHED_UNACKNOWLEDGED, "Acknowledge it first"),
        ("unshelve", None, None, "It is not shelved."),
        ("shelve", Change.SUPPRESSED, AlarmState.SUPPRESSED, "another alarm of this unit explains"),
        ("shelve", Change.SHELVED, AlarmState.SHELVED, "It is shelved already"),
        ("shelve", Change.OUT_OF_SERVICE, AlarmState.OUT_OF_SERVICE, "Its unit is out of service"),
    ],
)
def test_what_would_do_nothing_is_refused_with_the_reason(
    data, now_ms, command, change, state, why
):
    if change is not None:
        bring(data, now_ms, change, state)
    options = ("--for", "8h", *BY) if command == "shelve" else BY
    result = run(data, "alarms", command, "quay-cold-store", "ac-1", "fan-fault", *options)
    assert result.exit_code == 1
    said = " ".join(result.output.split())
    assert f"quay-cold-store/ac-1 fan-fault: '{command}' would do nothing." in said
    assert why in said
    records = open_records(data)
    assert records.pending_actions() == []
    records.close()


def test_a_healthy_alarm_of_a_unit_out_of_service_is_not_shelved_in_vain(data, now_ms):
    """The rules tell nothing of healthy alarms when a unit goes out of service."""
    shelve = ("shelve", "quay-cold-store", "ac-2", "fan-fault", "--for", "8h", *BY)
    records = open_records(data)
    for offset, kind in ((3, ActionKind.OUT_OF_SERVICE), (4, ActionKind.IN_SERVICE)):
        asked = records.request_action(
            kind, "quay-cold-store", "ac-2", by="Rui", note="Cleaning", now_ms=now_ms
        )
        records.mark_journalled([asked], offset)
        records.commit(offset, StepResult(), [], now_ms, [asked])
        result = run(data, "alarms", *shelve)
        assert result.exit_code == (1 if kind is ActionKind.OUT_OF_SERVICE else 0), result.output
        assert ("Its unit is out of service" in result.output) == (result.exit_code == 1)
    records.close()


def test_behind_another_request_a_request_is_taken(data, now_ms):
    """What the first one brings cannot be known yet: latched, acknowledged, then reset."""
    bring(data, now_ms, Change.RETURNED, AlarmState.LATCHED_UNACKNOWLEDGED)
    records = open_records(data)
    records.request_action(
        ActionKind.ACKNOWLEDGE, "quay-cold-store", "ac-1", fault="fan-fault", by="Rui",
        now_ms=now_ms,
    )  # fmt: skip
    result = run(data, "alarms", "reset", "quay-cold-store", "ac-1", "fan-fault", *BY)
    assert result.exit_code == 0, result.output
    assert [a.kind for a in records.pending_actions()] == [ActionKind.ACKNOWLEDGE, ActionKind.RESET]
    records.close()


def test_an_own_rule_that_is_not_in_the_files_is_refused_with_the_nearest(data, tmp_path):
    fleet = write_fleet(tmp_path / "fleet", broker_port=1, mail_port=2)
    with (fleet / "fleet.toml").open("a") as file:
        file.write(OWN_RULE)
    shelve = ("--for", "8h", *BY, "--fleet", str(fleet))
    wrong = run(data, "alarms", "shelve", "quay-cold-store", "ac-1", "own-week-spray", *shelve)
    assert wrong.exit_code == 2
    assert "has no rule of its own called 'own-week-spray'" in " ".join(wrong.output.split())
    assert "Did you mean 'own-weak-spray'?" in wrong.output
    right = run(data, "alarms", "shelve", "quay-cold-store", "ac-1", "own-weak-spray", *shelve)
    assert right.exit_code == 0, right.output
    assert pending(data).fault == "own-weak-spray"


@pytest.mark.parametrize(
    ("command", "kind"),
    [
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
