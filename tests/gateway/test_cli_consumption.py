"""``basinward consumption``: table, JSON and CSV of a month, on real records and telemetry."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from consumption_kept_scenes import write_basin
from support.fleet_files import write_fleet
from typer.testing import CliRunner

from gateway.cli.app import app
from gateway.month import Month
from gateway.records import Records
from gateway.telemetry import EmbeddedStore

RUNNER = CliRunner()
MONTH = Month(2026, 9)
UNITS = {0: ("quay-cold-store", "ac-1"), 1: ("quay-cold-store", "ac-2"), 2: ("hill-dairy", "ac-1")}


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """A fleet of which one unit sent two days of September."""
    write_fleet(tmp_path / "fleet", broker_port=1, mail_port=1)
    (tmp_path / "data").mkdir()
    records = Records(f"sqlite:///{tmp_path / 'data' / 'records.sqlite'}")
    records.sync_units({key: row for row, key in UNITS.items()})
    records.close()
    store = EmbeddedStore(tmp_path / "data" / "telemetry.sqlite", UNITS)
    write_basin(store, 0, MONTH.start_ms(ZoneInfo("UTC")) + 5 * 86_400_000, days=2)
    store.close()
    return tmp_path


def run(place: Path, *arguments: str) -> Any:
    return RUNNER.invoke(
        app,
        ["consumption", "--fleet", str(place / "fleet"), "--data", str(place / "data"), *arguments],
    )


def test_the_table_has_every_unit_and_says_what_is_not_known(place: Path) -> None:
    result = run(place, "--month", "2026-09")
    assert result.exit_code == 0, result.output
    lines = {line.split()[0]: line for line in result.stdout.splitlines() if "/" in line}
    assert set(lines) == {"/".join(key) for key in UNITS.values()}
    assert "m³" in lines["quay-cold-store/ac-1"]
    assert "m³" not in lines["quay-cold-store/ac-2"], "nothing was heard of it"
    assert "is not known" in result.stdout


def test_json_and_csv_say_the_same(place: Path) -> None:
    shown = json.loads(run(place, "--month", "2026-09", "--json").stdout)
    (first,) = [one for one in shown if (one["site"], one["unit"]) == UNITS[0]]
    amount = first["amounts"]["evaporation"]
    assert amount["value"] > 0.0
    assert amount["sd"] == pytest.approx(0.2 * amount["value"])
    assert 0.0 < amount["coverage_frac"] < 0.1
    text = run(place, "--month", "2026-09", "--site", "quay-cold-store", "--csv", "-").stdout
    rows = list(csv.DictReader(io.StringIO(text)))
    (row,) = [r for r in rows if (r["unit"], r["figure"]) == ("ac-1", "evaporation")]
    assert float(row["value"]) == pytest.approx(amount["value"], rel=1e-5)
    assert (row["measure"], row["method"]) == ("L", amount["method"])
    unknown = [r for r in rows if r["unit"] == "ac-2" and r["figure"] == "bleed"]
    assert [r["value"] for r in unknown] == [""]


def test_what_is_kept_is_shown_and_fresh_works_it_out_anew(place: Path) -> None:
    before = run(place, "--month", "2026-09", "--unit", "ac-1", "--json").stdout
    store = EmbeddedStore(place / "data" / "telemetry.sqlite", UNITS)
    write_basin(store, 0, MONTH.start_ms(ZoneInfo("UTC")) + 9 * 86_400_000, days=1)
    store.close()
    assert run(place, "--month", "2026-09", "--unit", "ac-1", "--json").stdout == before
    fresh = run(place, "--month", "2026-09", "--unit", "ac-1", "--json", "--fresh").stdout
    hours = [
        one["amounts"]["wet_hours"]["value"]
        for text in (before, fresh)
        for one in json.loads(text)
        if one["site"] == "quay-cold-store"
    ]
    assert hours == [pytest.approx(48.0), pytest.approx(72.0)]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--month", "2026-13"), "for instance 2026-10"),
        (("--month", "2199-01"), "still to come"),
        (("--site", "nowhere"), "There is: hill-dairy, quay-cold-store"),
        (("--unit", "nothing"), "no unit 'nothing'"),
        (("--csv", "/nowhere/at/all.csv"), "cannot be written"),
    ],
)
def test_what_cannot_be_meant_ends_with_a_sentence(
    place: Path, arguments: tuple[str, ...], said: str
) -> None:
    result = run(place, *arguments)
    assert result.exit_code in {1, 2}
    assert said in result.output
    assert "Traceback" not in result.output
