"""The labelled folder reads back: site files, samples in both forms, labels within their units."""

from __future__ import annotations

import json
import subprocess
import sys
import tomllib
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pyarrow.csv
import pyarrow.parquet
import pytest

from other_plant.campaign import START, Campaign, run
from other_plant.folder import write
from other_plant.measures import BOUNDS
from other_plant.mishaps import KINDS
from other_plant.sensors import NAMES
from rules.equipment import Site
from rules.signals import SIGNALS

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def campaign() -> Campaign:
    return run(units=12, weeks=2, seed=6, step_s=120)


@pytest.fixture(scope="module")
def folder(campaign: Campaign, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("labelled")
    write(campaign, out, "parquet")
    return out


def sites_of(folder: Path) -> dict[str, Site]:
    found = [
        Site.model_validate(tomllib.loads(p.read_text()))
        for p in sorted((folder / "sites").glob("*.toml"))
    ]
    return {site.id: site for site in found}


def test_site_files_are_ordinary_site_files(folder: Path) -> None:
    sites = sites_of(folder)
    assert len(sites) == 4
    assert sum(len(site.units) for site in sites.values()) == 12


def test_samples_are_in_catalogue_names_and_ranges(folder: Path, campaign: Campaign) -> None:
    table = pyarrow.parquet.read_table(folder / "samples.parquet")
    assert table.column_names == ["time", "site", "unit", *NAMES]
    refused = {(e.signal) for e in campaign.events if e.kind and "out-of-range" in e.kind.slug}
    for entry in SIGNALS:
        values = table[entry.name].to_numpy().astype(float)
        values = values[np.isfinite(values)]
        inside = (values >= entry.low) & (values <= entry.high)
        assert inside.all() or entry.name in refused
    lacking = [
        u for u, names in enumerate(campaign.design.signals) if "spray_pressure" not in names
    ]
    assert lacking, "some units must lack a signal"


def test_csv_says_the_same_as_parquet(folder: Path, campaign: Campaign, tmp_path: Path) -> None:
    n = write(campaign, tmp_path, "csv")
    kept = pyarrow.parquet.read_table(folder / "samples.parquet")
    read = pyarrow.csv.read_csv(tmp_path / "samples.csv")
    assert read.num_rows == kept.num_rows == n
    for name in ("basin_level", "pump_current", "fan_run"):
        a, b = (np.asarray(t[name].to_numpy(), dtype=float) for t in (read, kept))
        np.testing.assert_allclose(a, b, equal_nan=True)
    assert read["unit"].to_pylist() == kept["unit"].to_pylist()
    assert read["time"].to_pylist()[:50] == kept["time"].to_pylist()[:50]


def test_labels_name_known_units_after_five_healthy_days(folder: Path) -> None:
    labels = json.loads((folder / "faults.json").read_text())
    sites = sites_of(folder)
    begin = datetime.fromtimestamp(START, UTC)
    assert len(labels) >= 8
    for label in labels:
        assert label["fault"] in BOUNDS
        assert label["severity"] in {"low", "medium", "high"}
        start, end = (datetime.fromisoformat(label[key]) for key in ("start", "end"))
        assert start < end
        assert start >= begin + timedelta(days=4)
        known = {unit.id for unit in sites[label["site"]].units}
        assert (
            label["unit"] is None
            or label["unit"] in known
            or (label["fault"] == "unit-unregistered")
        )


def test_every_kind_of_fault_has_bounds_that_rise() -> None:
    assert {kind.slug for kind in KINDS} | {"site-cut-off", "unit-unregistered"} == set(BOUNDS)
    assert all(low < medium < high for low, medium, high in BOUNDS.values())


def test_a_third_of_the_units_is_healthy_and_a_seed_gives_the_same_again(
    campaign: Campaign,
) -> None:
    labelled = {(r["site"], r["unit"]) for r in campaign.labels if r["unit"] is not None}
    d = campaign.design
    healthy = [u for u in range(d.n) if (d.sites[int(d.site_of[u])].id, d.ids[u]) not in labelled]
    assert len(healthy) >= 4
    assert campaign.unexplained == []
    one, two = (run(units=2, weeks=0.2, seed=6, step_s=300) for _ in range(2))
    for a, b in zip(one.rows, two.rows, strict=True):
        np.testing.assert_array_equal(a.values, b.values)
        np.testing.assert_array_equal(a.stamped_s, b.stamped_s)


def test_rows_arrive_in_order_though_their_stamps_do_not(campaign: Campaign) -> None:
    late = [e for e in campaign.events if e.trap == "backlog"]
    assert late
    mine = [r for r in campaign.rows if r.unit == late[0].unit]
    stamped = np.concatenate([r.stamped_s for r in mine])
    arrives = np.concatenate([r.arrives_s for r in mine])
    inside = (stamped > late[0].start_s) & (stamped < late[0].end_s)
    assert (arrives[inside] > late[0].end_s).all()


def test_the_command_writes_a_healthy_folder(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "tests.other_plant", "--out", str(tmp_path / "a"), "--units", "3",
         "--weeks", "0.5", "--step", "300", "--healthy-only", "--form", "csv", "--received"],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "0 faults" in done.stdout
    assert json.loads((tmp_path / "a" / "faults.json").read_text()) == []
    read = pyarrow.csv.read_csv(tmp_path / "a" / "samples.csv")
    assert read.num_rows > 2000
    late = [
        b - a for a, b in zip(*(read[k].to_pylist() for k in ("time", "received")), strict=True)
    ]
    assert timedelta() < min(late)
    assert max(late) > timedelta(seconds=1)
