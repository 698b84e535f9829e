"""oncall.toml with people who take turns: what is built from it, and what is wrong with it."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest
from config_fleet import ENVIRON, REAL_FLEET, REAL_SITE, replaced, write
from typer.testing import CliRunner

from gateway.cli.app import app
from gateway.config import ConfigurationFaults, load
from gateway.tickets.routing import Routing

ONCALL = """\
[people]
ana = { name = "Ana Ruivo", email = "ana@north.example" }
rui = { name = "Rui Prata", email = "rui@north.example" }
eva = { name = "Eva Lind", email = "eva@north.example" }

[teams.north]
name = "Northern crew"
time_zone = "Europe/Lisbon"
holidays = [2026-01-06]
planner = [{ name = "Planning", email = "planning@north.example" }]
monitoring = [{ name = "Centre", email = "centre@north.example" },
              { name = "Ana at the centre", email = "ANA@north.example" }]

[[teams.north.rotations]]
name = "first"
people = ["ana", "rui"]
first = 2026-01-05
hand_over = 08:00:00

[[teams.north.rotations]]
name = "second"
people = ["eva"]
first = 2026-01-05

[[teams.north.overrides]]
rotation = "first"
person = "eva"
begins = 2026-01-07T08:00:00
ends = 2026-01-08T08:00:00
"""


def ms(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


def routing(tmp_path: Path, oncall: str = ONCALL) -> Routing:
    return load(write(tmp_path, oncall=oncall, site=REAL_SITE, fleet=REAL_FLEET), ENVIRON).routing


def told(route: Routing, at: str, priority: str = "high") -> tuple[list[str], list[str]]:
    to, cc = route.recipients("quay-cold-store", priority, ms(at))  # type: ignore[arg-type]
    return [p.email for p in to], [p.email for p in cc]


def test_the_first_rotations_person_on_duty_is_told(tmp_path):
    route = routing(tmp_path)
    centre = "centre@north.example"
    # Whoever is told does not also get the copy, whatever the letters' case.
    assert told(route, "2026-01-05T09:00") == (["ana@north.example"], [centre])
    assert told(route, "2026-01-07T09:00") == (
        ["eva@north.example"], [centre, "ANA@north.example"],
    )  # fmt: skip
    assert told(route, "2026-01-12T08:00")[0] == ["rui@north.example"]
    assert told(route, "2026-01-12T08:00", "low") == (["planning@north.example"], [])


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('people = ["ana", "rui"]', 'people = ["ana", "rio"]', "'rio', which is not under"),
        ('person = "eva"', 'person = "eve"', "'eve', which is not under"),
        ('rotation = "first"', 'rotation = "frist"', "'frist'; there is first, second"),
        ('name = "second"', 'name = "first"', "two rotations are called 'first'"),
        ('name = "second"', 'name = "eva"', "a person and a rotation"),
        ("ends = 2026-01-08T08", "ends = 2026-01-07T08", "is not after begins"),
        ("ends = 2026-01-08T08:00:00", "ends = 2026-01-08T08:00:00Z", "without an offset"),
        ("Europe/Lisbon", "Europe/Lissabon", "is not a time zone"),
        ("first = 2026-01-05\nhand_over", 'first = "soon"\nhand_over', "rotations[0].first"),
        ('people = ["eva"]', "people = []", "people"),
    ],
)
def test_what_is_wrong_is_said(tmp_path, old: str, new: str, words: str):
    with pytest.raises(ConfigurationFaults) as caught:
        routing(tmp_path, replaced(ONCALL, old, new))
    said = " ".join(f"{p.file} {p.key} {p.what} {p.allowed}" for p in caught.value.problems)
    assert "oncall.toml" in said
    assert words in said


def test_a_team_needs_somebody_on_call(tmp_path):
    with pytest.raises(ConfigurationFaults) as caught:
        routing(
            tmp_path,
            '[teams.north]\nname = "N"\nplanner = [{name = "P", email = "p@north.example"}]\n',
        )
    assert "nobody is on call" in " ".join(p.what for p in caught.value.problems)


# --- the command ----------------------------------------------------------------------------------


def run(fleet: Path, *options: str):
    return CliRunner().invoke(app, ["oncall", "--fleet", str(fleet), *options], env=ENVIRON)


@pytest.fixture
def fleet(tmp_path: Path) -> Path:
    return write(tmp_path / "fleet", oncall=ONCALL, site=REAL_SITE, fleet=REAL_FLEET)


def test_the_calendar_is_shown_in_the_teams_own_time(fleet):
    result = run(fleet, "--from", "2026-03-24", "--days", "7")
    assert result.exit_code == 0, result.output
    lines = [" ".join(line.split()) for line in result.output.splitlines()]
    # The clock goes forward on 29 March 2026: the offset changes, the hand-over's time does not.
    assert (
        "north first Mon 2026-03-23 08:00 +0000 Mon 2026-03-30 08:00 +0100 Rui Prata "
        "rui@north.example" in lines
    )


def test_as_json_and_as_a_calendar_file(fleet, tmp_path):
    import json

    import icalendar

    found = json.loads(
        run(fleet, "--from", "2026-01-06", "--days", "3", "--json", "--team", "north").output
    )
    first = [d for d in found if d["rotation"] == "first"]
    assert [(d["person"], d["override"]) for d in first] == [
        ("ana", False), ("eva", True), ("ana", False),
    ]  # fmt: skip
    assert first[1]["from"] == "2026-01-07T08:00:00Z"
    file = tmp_path / "duties.ics"
    options = ("--days", "3", "--ics", str(file))
    assert run(fleet, "--from", "2026-01-06", *options).exit_code == 0
    events = icalendar.Calendar.from_ical(file.read_bytes()).walk("VEVENT")
    assert "On call (first): Eva Lind" in [str(e["SUMMARY"]) for e in events]
    # Run a day later, the duty that stands already is the same entry, not a second one.
    assert run(fleet, "--from", "2026-01-07T12:00", *options).exit_code == 0
    later = icalendar.Calendar.from_ical(file.read_bytes()).walk("VEVENT")
    eva = {str(e["UID"]) for e in events if "Eva" in e["SUMMARY"] and "first" in e["SUMMARY"]}
    assert eva <= {str(e["UID"]) for e in later}


def test_an_unknown_team_and_a_fault_in_the_file_end_with_1(fleet):
    result = run(fleet, "--team", "nord")
    assert result.exit_code == 1
    assert "There is: north" in result.stderr
    (fleet / "oncall.toml").write_text("[teams]\n")
    assert run(fleet).exit_code == 1


def test_a_team_without_turns_says_who_is_always_on_call(tmp_path):
    fleet = write(tmp_path, site=REAL_SITE, fleet=REAL_FLEET)
    result = run(fleet)
    assert "takes no turns; always on call: Ada Holm <ada@north.example>" in result.output


LISTS = """
[teams.north.digest]
at = [07:30:00]

[teams.north.shift_summary]
at = [06:00:00, 18:00:00]

[teams.north.outage]
sites = 6
"""


def test_when_lists_go_out(tmp_path: Path) -> None:
    """The sixth of January is a holiday of the team's, a Tuesday in 2026."""
    team = routing(tmp_path, ONCALL + LISTS).teams["north"]
    assert team.digest is not None
    assert team.digest.next_after_ms(ms("2026-01-05T12:00")) == ms("2026-01-07T07:30")
    assert team.hand_over is not None
    assert team.hand_over.next_after_ms(ms("2026-01-05T12:00")) == ms("2026-01-05T18:00")
    assert (team.outage.sites, team.outage.within_ms, team.outage.wait_ms) == (6, 900_000, 180_000)
    assert (team.name, team.time_zone) == ("Northern crew", "Europe/Lisbon")


def test_lists_have_their_usual_times_where_none_are_given(tmp_path: Path) -> None:
    """Tuesday the sixth is a holiday of the team's; the centre works on it."""
    team = routing(tmp_path).teams["north"]
    assert team.digest is not None
    assert team.digest.next_after_ms(ms("2026-01-05T07:00")) == ms("2026-01-07T07:00")
    assert team.digest.next_after_ms(ms("2026-01-09T07:00")) == ms("2026-01-12T07:00")
    assert team.hand_over is not None
    due, found = ms("2026-01-05T23:00"), []
    for _ in range(4):
        following = team.hand_over.next_after_ms(due)
        assert following is not None
        due = following
        found.append(due)
    assert found == [
        ms("2026-01-06T06:00"), ms("2026-01-06T14:00"), ms("2026-01-06T22:00"),
        ms("2026-01-07T06:00"),
    ]  # fmt: skip


def test_lists_can_be_turned_off(tmp_path: Path) -> None:
    never = "{ send = false }"
    off = ONCALL.replace(
        "planner = [", f"digest = {never}\nshift_summary = {never}\nplanner = [", 1
    )
    team = routing(tmp_path, off).teams["north"]
    assert (team.digest, team.hand_over) == (None, None)


def test_without_a_monitoring_centre_there_is_no_summary(tmp_path: Path) -> None:
    alone = ONCALL.replace("monitoring = [{", "on_call = [{")
    assert routing(tmp_path, alone).teams["north"].hand_over is None


def test_a_summary_without_a_reader_is_a_fault(tmp_path: Path) -> None:
    alone = ONCALL.replace("monitoring = [{", "on_call = [{")
    with pytest.raises(ConfigurationFaults, match="name it in monitoring"):
        routing(tmp_path, alone + LISTS)
