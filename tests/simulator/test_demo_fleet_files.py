"""The demonstration fleet: valid site files, the promised variety, no real addresses."""

from __future__ import annotations

import re
import tomllib
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from rules.equipment import Site
from rules.signals import INDEX
from simulator import DEMO_FLEET
from simulator.fleet import read_fleet
from simulator.history import history, truth
from simulator.scenario import BASIC_SIGNALS, read_scenario

SITE_FILES = sorted((DEMO_FLEET / "sites").glob("*.toml"))


def sites() -> list[Site]:
    return [Site.model_validate(tomllib.loads(p.read_text(encoding="utf-8"))) for p in SITE_FILES]


@pytest.mark.parametrize("path", SITE_FILES, ids=lambda p: p.stem)
def test_site_file_is_valid_and_named_after_its_site(path) -> None:
    assert Site.model_validate(tomllib.loads(path.read_text(encoding="utf-8"))).id == path.stem


def test_twelve_sites_forty_units_two_to_five_each() -> None:
    counts = [len(s.units) for s in sites()]
    assert len(counts) == 12
    assert sum(counts) == 40
    assert min(counts) >= 2
    assert max(counts) <= 5


def test_variety_of_places_refrigerants_displays_and_probes() -> None:
    all_units = [u for s in sites() for u in s.units]
    assert len({s.time_zone for s in sites()}) >= 8
    assert max(s.elevation_m for s in sites()) > 1500
    assert {s.display_units for s in sites()} == {"metric", "us"}
    assert len({u.condenser.refrigerant for u in all_units}) >= 6
    assert sum(bool(s.units[0].signals) for s in sites()) == 2
    assert any(u.conductivity_probe.startswith("raw") for u in all_units)
    assert any(u.head_pressure_is_gauge for u in all_units)
    used = {m.unit for u in all_units for m in u.signals.values()}
    assert {"bar", "gal/min", "degF", "mS/cm"} <= used


def test_a_raw_probe_has_the_water_temperature_beside_it() -> None:
    fleet = read_fleet(DEMO_FLEET)
    scenario = read_scenario(DEMO_FLEET / "scenario.toml", fleet)
    for unit, signals in zip(fleet.units, scenario.signals, strict=True):
        assert unit.probe == "referred-25c" or "basin_temperature" in signals, unit.key


def test_instruments_vary_from_the_basic_set_to_the_full_catalogue() -> None:
    fleet = read_fleet(DEMO_FLEET)
    scenario = read_scenario(DEMO_FLEET / "scenario.toml", fleet)
    assert all(frozenset(BASIC_SIGNALS) <= s for s in scenario.signals)
    assert sum(s == frozenset(BASIC_SIGNALS) for s in scenario.signals) >= 5
    assert any(len(s) == len(INDEX) for s in scenario.signals)


def test_addresses_end_in_example_and_teams_exist() -> None:
    for path in DEMO_FLEET.rglob("*.toml"):
        text = path.read_text(encoding="utf-8")
        for address in re.findall(r'"[^"@\s]+@([^"\s]+)"', text):
            assert address.endswith(".example"), (path.name, address)
    teams = tomllib.loads((DEMO_FLEET / "oncall.toml").read_text(encoding="utf-8"))["teams"]
    assert {s.team for s in sites()} == set(teams)
    for team in teams.values():
        assert {"name", "time_zone", "on_call", "planner", "monitoring"} == set(team)


def test_scenario_shows_every_fault_of_the_catalogue_and_mostly_healthy_units() -> None:
    found = truth(DEMO_FLEET, DEMO_FLEET / "scenario.toml", datetime(2026, 7, 20, tzinfo=UTC))
    assert {row[3] for row in found} - {""} == {
        "float-stuck-open", "float-stuck-shut", "level-frozen", "pump-screen-clogging",
        "distribution-restricted", "pump-not-running", "bleed-blocked", "fan-fault",
        "fan-not-proven", "coil-fouled", "head-pressure-high", "unit-stale", "site-cut-off",
    }  # fmt: skip
    faulty = {(row[0], row[1]) for row in found if row[3]}
    assert len(faulty) <= 17
    assert any(row[2] == "week-off" for row in found)


@pytest.mark.parametrize("month", [1, 7])
def test_healthy_units_stay_inside_their_limits_whatever_the_season(month: int) -> None:
    """Three demonstration days: no head pressure near cut-out, no conductivity over its limit."""
    now = datetime(2026, month, 20, 12, tzinfo=UTC)
    scenario = DEMO_FLEET / "scenario.toml"
    plates = {(s.id, u.id): u for s in sites() for u in s.units}
    touched = {
        (row[0], row[1])
        for row in truth(DEMO_FLEET, scenario, now)
        if row[3] and row[3] != "site-cut-off"
    }
    chunks = list(history(DEMO_FLEET, scenario, now - timedelta(days=3), now, 300.0, 5))
    values = np.concatenate([c.values for c in chunks])
    rows = np.concatenate([c.unit_row for c in chunks])
    wet_share = []
    for row, unit in enumerate(read_fleet(DEMO_FLEET).units):
        mine = values[rows == row]
        wet_share.append(np.nanmean(mine[:, INDEX["wet_mode"]]))
        if (unit.site, unit.unit) in touched:
            continue
        plate = plates[unit.site, unit.unit]
        head = np.nanmax(mine[:, INDEX["head_pressure"]]) / plate.condenser.cut_out_kpa_abs
        assert head < 0.85, unit.key
        salt = np.nanmax(mine[:, INDEX["conductivity"]]) / plate.water.conductivity_limit_us_cm
        assert salt < 1.0, unit.key
        level = mine[:, INDEX["basin_level"]]
        assert np.nanmax(level) < plate.basin.overflow_mm, unit.key
    assert 0.25 < np.mean(wet_share) < 0.85
