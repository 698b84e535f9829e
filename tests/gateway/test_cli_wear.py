"""``basinward conditions`` and ``basinward cleanings`` on real records."""

from __future__ import annotations

import json
import time

import pytest
from support.records import HOUR_MS, open_records
from typer.testing import CliRunner

from gateway.cli.app import app
from gateway.records.wear import Settled, note_cleaning
from rules.condition import PartCondition
from rules.events import Reading, StepResult
from rules.proof import Proof, ProofVerdict

RUNNER = CliRunner()
DAY_MS = 24 * HOUR_MS


def figure(now_ms, day, raw_pct, part="coil"):
    reading = Reading("Condensing above air on coil, dry", 11.0, "K", expected=10.0)
    known = raw_pct is not None
    return PartCondition(
        0, part, now_ms - (30 - day) * DAY_MS, max(raw_pct, 0.0) if known else None,
        4.0 if known else None, raw_pct, "dry running" if known else "", 9, now_ms, now_ms - 1,
        "As it is." if known else "No reading shows silt.", (reading,),
    )  # fmt: skip


@pytest.fixture
def data(tmp_path):
    """A coil that loses 2 % a day, a basin of which nothing is known, and two cleanings."""
    now_ms = time.time_ns() // 1_000_000
    records = open_records(tmp_path)
    figures = [figure(now_ms, day, 100.0 - 2.0 * day + day % 2) for day in range(31)]
    figures.append(figure(now_ms, 30, None, "basin"))
    records.commit(1, StepResult(conditions=tuple(figures)), [], now_ms)
    with records._database.write() as connection:
        for row, parts, days in ((1, ["pads"], 40), (1, ["pads", "coil"], 3)):
            note_cleaning(
                connection, unit_row=row, parts=parts, by="Rui",
                work_from_ms=now_ms - days * DAY_MS - HOUR_MS, cleaned_ms=now_ms - days * DAY_MS,
            )  # fmt: skip
    oldest = records.awaiting_proof()[0]
    proof = Proof(ProofVerdict.HELPED, "It is better.", "td_wet", "K", 12.0, 10.0, 16.7, 10.0, 20.0,
                  99.9, 30, 20)  # fmt: skip
    records.settle_cleanings([Settled(oldest, proof, final=True)], now_ms)
    records.close()
    return tmp_path


def run(data, command, *arguments):
    return RUNNER.invoke(app, [command, "--data", str(data), *arguments])


def test_conditions_are_listed_with_their_dates(data):
    lines = run(data, "conditions").stdout.splitlines()
    assert "basin" in lines[1]
    assert "not known" in lines[1]
    assert "too little data" in lines[1]
    assert "40 % ±4" in lines[2]
    assert "date range" in lines[2]
    assert len(run(data, "conditions", "--part", "coil").stdout.splitlines()) == 2


def test_why_tells_what_a_figure_rests_on(data):
    text = run(data, "conditions", "--why").stdout
    assert "Coil: 40 % ±4. As it is. By " in text
    assert "% a day over 31 daily figures" in text
    assert "at the earliest, likely " in text
    assert "No reading shows silt" in text


def test_conditions_as_json_hold_readings_and_dates(data):
    basin, coil = json.loads(run(data, "conditions", "--json").stdout)
    assert basin["condition_pct"] is None
    assert coil["readings"][0]["expected"] == 10.0
    due = coil["due"]
    assert due["early_ms"] <= due["likely_ms"] <= due["late_ms"]
    assert due["per_day_pct"] == pytest.approx(-2.0, abs=0.05)


def test_cleanings_are_listed_the_newest_first(data):
    lines = run(data, "cleanings").stdout.splitlines()
    assert len(lines) == 4
    assert "awaited" in lines[1]
    assert "helped" in lines[3]
    assert "It is better." in lines[3]
    rows = json.loads(run(data, "cleanings", "--json", "--part", "pads").stdout)
    assert [r["verdict"] for r in rows] == ["", "helped"]


def test_cleanings_are_summed_by_site_and_part(data):
    sums = json.loads(run(data, "cleanings", "--sum", "--json").stdout)
    assert [(s["part"], s["cleaned"], s["helped"], s["awaited"]) for s in sums] == [
        ("coil", 1, 0, 1), ("pads", 2, 1, 1),
    ]  # fmt: skip
    assert sums[1]["gain_pct"] == pytest.approx(16.7)
    assert "16.7 %" in run(data, "cleanings", "--sum").stdout


def test_nothing_is_said_to_be_nothing_and_a_wrong_part_is_named(tmp_path):
    open_records(tmp_path).close()
    assert "one figure a day" in run(tmp_path, "conditions").stdout
    assert "No cleaning" in run(tmp_path, "cleanings").stdout
    wrong = run(tmp_path, "conditions", "--part", "roof")
    assert wrong.exit_code == 2
    assert "no condition of a part 'roof'" in wrong.stderr
    assert run(tmp_path, "cleanings", "--part", "roof").exit_code == 2


@pytest.mark.parametrize("command", ["conditions", "cleanings"])
def test_a_place_that_nobody_heard_of_is_said_and_not_taken_for_clean(data, command):
    wrong = run(data, command, "--site", "quay-cold-shore")
    assert wrong.exit_code == 2
    assert "Nothing was heard of a site 'quay-cold-shore'" in wrong.stderr
    assert "Did you mean 'quay-cold-store'?" in wrong.stderr
    wrong = run(data, command, "--site", "quay-cold-store", "--unit", "zz")
    assert wrong.exit_code == 2
    assert "Nothing was heard of a unit 'zz' of quay-cold-store" in wrong.stderr
