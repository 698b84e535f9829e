"""``basinward lessons`` and its read model, on real records."""

from __future__ import annotations

import json
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy.engine import URL
from support.fleet_files import write_fleet
from support.records import HOUR_MS, open_records, raised, returned, step
from typer.testing import CliRunner

from gateway.cli.app import app
from gateway.lessons import lesson_json, read_lessons
from gateway.records import Records
from gateway.tickets.closeout import PartFinding
from rules.events import Cause, Evidence, Reading
from rules.lessons import PartVerdict
from rules.safety_claims import claims

RUNNER = CliRunner()
NOW_MS = time.time_ns() // 1_000_000


def close_some(
    records: Records, pairs: list[tuple[str, float]], verdict: PartVerdict | None = None
) -> None:
    """A ticket for each finding at the screen, with the flow that was told."""
    for number, (found, flow) in enumerate(pairs):
        at_ms = NOW_MS - (len(pairs) - number) * 240 * HOUR_MS
        told = Evidence(
            "Less water.", 0.8,
            readings=(Reading("Water over the pads", flow, "%", expected=100.0, low=75.0),),
            causes=(Cause("pump-screen-clogging", "Screen", 0.9),),
        )  # fmt: skip
        offset = records.committed_offset()
        event = replace(raised(at_ms, fault="pump-screen-clogging"), evidence=told)
        records.commit(offset + 1, step(event), [], at_ms)
        over = returned(at_ms + HOUR_MS, fault="pump-screen-clogging")
        records.commit(offset + 2, step(over), [], at_ms + HOUR_MS)
        ticket = records.tickets()[0]
        finding = PartFinding("pump-screen", found, verdict=verdict)
        records.close_ticket(
            ticket.number,
            by="Ana",
            finding="Done.",
            findings=(finding,),
            now_ms=at_ms + 2 * HOUR_MS,
        )


PAIRS = [("clean", 74.0 - i) for i in range(5)] + [("full of leaves", 55.0 - i) for i in range(6)]


def test_the_read_model_is_of_what_was_told_first(records_url: URL) -> None:
    records = open_records(records_url)
    close_some(records, PAIRS)
    (lesson,) = read_lessons(records, {})
    assert (lesson.fault, lesson.judged, lesson.right) == ("pump-screen-clogging", 11, 6)
    assert len(lesson.suggestions) == 1
    assert read_lessons(records, {}, since_ms=NOW_MS + HOUR_MS) == []
    assert read_lessons(records, {}, site="hill-dairy") == []
    assert read_lessons(records, {}, fault="fan-fault") == []
    json.dumps(lesson_json(lesson))
    records.close()


def test_a_ticked_verdict_goes_before_the_words(records_url: URL) -> None:
    """Leaves, as always, but none that would block it: the person says that it was not that."""
    records = open_records(records_url)
    close_some(records, [("some leaves", 60.0), ("some leaves", 61.0)], PartVerdict.NOTHING)
    (lesson,) = read_lessons(records, {})
    assert (lesson.judged, lesson.right) == (2, 0)
    records.close()


@pytest.fixture
def place(tmp_path: Path) -> Path:
    write_fleet(tmp_path / "fleet", broker_port=1, mail_port=1)
    (tmp_path / "data").mkdir()
    records = open_records(tmp_path / "data")
    close_some(records, PAIRS)
    records.close()
    return tmp_path


def run(place: Path, *arguments: str) -> Any:
    return RUNNER.invoke(
        app, ["lessons", "--fleet", str(place / "fleet"), "--data", str(place / "data"), *arguments]
    )


def test_the_table_the_suggestion_and_that_nothing_is_changed(place: Path) -> None:
    before = (place / "fleet" / "fleet.toml").read_bytes()
    result = run(place)
    assert result.exit_code == 0, result.output
    row = next(line for line in result.stdout.splitlines() if line.startswith("pump-screen"))
    # 6 of 11 by Wilson: 28 to 79 %.
    assert row.split()[1:] == ["11", "11", "6", "(55", "%)", "28", "to", "79", "%", "nothing",
                               "found", "(5)"]  # fmt: skip
    assert "To think about, pump-screen-clogging" in result.stdout
    assert "never applied" in result.stdout
    assert claims(result.stdout) == ()
    assert (place / "fleet" / "fleet.toml").read_bytes() == before


def test_the_scope_is_said_and_another_fleet_is_refused(place: Path) -> None:
    said = " ".join(run(place).stdout.split())
    assert "Tickets closed in the last 365 days at all" in said
    assert f"settings of {place / 'fleet'}" in said.replace("/ ", "/")
    unnamed = RUNNER.invoke(app, ["lessons", "--data", str(place / "data")])
    assert unnamed.exit_code == 2
    assert "--fleet" in unnamed.output
    assert run(place, "--site", "no-such").exit_code == 1
    other = place / "other"
    write_fleet(other, broker_port=1, mail_port=1)
    for path in (other / "sites").glob("*.toml"):
        text = path.read_text()
        path.write_text(text.replace(f'id = "{path.stem}"', f'id = "un{path.stem}"'))
        path.rename(path.with_stem(f"un{path.stem}"))
    refused = RUNNER.invoke(app, ["lessons", "--fleet", str(other), "--data", str(place / "data")])
    assert refused.exit_code == 1, refused.output
    assert "belong together" in " ".join(refused.output.split())


def test_one_fault_is_told_ticket_by_ticket_and_json_has_all(place: Path) -> None:
    result = run(place, "--fault", "pump-screen-clogging")
    assert result.stdout.count("BW-0000") == 11
    (data,) = json.loads(run(place, "--json").stdout)
    assert data["right_frac"] == pytest.approx(6 / 11)
    assert len(data["tickets_judged"]) == 11
    assert run(place, "--site", "hill-dairy").stdout.startswith("No ticket of these was closed")
