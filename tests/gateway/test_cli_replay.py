"""``basinward replay``: recorded samples in, alarms and their causes out."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from config_fleet import ENVIRON, REAL_FLEET, REAL_SITE, replaced, write
from typer.testing import CliRunner

from gateway.batch import Batch
from gateway.cli.app import app
from gateway.cli.recording import CHUNK_ROWS, Recording, RecordingError
from gateway.cli.rerun import Rerun
from gateway.telemetry import StoreSettings, open_store
from rules.events import StepResult
from rules.signals import INDEX, N_SIGNALS

RUNNER = CliRunner()
SITE, UNIT = "quay-cold-store", "ac-1"
ROWS = {(SITE, UNIT): 0}
START = datetime(2026, 3, 1, tzinfo=UTC)
START_MS = round(START.timestamp() * 1000)
HEADING = "time,site,unit,basin_level,fan_speed,fan_run,fan_fault\n"


def _line(second: int, fault: int = 0, level: str = "180", unit: str = UNIT) -> str:
    time = (START + timedelta(seconds=second)).strftime("%Y-%m-%dT%H:%M:%SZ")
    return f"{time},{SITE},{unit},{level},100,{63 & ~fault},{fault}\n"


def _fan_fault(path: Path) -> Path:
    """Two hours at one minute; fan 3 of 6 reports a fault from 00:30 to 01:30."""
    lines = [_line(60 * i, fault=4 if 30 <= i < 90 else 0) for i in range(120)]
    path.write_text(HEADING + "".join(lines))
    return path


@pytest.fixture
def replay(tmp_path):
    """The command on a site of two units, of which recordings hold one."""
    unit = REAL_SITE[REAL_SITE.index("[[units]]") :]
    site = REAL_SITE + replaced(unit, 'id = "ac-1"', 'id = "ac-2"')
    fleet = write(tmp_path / "fleet", fleet=REAL_FLEET, site=site)

    def run(*arguments: str):
        return RUNNER.invoke(app, ["replay", "--fleet", str(fleet), *arguments], env=ENVIRON)

    return run


def test_a_recorded_fan_fault_is_raised_and_returns(replay, tmp_path):
    result = replay(str(_fan_fault(tmp_path / "day.csv")), "--json")
    assert result.exit_code == 0, result.output
    report = json.loads(result.stdout)
    assert (report["samples"], report["left_out"], report["late_frames"]) == (120, 0, 0)
    (alarm,) = report["alarms"]
    assert (alarm["site"], alarm["unit"], alarm["fault"]) == (SITE, UNIT, "fan-fault")
    minute_ms = 60_000
    assert 30 * minute_ms <= alarm["raised_ms"] - START_MS <= 35 * minute_ms
    assert 90 * minute_ms <= alarm["returned_ms"] - START_MS <= 110 * minute_ms
    assert "Fan 3 of 6" in alarm["summary"]
    assert alarm["causes"]


def test_the_table_names_alarm_and_cause(replay, tmp_path):
    result = replay(str(_fan_fault(tmp_path / "day.csv")))
    assert result.exit_code == 0
    heading, line, total = result.stdout.splitlines()
    assert heading.split()[:5] == ["raised", "returned", "site", "unit", "fault"]
    assert f"{SITE}  ac-1  fan-fault" in line
    assert line.rstrip().endswith("%)")
    assert total == ("1 alarm from 120 samples, 2026-03-01 00:00:00Z to 2026-03-01 01:59:00Z.")


def test_a_gap_is_silence_and_a_unit_without_rows_is_not(replay, tmp_path):
    """The site has more units than the recording; only the one that fell silent is told."""
    lines = [_line(60 * i) for i in range(30)] + [_line(8 * 3600 + 60 * i) for i in range(30)]
    path = tmp_path / "gap.csv"
    path.write_text(HEADING + "".join(lines))
    alarms = json.loads(replay(str(path), "--json").stdout)["alarms"]
    assert {a["unit"] for a in alarms} == {UNIT}
    assert {a["fault"] for a in alarms} <= {"unit-stale", "site-cut-off"}
    assert all(a["returned_ms"] is not None for a in alarms)
    assert all(0 < a["raised_ms"] - START_MS < 8 * 3600_000 for a in alarms)
    assert alarms


def test_bad_rows_are_left_out_told_with_their_line_and_end_with_1(replay, tmp_path):
    lines = [_line(60 * i) for i in range(10)]
    lines[1] = _line(60, level="wet")
    lines[2] = _line(120, level="99999")
    lines[3] = _line(180, unit="ac-99")
    lines[4] = lines[4].replace("2026-03-01T", "01.03.2026 ")
    lines[5] = lines[5].replace("\n", ",7\n")
    lines[6] = lines[6].replace(",63,", ",2.5,")
    lines[7] = _line(420, level="inf")
    path = tmp_path / "bad.csv"
    path.write_text(HEADING + "".join(lines))
    result = replay(str(path))
    assert result.exit_code == 1
    assert "from 7 samples" in result.stdout
    for sentence in (
        "line 3: basin_level 'wet' is not a number; value left out",
        "line 4: basin_level = 99999 is not possible: 0 to 3000 mm; value left out",
        f"line 5: no unit 'ac-99' of site '{SITE}' in the site files; row left out",
        "line 6: time '01.03.2026 00:04:00Z' is not a time such as 2026-03-01T12:00:00Z",
        "line 7: 8 cells where the heading has 7; row left out",
        "line 8: fan_run = 2.5 is not possible: 0 to 4.29497e+09, whole; value left out",
        "line 9: basin_level is not a finite number; value left out",
    ):
        assert sentence in result.stderr
    assert "7 rows or values of" in result.stderr


@pytest.mark.parametrize(
    ("content", "match"),
    [
        (b"", r"line 1: the column 'time' is missing"),
        (b"time,site,unit,basin_levl\n", r"'basin_levl' is not known \(did you mean 'basin_level'"),
        (b"time,site,unit\n", "there is no column of a signal"),
        (b"time,site,unit,basin_level,basin_level\n", "'basin_level' appears twice"),
        (b"time;site;unit;basin_level\n", "cells are not separated by commas"),
        (b"\xff\xfe\x00", "not text in UTF-8"),
        (b'time,site,unit,basin_level\n"x"y,a,b,1\n', r"line 2: not readable as CSV"),
        (b"time,site,unit,basin_level\n" + b"x" * 200_000, r"not readable as CSV \(field larger"),
    ],
)
def test_a_file_that_is_no_recording_is_refused(tmp_path, content, match):
    path = tmp_path / "x.csv"
    path.write_bytes(content)
    with pytest.raises(RecordingError, match=match):
        Recording(path).units()


def test_rows_out_of_order_are_refused_with_their_line(tmp_path):
    path = tmp_path / "x.csv"
    path.write_text(HEADING + _line(60) + _line(0))
    with pytest.raises(RecordingError, match=r"line 3: its time is before that of line 2.*sort"):
        list(Recording(path).chunks(ROWS))


def test_chunks_hold_every_row_once_and_in_order(tmp_path):
    rows = CHUNK_ROWS * 2 + 7
    path = tmp_path / "long.csv"
    path.write_text(HEADING + "".join(_line(i, level=str(i % 3000)) for i in range(rows)))
    recording = Recording(path)
    chunks = list(recording.chunks(ROWS))
    assert [len(c) for c in chunks] == [CHUNK_ROWS, CHUNK_ROWS, 7]
    time_ms = np.concatenate([c.time_ms for c in chunks])
    assert np.array_equal(time_ms, START_MS + 1000 * np.arange(rows))
    level = np.concatenate([c.values[:, INDEX["basin_level"]] for c in chunks])
    assert np.array_equal(level, np.arange(rows) % 3000)
    assert np.isnan(chunks[0].values[:, INDEX["conductivity"]]).all()
    assert recording.faults.count == 0


def test_an_empty_cell_was_not_measured_and_a_time_without_zone_is_utc(tmp_path):
    path = tmp_path / "x.csv"
    path.write_text(f"\ufefftime, site, unit, basin_level\n2026-03-01 00:00:00,{SITE},{UNIT},\n\n")
    (chunk,) = Recording(path).chunks(ROWS)
    assert chunk.time_ms.tolist() == [START_MS]
    assert np.isnan(chunk.values).all()


class _Engine:
    """Writes down what it is given."""

    def __init__(self):
        self.clocks_ms = []
        self.samples_ms = []

    def clock(self, now_ms):
        self.clocks_ms.append(now_ms)
        return StepResult()

    def samples(self, received_ms, unit_row, time_ms, values):
        assert self.clocks_ms[-1] <= time_ms[0]
        assert received_ms == time_ms[-1]
        assert len(unit_row) == len(values)
        self.samples_ms += time_ms.tolist()
        return StepResult()


def _batch(*seconds: int) -> Batch:
    n = len(seconds)
    return Batch(
        np.zeros(n, np.int32),
        START_MS + 1000 * np.array(seconds, np.int64),
        np.full((n, N_SIGNALS), np.nan),
    )


def test_the_clock_ticks_every_ten_seconds_and_never_back():
    engine = _Engine()
    rerun = Rerun(engine, {0: (SITE, UNIT)})
    rerun.feed(_batch(0, 4, 31))
    rerun.feed(_batch(32, 60))
    rerun.finish()
    ticks = [(t - START_MS) // 1000 for t in engine.clocks_ms]
    assert ticks == [0, 10, 20, 30, 40, 50, 60, 70]
    assert engine.samples_ms == [START_MS + 1000 * s for s in (0, 4, 31, 32, 60)]


def test_a_gap_of_years_does_not_take_years():
    engine = _Engine()
    rerun = Rerun(engine, {0: (SITE, UNIT)})
    rerun.feed(_batch(0, 3 * 365 * 86_400))
    assert len(engine.clocks_ms) < 50_000
    assert engine.clocks_ms == sorted(engine.clocks_ms)


def test_a_range_of_the_store_is_replayed(replay, tmp_path):
    minutes = np.arange(120)
    values = np.full((120, N_SIGNALS), np.nan)
    faults = np.where((minutes >= 30) & (minutes < 90), 4.0, 0.0)
    values[:, INDEX["fan_fault"]] = faults
    values[:, INDEX["fan_run"]] = 63.0 - faults
    values[:, INDEX["fan_speed"]] = 100.0
    store = open_store(StoreSettings(), tmp_path, {0: (SITE, UNIT)})
    store.write(Batch(np.zeros(120, np.int32), START_MS + 60_000 * minutes, values))
    store.close()
    result = replay(
        "--data", str(tmp_path), "--site", SITE, "--json",
        "--start", "2026-03-01", "--end", "2026-03-01T03:00",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    report = json.loads(result.stdout)
    assert report["samples"] == 120
    assert [a["fault"] for a in report["alarms"] if a["fault"].startswith("fan")] == ["fan-fault"]


@pytest.mark.parametrize(
    ("arguments", "match"),
    [
        ((), "Name a CSV file, or choose a range of the store"),
        (("--start", "2026-03-01"), "Name a CSV file, or choose a range of the store"),
        (("x.csv", "--start", "2026-03-01"), "with a file, leave them out"),
        (("x.csv", "--site", "nowhere"), "There is no site 'nowhere'"),
        (("nowhere.csv",), "nowhere.csv cannot be read: it does not exist"),
    ],
)
def test_a_request_that_cannot_be_meant_ends_with_a_sentence(replay, arguments, match):
    result = replay(*arguments)
    assert result.exit_code in {1, 2}
    assert match in result.stderr


def test_a_recording_of_other_units_is_told(replay, tmp_path):
    path = tmp_path / "x.csv"
    path.write_text(HEADING + _line(0, unit="ac-99"))
    result = replay(str(path))
    assert result.exit_code == 1
    assert "holds no row of a unit that is in the site files" in result.stderr
