"""Labelled histories: every fault there, labels that the plant bears out, files that read back."""

from __future__ import annotations

import csv
import json
import tomllib
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from rules.equipment import Site
from rules.faults.registry import SLUGS
from rules.signals import INDEX, SIGNALS
from simulator.__main__ import main
from simulator.faults import KINDS
from simulator.fleet import FleetError
from simulator.labelled import LabelledPlan, write_labelled
from simulator.labelled.course import DAY_S, plan_course
from simulator.labelled.fleet import build_fleet, site_toml
from simulator.labelled.truth import LEVELS, MEASURES
from simulator.labelled.write import START, _labels

SMALL = LabelledPlan(units=25, weeks=3, seed=4, step_s=600.0)
FEW = LabelledPlan(units=6, weeks=2, seed=5, step_s=600.0)


def moment(text: str) -> datetime:
    return datetime.fromisoformat(text)


def labels_of(folder: Path) -> list[dict[str, Any]]:
    return list(json.loads((folder / "faults.json").read_text(encoding="utf-8")))


def columns_of(folder: Path) -> dict[str, np.ndarray]:
    import pyarrow.parquet as pq

    table = pq.read_table(folder / "samples.parquet")
    return {
        name: np.array(table[name].to_pylist())
        if name in ("site", "unit")
        else table[name].to_numpy()
        for name in table.column_names
    }


@pytest.fixture(scope="module")
def few(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("labelled") / "few"
    write_labelled(folder, FEW)
    return folder


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("labelled") / "small"
    write_labelled(folder, SMALL)
    return folder


# ---- The plan of a full history ------------------------------------------------------------------


@pytest.mark.parametrize(("seed", "plates"), [(1, "default"), (2, "default"), (3, "other")])
def test_sixty_units_in_eight_weeks_take_every_fault_at_several_severities(seed, plates) -> None:
    made = build_fleet(60, seed, plates)
    course = plan_course(made, seed, START.timestamp(), 8)
    assert course.placeless == ()
    planned = Counter(c.entry.kind.shows_as for c in course.cases)
    assert set(planned) == set(SLUGS)
    for kind in {c.entry.kind.name for c in course.cases}:
        cases = [c.entry for c in course.cases if c.entry.kind.name == kind]
        told_apart = {(e.severity, e.end_s - e.start_s, e.value, len(e.fans)) for e in cases}
        assert kind == "unit-unregistered" or len(told_apart) >= 2, kind
    ramps = [c.entry.ramp_s > 0 for c in course.cases]
    assert 20 < sum(ramps) < len(ramps) - 60  # gradual and sudden
    healthy = {e.kind.name for e in course.entries if e.kind.healthy}
    assert healthy == {k.name for k in KINDS.values() if k.healthy}


def test_a_unit_has_six_healthy_days_first_and_one_in_five_stays_sound() -> None:
    made = build_fleet(60, 5, "default")
    course = plan_course(made, 5, START.timestamp(), 8)
    first_s = START.timestamp() + 6.0 * DAY_S
    assert min(e.start_s for e in course.entries) >= first_s
    touched = {c.row for c in course.cases if c.row >= 0}
    assert len(made.fleet.units) - len(touched) >= 12


def test_a_unit_has_one_fault_at_a_time_or_a_pair_that_overlaps() -> None:
    course = plan_course(build_fleet(60, 6, "default"), 6, START.timestamp(), 8)
    pairs = 0
    for row in {c.row for c in course.cases if c.row >= 0}:
        mine = sorted((c.entry for c in course.cases if c.row == row), key=lambda e: e.start_s)
        for one, other in pairwise(mine):
            overlap = other.start_s < one.end_s
            assert overlap or other.start_s >= one.end_s + 2.0 * DAY_S
            assert not overlap or one.kind.shows_as != other.kind.shows_as
            pairs += overlap
    assert pairs >= 5


@pytest.mark.parametrize("plates", ["default", "other"])
def test_site_files_are_valid_and_vary(plates) -> None:
    made = build_fleet(60, 9, plates)
    sites = [Site.model_validate(tomllib.loads(site_toml(data))) for data in made.site_files]
    units = [u for s in sites for u in s.units]
    assert len(units) == 60
    assert len(made.fleet.units) == 61  # and the stranger
    assert len({u.condenser.refrigerant for u in units}) >= 5
    assert len({u.pump.rated_current_a for u in units}) > 40
    assert len({s.time_zone for s in sites}) >= 6
    assert len({frozenset(s) for s in made.scenario.signals}) >= 6


def test_the_other_plates_are_another_plant() -> None:
    one, other = (build_fleet(60, 9, plates) for plates in ("default", "other"))
    assert one.scenario.nature != other.scenario.nature
    level = [f.fleet.column("basin", "float_shut_mm").mean() for f in (one, other)]
    assert level[1] > level[0] + 30


def test_every_fault_of_the_catalogue_is_graded() -> None:
    assert set(MEASURES) == set(SLUGS)
    for slug, measure in MEASURES.items():
        assert list(measure.limits) == sorted(set(measure.limits)), slug


# ---- A small one, written ------------------------------------------------------------------------


def test_the_folder_reads_back(small: Path) -> None:
    columns = columns_of(small)
    assert list(columns) == ["time", "site", "unit", *(s.name for s in SIGNALS)]
    start, end = np.datetime64("2026-06-01"), np.datetime64("2026-06-22")
    skew = np.timedelta64(7200, "s")
    assert columns["time"].min() >= start - skew
    assert columns["time"].max() <= end + skew
    sites = {
        data["id"]: {u["id"] for u in data["units"]}
        for data in (tomllib.loads(p.read_text()) for p in (small / "sites").glob("*.toml"))
    }
    assert sum(map(len, sites.values())) == 25
    seen = set(zip(columns["site"].tolist(), columns["unit"].tolist(), strict=True))
    strangers = {key for key in seen if key[1] not in sites[key[0]]}
    labelled = {(w["site"], w["unit"]) for w in labels_of(small)
                if w["fault"] == "unit-unregistered"}  # fmt: skip
    assert strangers == labelled
    assert len(strangers) == 1


def test_labels_lie_inside_the_history_and_their_onsets_inside_them(small: Path) -> None:
    begin, end = START, START + timedelta(weeks=3)
    found = labels_of(small)
    assert len(found) >= 12
    for label in found:
        assert {"site", "unit", "fault", "start", "end", "severity"} <= set(label)
        assert label["fault"] in SLUGS
        start, until = moment(label["start"]), moment(label["end"])
        assert begin + timedelta(days=6) <= start < until <= end, label
        assert (label["unit"] is None) == (label["fault"] == "site-cut-off")
        times = [moment(label["onsets"][n]) for n in LEVELS if n in label["onsets"]]
        assert times == sorted(times)
        assert all(start <= t <= until for t in times), label
        if label["onsets"]:
            assert label["severity"] == list(label["onsets"])[-1]


def test_the_samples_bear_the_labels_out(small: Path) -> None:
    """Checked on the readings themselves, where a reading says it plainly."""
    columns = columns_of(small)
    checked = 0
    for label in labels_of(small):
        here = (columns["site"] == label["site"]) & (columns["unit"] == label["unit"])
        during = here & (columns["time"] >= np.datetime64(label["start"].rstrip("Z")))
        during &= columns["time"] < np.datetime64(label["end"].rstrip("Z"))
        value = {name: columns[name][during] for name in INDEX}
        if label["fault"] == "pump-not-running":
            stands = value["pump_command"] == 1
            assert np.nanmax(value["pump_current"][stands]) == 0.0
        elif label["fault"] == "fan-fault":
            assert np.nanmin(value["fan_fault"]) > 0
        elif label["fault"] == "site-cut-off":
            continue
        elif label["fault"] == "pump-overload":
            assert np.nanmax(value["pump_current"]) > 0.0
        else:
            continue
        checked += 1
    assert checked >= 2


@pytest.mark.parametrize(
    ("overload_seen", "more"),
    [(True, {"follows": "pump-overload"}), (False, {"accepts": ["pump-overload"]})],
)
def test_a_pump_that_its_protection_stopped_is_one_trouble(overload_seen, more) -> None:
    made = build_fleet(FEW.units, FEW.seed, FEW.plates)
    case = SimpleNamespace(row=0, entry=SimpleNamespace(kind=KINDS["pump-locked-rotor"]))
    times = {"start": 0.0, "end": DAY_S, "severity": "high", "onsets": {"high": 0.0}}

    def tracked(fault: str, there: bool) -> Any:
        found = {"fault": fault, **times} if there else None
        return SimpleNamespace(case=case, row=0, label=lambda _until: found)

    trackers = [tracked("pump-overload", overload_seen), tracked("pump-not-running", True)]
    *before, label = _labels(trackers, made, DAY_S)
    assert [w["fault"] for w in before] == ["pump-overload"] * overload_seen
    assert not any({"follows", "accepts"} & set(w) for w in before)
    assert label["fault"] == "pump-not-running"
    assert {k: v for k, v in label.items() if k in ("follows", "accepts")} == more


def test_csv_holds_the_same_as_parquet_and_the_same_seed_the_same(
    few: Path, tmp_path: Path
) -> None:
    plan = replace(FEW, form="csv")
    write_labelled(tmp_path / "again", plan)
    assert (tmp_path / "again" / "faults.json").read_bytes() == (few / "faults.json").read_bytes()
    columns = columns_of(few)
    with (tmp_path / "again" / "samples.csv").open(encoding="utf-8", newline="") as file:
        rows = csv.reader(file)
        head = next(rows)
        assert head == list(columns)
        body = list(rows)
    assert len(body) == len(columns["time"])
    for i in range(0, len(body), 97):
        stamp = datetime.fromisoformat(body[i][0])
        assert stamp.tzinfo == UTC
        assert np.datetime64(stamp.replace(tzinfo=None), "ms") == columns["time"][i]
        assert body[i][1:3] == [columns["site"][i], columns["unit"][i]]
        told = [float(cell) if cell else np.nan for cell in body[i][3:]]
        np.testing.assert_allclose(told, [columns[n][i] for n in INDEX], rtol=1e-6)


def test_rows_stand_in_the_order_of_their_arrival(small: Path) -> None:
    """Kept-back readings come with the reconnection, under their own times."""
    columns = columns_of(small)
    cuts = [w for w in labels_of(small) if w["fault"] == "site-cut-off"]
    kept_back = 0
    for cut in cuts:
        start, end = (np.datetime64(cut[k].rstrip("Z")) for k in ("start", "end"))
        mine = columns["site"] == cut["site"]
        late = np.flatnonzero(mine & (columns["time"] >= start) & (columns["time"] < end))
        if not len(late):
            continue
        kept_back += 1
        before, after = (
            np.flatnonzero(~mine & (np.abs(columns["time"] - at) < np.timedelta64(60, "s")))
            for at in (end - np.timedelta64(600, "s"), end)
        )
        assert before.max() < late.min()
        assert late.max() < after.min()
    assert len(cuts) == 3
    assert kept_back == 1


def test_a_technician_takes_the_unit_out_of_service_first(small: Path) -> None:
    rows = json.loads((small / "out_of_service.json").read_text(encoding="utf-8"))
    events = json.loads((small / "healthy.json").read_text(encoding="utf-8"))
    works = [e for e in events if e["event"] == "technician"]
    assert works
    assert [{**row, "event": "technician"} for row in rows] == works
    for row in rows:
        off = [e for e in events if (e["unit"], e["event"]) == (row["unit"], "week-off")]
        assert any(e["start"] <= row["start"] and e["end"] >= row["end"] for e in off)


def test_another_seed_makes_another_history(few: Path, small: Path) -> None:
    assert labels_of(few) != labels_of(small)
    one, other = (
        plan_course(build_fleet(25, seed, "default"), seed, START.timestamp(), 3) for seed in (4, 5)
    )
    assert [c.entry for c in one.cases] != [c.entry for c in other.cases]


def test_what_cannot_be_used_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(FleetError, match=r"--weeks 1 must be from 2 to 52"):
        write_labelled(tmp_path / "a", LabelledPlan(weeks=1))
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "note.txt").write_text("mine")
    assert main(["labelled", "--out", str(tmp_path / "full")]) == 2
    assert "not an empty directory" in capsys.readouterr().err
    assert (tmp_path / "full" / "note.txt").read_text() == "mine"
