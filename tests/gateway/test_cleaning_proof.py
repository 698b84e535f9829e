"""Proof of cleanings: from the close-out, through the telemetry store, to records and rules."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sqlalchemy.engine import URL
from support.cleaned_unit import days_of
from support.fleet import T0_MS, site, unit_data
from support.records import HOUR_MS, ROUTING, UNITS, raised

from gateway.batch import Batch
from gateway.cleaning_proof import CleaningProof
from gateway.records import Records
from gateway.telemetry import StoreSettings, StoreUnavailable, open_store
from rules.events import ActionKind, StepResult
from rules.plan import FleetPlan

DAY_MS = 24 * HOUR_MS
ARRIVED_MS = T0_MS + 6 * DAY_MS
CLEANED_MS = ARRIVED_MS + 3 * HOUR_MS
ONE = "BW-000001"
SITES = (
    site("quay-cold-store", [unit_data("ac-1"), unit_data("ac-2")]),
    site("hill-dairy", [unit_data("ac-1")]),
)
PLAN = FleetPlan.build(SITES, UNITS, {})


class Place:
    """Records, an embedded store with readings, and the proof, by a clock in the hand."""

    def __init__(self, folder: Path, url: URL) -> None:
        self.records = Records(url, routing=ROUTING)
        self.records.sync_units(UNITS)
        self.store = open_store(
            StoreSettings(retention_days=3_650), folder, {row: key for key, row in UNITS.items()}
        )
        self.now_ms = CLEANED_MS
        self.proof = CleaningProof(self.records, self.store, lambda: PLAN, lambda: self.now_ms)

    def write(self, start_ms: int, days: float, seed: int, **wear: Any) -> None:
        time_ms, values = days_of(start_ms, days, seed=seed, **wear)
        self.store.write(Batch(np.zeros(len(time_ms), np.int32), time_ms, values))

    def close_out(self, *parts: str) -> None:
        """A ticket of a worn screen, worked on for three hours and closed."""
        fault = "pump-screen-clogging"
        self.records.commit(1, StepResult((raised(T0_MS, fault=fault),)), [], T0_MS)
        self.records.arrive(ONE, by="Ana", now_ms=ARRIVED_MS)
        self.records.finish(ONE, by="Ana", now_ms=CLEANED_MS - 60_000)
        self.records.close_ticket(
            ONE, by="Ana", finding="Leaves.", cleaned=parts, now_ms=CLEANED_MS
        )

    def asked(self) -> list[tuple[ActionKind, tuple[str, ...]]]:
        return [(a.kind, a.parts) for a in self.records.pending_actions()]

    def close(self) -> None:
        self.store.close()
        self.records.close()


@pytest.fixture
def place(tmp_path: Path, records_url: URL) -> Iterator[Place]:
    here = Place(tmp_path, records_url)
    yield here
    here.close()


def test_a_cleaning_that_helped_is_proven_once_and_asked_to_be_learned(place: Place) -> None:
    place.write(T0_MS, 6.0, 1, flow=0.85)
    place.write(CLEANED_MS, 3.0, 2)
    place.close_out("pump-screen", "basin")
    place.now_ms = CLEANED_MS + 6 * HOUR_MS
    place.proof.run()
    assert [c.looked_ms for c in place.records.cleanings()] == [None, None], "too early to look"
    place.now_ms = CLEANED_MS + 4 * DAY_MS
    place.proof.run()
    basin, screen = place.records.cleanings()
    assert (screen.part, screen.verdict, screen.ticket) == ("pump-screen", "helped", ONE)
    assert screen.work_from_ms == ARRIVED_MS
    assert screen.before is not None
    assert screen.after is not None
    assert screen.after > 1.2 * screen.before
    assert screen.confidence_pct is not None
    assert screen.confidence_pct > 99.0
    assert (basin.verdict, basin.settled_ms) == ("", None), "it is looked for until the end"
    assert place.asked()[-1] == (ActionKind.PROVEN, ("pump-screen",))
    count = len(place.asked())
    place.now_ms += DAY_MS
    place.proof.run()
    assert len(place.asked()) == count
    place.now_ms = CLEANED_MS + 15 * DAY_MS
    place.proof.run()
    assert place.records.cleanings(part="basin")[0].verdict == "cannot tell"
    assert place.records.awaiting_proof() == []


def test_a_cleaning_that_changed_nothing_is_reported_as_such(place: Place) -> None:
    """The old baseline holds: nothing is asked of the rules."""
    place.write(T0_MS, 6.0, 1, flow=0.85)
    place.write(CLEANED_MS, 3.0, 2, flow=0.85)
    place.close_out("pump-screen")
    place.now_ms = CLEANED_MS + 4 * DAY_MS
    place.proof.run()
    (screen,) = place.records.cleanings()
    assert screen.verdict == "did not help"
    assert ActionKind.PROVEN not in [kind for kind, _ in place.asked()]


def test_readings_of_the_time_of_the_work_do_not_count(place: Place) -> None:
    """The pump is tried out while the screen is out; and nothing else was ever measured."""
    place.write(ARRIVED_MS, 0.1, 1)
    place.close_out("pump-screen")
    place.now_ms = CLEANED_MS + DAY_MS
    place.proof.run()
    (screen,) = place.records.cleanings()
    assert (screen.verdict, screen.looked_ms) == ("", place.now_ms)
    assert screen.said.startswith("Too few hours")
    place.now_ms = CLEANED_MS + 14 * DAY_MS
    place.proof.run()
    assert place.records.cleanings()[0].verdict == "cannot tell"


def test_a_second_cleaning_ends_the_first_ones_time(place: Place) -> None:
    """Worn, cleaned without effect, cleaned well: each is judged by its own days."""
    place.write(T0_MS, 6.0, 1, flow=0.85)
    place.write(CLEANED_MS, 3.0, 2, flow=0.85)
    place.write(CLEANED_MS + 4 * DAY_MS, 3.0, 3)
    place.close_out("pump-screen")
    fault, again_ms = "pump-screen-clogging", CLEANED_MS + 4 * DAY_MS
    place.records.commit(2, StepResult((raised(again_ms - DAY_MS, fault=fault),)), [], again_ms)
    number = place.records.tickets()[0].number
    place.records.close_ticket(
        number, by="Ben", finding="Mud.", cleaned=["pump-screen"], now_ms=again_ms
    )
    place.now_ms = again_ms + 3 * DAY_MS
    place.proof.run()
    second, first = place.records.cleanings()
    assert (first.verdict, second.verdict) == ("did not help", "helped")


def test_a_store_that_is_away_makes_the_proof_wait(place: Place, monkeypatch: Any) -> None:
    place.write(T0_MS, 6.0, 1, flow=0.85)
    place.write(CLEANED_MS, 3.0, 2)
    place.close_out("pump-screen")
    place.now_ms = CLEANED_MS + 4 * DAY_MS

    def away(*_: Any) -> None:
        text = "The telemetry server cannot be reached."
        raise StoreUnavailable(text)

    with monkeypatch.context() as patch:
        patch.setattr(place.store, "rollups", away)
        place.proof.run()
    assert place.records.cleanings()[0].looked_ms is None
    place.proof.run()
    assert place.records.cleanings()[0].verdict == "helped"


def test_a_unit_that_is_gone_from_the_site_files_cannot_be_told(place: Place) -> None:
    place.close_out("pump-screen")
    nobody = FleetPlan.build(SITES[1:], UNITS, {})
    place.now_ms = CLEANED_MS + DAY_MS
    CleaningProof(place.records, place.store, lambda: nobody, lambda: place.now_ms).run()
    (screen,) = place.records.cleanings()
    assert screen.verdict == "cannot tell"
    assert "not in the site files" in screen.said
