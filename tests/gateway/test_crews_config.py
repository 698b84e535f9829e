"""crews.toml and the [visit] table of a site: what is built from them, and what is wrong."""

from __future__ import annotations

import tomllib
from datetime import date, time
from pathlib import Path
from typing import get_args

import pytest
from config_fleet import ENVIRON, REAL_FLEET, REAL_SITE, write

from gateway.config import ConfigurationFaults, load
from gateway.config.configuration import Configuration
from gateway.config.crews import CrewTable, PlanningTable, Skill
from rules.equipment import VisitPlace
from rules.visits.skills import SKILLS

CREWS = """\
[planning]
speed_km_h = 50
horizon_days = 21
trip_h = 40

[crews.van-1]
name = "Van 1"
team = "north"
latitude_deg = 38.70
longitude_deg = -9.14
skills = ["condenser", "electrical"]
people = 2
begins = 07:30:00
days = ["mon", "tue", "wed", "thu"]
days_off = [2026-12-24]
members = [{ name = "Van 1", email = "van-1@north.example" }]
"""
VISIT = """
[visit]
latitude_deg = 38.64
longitude_deg = -9.05
access = [{ days = ["tue", "sat"], begins = 06:00:00, ends = 12:00:00 }]
hot_months = [6, 7, 8]
cool_ends = 10:30:00
closed = [2026-12-25]
"""


def loaded(tmp_path: Path, crews: str | None = CREWS, visit: str = VISIT) -> Configuration:
    folder = write(tmp_path, fleet=REAL_FLEET, site=REAL_SITE)
    site = folder / "sites" / "quay-cold-store.toml"
    text = site.read_text()
    at = text.index("[[units]]")
    site.write_text(f"{text[:at]}{visit}\n{text[at:]}")
    if crews is not None:
        (folder / "crews.toml").write_text(crews)
    return load(folder, ENVIRON)


def test_a_crew_and_a_site_are_as_written(tmp_path: Path) -> None:
    configuration = loaded(tmp_path)
    visits = configuration.visits
    (crew,) = visits.crews
    assert (crew.id, crew.team, crew.people) == ("van-1", "north", 2)
    assert crew.skills == {"condenser", "electrical"}
    assert (crew.begins, crew.ends) == (time(7, 30), time(16))
    assert crew.weekdays == {0, 1, 2, 3}
    assert crew.days_off == {date(2026, 12, 24)}
    assert crew.members[0].email == "van-1@north.example"
    assert (visits.speed_km_h, visits.horizon_days, visits.trip_h) == (50, 21, 40)
    place = configuration.sites[0].visit
    assert place is not None
    assert place.access[0].days == ("tue", "sat")
    assert place.cool_ends == time(10, 30)
    assert place.closed == (date(2026, 12, 25),)


def test_without_the_file_there_are_no_crews(tmp_path: Path) -> None:
    assert loaded(tmp_path, None, "").visits.crews == ()


def test_the_skills_of_the_file_are_those_of_the_jobs() -> None:
    assert set(get_args(Skill)) == set(SKILLS)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('team = "north"', 'team = "nroth"', "Did you mean 'north'?"),
        ("latitude_deg = 38.70", "latitude_deg = 387", "crews.toml, line 9"),
        ('["condenser", "electrical"]', '["condensers"]', "skills"),
        ("begins = 07:30:00", "begins = 17:30:00", "is not after begins"),
        ("people = 2", "peple = 2", "peple"),
        ("[planning]", "[planing]", "planing"),
        ("members = [{ name", "# members = [{ name", "members"),
    ],
)
def test_what_is_wrong_is_told_with_its_place(
    tmp_path: Path, old: str, new: str, said: str
) -> None:
    assert old in CREWS
    with pytest.raises(ConfigurationFaults) as caught:
        loaded(tmp_path, CREWS.replace(old, new))
    assert any(said in str(p) and p.file == "crews.toml" for p in caught.value.problems)


def test_a_place_out_of_the_world_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationFaults) as caught:
        loaded(tmp_path, visit=VISIT.replace("38.64", "98.64"))
    assert "visit.latitude_deg" in str(caught.value.problems[0])


def test_a_crew_without_a_place_to_go_is_warned_of(tmp_path: Path) -> None:
    (warning,) = loaded(tmp_path, visit="").warnings
    assert "nothing to plan" in str(warning)


def test_the_examples_of_the_page_are_read_and_name_every_key(tmp_path: Path) -> None:
    """README's crews.toml and [visit] table; keys that have defaults stand there with them."""
    page = (Path(__file__).parents[2] / "README.md").read_text()
    blocks = page.split("```toml\n")[1:]
    (crews,) = [b.partition("```")[0] for b in blocks if b.startswith("[planning]")]
    (visit,) = [b.partition("```")[0] for b in blocks if b.startswith("[visit]")]
    configuration = loaded(tmp_path, crews, visit)
    data = tomllib.loads(crews)
    assert set(data["planning"]) == set(PlanningTable.model_fields)
    assert PlanningTable(**data["planning"]) == PlanningTable()
    assert set(data["crews"]["van-1"]) == set(CrewTable.model_fields)
    assert set(tomllib.loads(visit)["visit"]) == set(VisitPlace.model_fields)
    assert configuration.visits.crews[0].days_off == {date(2026, 12, 24)}
