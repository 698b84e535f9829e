"""``basinward visits``: a planner's day at the command line, on real records."""

from __future__ import annotations

import json
import time
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from config_fleet import ENVIRON
from pypdf import PdfReader
from typer.testing import CliRunner, Result
from visit_rig import configured, worn_records

from gateway.accounts.actors import How
from gateway.cli.app import app
from gateway.records import Records

PADS = "quay-cold-store/ac-1/pads"


class Desk:
    """A fleet directory and a data directory, and the commands on them."""

    def __init__(self, folder: Path) -> None:
        self.fleet, self.data = folder / "fleet", folder / "data"
        self.data.mkdir()
        configured(self.fleet)
        worn_records(self.data, time.time_ns() // 1_000_000).close()

    def run(self, *arguments: str) -> Result:
        return CliRunner(env=ENVIRON).invoke(app, ["visits", "--data", str(self.data), *arguments])

    def ok(self, *arguments: str) -> str:
        result = self.run(*arguments)
        assert result.exit_code == 0, result.output
        return result.output

    def propose(self, *more: str) -> str:
        return self.ok("propose", "--fleet", str(self.fleet), "--seconds", "60", *more)

    def records(self) -> Records:
        return Records(f"sqlite:///{self.data / 'records.sqlite'}")


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path)


def next_day(weekday: int) -> str:
    """A day of the week, a week or two ahead."""
    today = datetime.now(UTC).date()
    ahead = (weekday - today.weekday()) % 7 + 7
    return (today + timedelta(days=ahead)).isoformat()


def test_a_plan_is_made_shown_and_listed(desk: Desk) -> None:
    assert "No visit is planned" in desk.ok()
    assert "No plan was made yet" in desk.ok("show")
    made = desk.propose()
    assert "V-000001" in made
    assert "crew hours" in made
    shown = desk.ok("show", "1")
    assert f"- {PADS}: pads, 2.5 h" in shown
    assert "is done with it" in shown or "are done with it" in shown
    assert "V-000001" in desk.ok()
    data = json.loads(desk.ok("--json"))
    assert data["plan"]["conflicts"] == []
    assert [v["number"] for v in data["visits"]] == ["V-000001"]


def test_a_planners_wishes_change_the_plan(desk: Desk) -> None:
    desk.propose()
    thursday = next_day(3)
    said = desk.ok("move", "1", "--day", thursday, "--by", "P. Lane", "--note", "audit")
    assert "Wish 1 recorded" in said
    desk.propose()
    (visit,) = json.loads(desk.ok("--json"))["visits"]
    assert visit["day"] == thursday
    assert "P. Lane: audit" in desk.ok("show")
    desk.ok("pin", visit["number"], "--by", "P. Lane")
    desk.ok("split", visit["number"], "--by", "P. Lane", "--job", PADS)
    desk.ok("unwish", "1", "--by", "P. Lane")
    desk.ok("unwish", "2", "--by", "P. Lane")
    desk.propose()
    visits = json.loads(desk.ok("--json"))["visits"]
    keys = [{j["key"] for s in v["course"]["stops"] for j in s["jobs"]} for v in visits]
    assert all(PADS not in some or some == {PADS} for some in keys)
    number = visits[0]["number"]
    last = (date.fromisoformat(visits[0]["day"]) + timedelta(days=3)).isoformat()
    desk.ok("refuse", number, "--until", last, "--by", "P. Lane")
    desk.propose()
    later = [v["day"] for v in json.loads(desk.ok("--json"))["visits"]]
    assert all(day > last for day in later) or len(later) > 1


def test_a_visit_is_confirmed_packed_and_cancelled(desk: Desk, tmp_path: Path) -> None:
    desk.propose()
    fleet = ("--fleet", str(desk.fleet))
    assert "van-1@north.example" in desk.ok("confirm", "1", "--by", "P. Lane", *fleet)
    out = tmp_path / "pack.pdf"
    desk.ok("pack", "1", "--out", str(out), *fleet)
    assert "WORK PACK" in PdfReader(out).pages[0].extract_text()
    with desk.records()._database.read() as connection:
        assert connection.exec_driver_sql("SELECT count(*) FROM outbox_letters").scalar() == 1
    assert "are told" in desk.ok("cancel", "1", "--by", "P. Lane", *fleet)
    assert "confirmed" not in desk.ok()


def test_a_visit_of_a_crew_that_was_taken_away_is_cancelled(desk: Desk) -> None:
    desk.propose()
    fleet = ("--fleet", str(desk.fleet))
    desk.ok("confirm", "1", "--by", "P. Lane", *fleet)
    (desk.fleet / "crews.toml").unlink()
    said = desk.ok("cancel", "1", "--by", "P. Lane", *fleet)
    assert "cancelled; van-1@north.example are told" in said


@pytest.mark.parametrize(
    ("arguments", "status", "said"),
    [
        (("show", "99"), 1, "There is no visit '99'"),
        (("move", "1", "--by", "P. Lane"), 2, "Say where to"),
        (("split", "1", "--by", "P. Lane"), 2, "Name the jobs to take out"),
        (("split", "1", "--by", "P. Lane", "--job", "x"), 2, "has no job 'x'"),
        (("pin", "1", "--by", " "), 1, "Say who you are"),
        (("unwish", "7", "--by", "P. Lane"), 1, "There is no wish 7"),
    ],
)
def test_what_cannot_be_done_says_so(
    desk: Desk, arguments: tuple[str, ...], status: int, said: str
) -> None:
    desk.propose()
    result = desk.run(*arguments)
    assert result.exit_code == status
    assert said in result.output


def test_without_crews_it_says_what_to_write(desk: Desk) -> None:
    (desk.fleet / "crews.toml").unlink()
    result = desk.run("propose", "--fleet", str(desk.fleet))
    assert result.exit_code == 1
    assert "Write crews.toml" in result.output


def test_a_season_is_lived_the_same_way_again(desk: Desk) -> None:
    asked = ("season", "--sites", "3", "--crews", "1", "--weeks", "8", "--json")
    first, again = json.loads(desk.ok(*asked)), json.loads(desk.ok(*asked))
    assert first == again
    other = json.loads(desk.ok(*asked, "--seed", "2"))
    assert other != first
    assert set(first) == {"plan", "calendar", "failure"}
    assert first["failure"]["site_visits"] == first["failure"]["call_outs"]


def test_each_decision_leaves_an_entry_of_who_ran_the_command_and_for_whom(desk: Desk) -> None:
    fleet = ("--fleet", str(desk.fleet))
    desk.propose()
    desk.ok("pin", "1", "--by", "P. Lane", "--note", "Audit")
    desk.ok("unwish", "1", "--by", "P. Lane")
    desk.ok("confirm", "1", "--by", "P. Lane", *fleet)
    desk.ok("cancel", "1", "--by", "P. Lane", "--note", "Roof closed", *fleet)
    entries = desk.records().audit.entries()[::-1]
    assert [(e.action, e.subject) for e in entries] == [
        ("visits: anew", "plan"),
        ("visit: pin", "V-000001"),
        ("visits: unwish", "wish 1"),
        ("visit: confirm", "V-000001"),
        ("visit: cancel", "V-000001"),
    ]
    assert {e.actor.how for e in entries} == {How.COMMAND}
    assert entries[0].after == {"proposed": ["V-000001"]}
    pin, confirm, cancel = entries[1].after, entries[3], entries[4]
    assert pin is not None
    assert (pin["by"], pin["note"], PADS in pin["needs"]) == ("P. Lane", "Audit", True)
    assert confirm.before is not None
    assert confirm.after is not None
    assert (confirm.before["state"], confirm.after["state"]) == ("proposed", "confirmed")
    assert confirm.after["told"] == ["van-1@north.example"]
    assert cancel.after is not None
    assert (cancel.after["state"], cancel.after["note"]) == ("cancelled", "Roof closed")


def test_what_is_refused_leaves_no_entry(desk: Desk) -> None:
    desk.propose()
    before = len(desk.records().audit.entries())
    for arguments in (
        ("pin", "1", "--by", " "),
        ("unwish", "7", "--by", "P. Lane"),
        ("confirm", "1", "--by", " ", "--fleet", str(desk.fleet)),
        ("cancel", "1", "--by", "P. Lane", "--fleet", str(desk.fleet)),
    ):
        assert desk.run(*arguments).exit_code == 1
    assert len(desk.records().audit.entries()) == before
    assert desk.records().visit_wishes() == []


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("move", "1", "--day", "2020-01-01"), "A plan begins tomorrow"),
        (("move", "1", "--day", "TODAY"), "A plan begins tomorrow"),
        (("refuse", "1", "--until", "2020-01-01"), "A plan begins tomorrow"),
        (("move", "1", "--crew", "van-9", "--fleet", "FLEET"), "There is no crew 'van-9'"),
    ],
)
def test_a_wish_that_no_plan_could_keep_is_refused(
    desk: Desk, arguments: tuple[str, ...], said: str
) -> None:
    desk.propose()
    means = {"TODAY": datetime.now(UTC).date().isoformat(), "FLEET": str(desk.fleet)}
    result = desk.run(*(means.get(one, one) for one in arguments), "--by", "P. Lane")
    assert result.exit_code == 1
    assert said in result.output
    assert desk.records().visit_wishes() == []


def test_a_visit_that_is_off_takes_no_wish(desk: Desk) -> None:
    desk.propose()
    fleet = ("--fleet", str(desk.fleet))
    desk.ok("confirm", "1", "--by", "P. Lane", *fleet)
    desk.ok("cancel", "1", "--by", "P. Lane", *fleet)
    result = desk.run("pin", "1", "--by", "P. Lane")
    assert result.exit_code == 1
    assert "is cancelled, so no wish is about it" in result.output


def test_a_crew_that_cannot_be_looked_up_is_taken_and_said(desk: Desk, tmp_path: Path) -> None:
    desk.propose()
    asked = ("move", "1", "--crew", "van-1", "--by", "P. Lane", "--fleet", str(tmp_path / "none"))
    result = desk.run(*asked)
    assert result.exit_code == 0
    assert "name the configuration with --fleet" in result.output
