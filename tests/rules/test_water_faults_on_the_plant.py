"""The water's faults on the simulated fleet: each unit's own fault is raised, and no other.

The plant shares no formula with the rules. What it shows is how the rules do on this plant.
"""

from __future__ import annotations

import tomllib
from collections import defaultdict

import pytest
from support.fleet import rows_of
from support.histories import FLEET_DIR, chunks, demo_sites, feed, new_engine

from rules.events import Change
from rules.faults.registry import SLUGS
from rules.signals import INDEX

SITES = demo_sites()
NAMES = {row: "/".join(key) for key, row in rows_of(SITES).items()}

ILL = {
    "quay-cold-store/ac-1": ("leak-by", "float-leaking"),
    "ridge-dairy/ac-2": ("leak-by", "float-leaking"),
    "orchard-packhouse/ac-1": ("leak-by", "float-leaking"),
    "gulf-produce-terminal/ac-1": ("bleed-blocked", "bleed-blocked"),
    "mesa-distribution/ac-3": ("bleed-blocked", "bleed-blocked"),
    "quay-cold-store/ac-5": ("bleed-blocked", "bleed-blocked"),
    "plateau-meat-works/ac-2": ("bleed-stuck-open", "bleed-stuck-open"),
    "orchard-packhouse/ac-3": ("bleed-stuck-open", "bleed-stuck-open"),
    "quay-cold-store/ac-3": ("bleed-stuck-open", "bleed-stuck-open"),
    "southern-bakery/ac-2": ("float-stuck-open", "float-stuck-open"),
    "valley-winery/ac-1": ("float-stuck-open", "float-stuck-open"),
    "harbour-fish-hall/ac-1": ("makeup-quality", "makeup-quality-changed"),
    "front-range-grocer/ac-2": ("makeup-quality", "makeup-quality-changed"),
    "capital-data-hall/ac-1": ("probe-fouled", "conductivity-probe"),
}


@pytest.fixture(scope="module")
def two_days():
    """Faults for the last 36 hours, on units that have all instruments."""
    base = tomllib.loads((FLEET_DIR / "scenario.toml").read_text())
    faults = [
        {"unit": unit, "kind": kind, "start": "-36h", "severity": 1.0}
        for unit, (kind, _) in ILL.items()
    ]
    instruments = [{"units": ["*"], "signals": list(INDEX)}]
    scenario = {**base, "faults": faults, "events": [], "instruments": instruments}
    engine, events = new_engine(SITES), []
    for part in chunks(SITES, scenario, days=2.0, step_s=300.0, seed=3):
        events += feed(engine, part).events
    return events


def test_each_unit_shows_its_own_fault_and_no_other(two_days):
    found = defaultdict(set)
    for event in two_days:
        if event.change is Change.RAISED:
            found[NAMES[event.unit_row]].add(event.fault)
    assert found == {unit: {fault} for unit, (_, fault) in ILL.items()}


def test_the_first_cause_is_one_of_the_faults_own(two_days):
    """A first cause that is another fault of the catalogue would be another diagnosis."""

    last = {}
    for event in two_days:
        if event.evidence is not None:
            last[event.unit_row] = (event.fault, event.evidence)
    for row, (fault, evidence) in last.items():
        assert evidence.causes[0].slug not in set(SLUGS) - {fault}, NAMES[row]
