"""Reading an evaluation's samples: three readers, one answer; what is broken is told at once."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from gateway.config.report import Level
from gateway.evaluation import table as table_module
from gateway.evaluation.arrow import read_csv, read_parquet
from gateway.evaluation.samples import arrange
from gateway.evaluation.table import Faulty, Table, read_plain_csv, read_table
from rules.signals import INDEX

ROWS = {("s", "a"): 0, ("s", "b"): 1}
T0 = 1_772_366_400_000  # 2026-03-01T12:00:00Z
MINUTE = 60_000

CSV = """\
time,unit,site,pump_current,fan_run,wet_mode
2026-03-01T12:00:00Z,a,s,2.5,63,1
2026-03-01T14:00:00+02:00,b,s,,,0
2026-03-01T12:01:00,a,s,2.75,,
"""


def text_file(folder: Path, content: str = CSV) -> Path:
    path = folder / "samples.csv"
    path.write_text(content)
    return path


def parquet_file(folder: Path, **columns: object) -> Path:
    path = folder / "samples.parquet"
    pq.write_table(pa.table(columns), path)
    return path


def check(table: Table) -> None:
    rows = [table.units[code] for code in table.unit_code]
    assert rows == [("s", "a"), ("s", "b"), ("s", "a")]
    assert table.time_ms.tolist() == [T0, T0, T0 + MINUTE]
    assert set(table.signals) == {"pump_current", "fan_run", "wet_mode"}
    np.testing.assert_array_equal(table.signals["pump_current"], [2.5, math.nan, 2.75])
    np.testing.assert_array_equal(table.signals["fan_run"], [63, math.nan, math.nan])
    np.testing.assert_array_equal(table.signals["wet_mode"], [1, 0, math.nan])


@pytest.mark.parametrize("read", [read_csv, read_plain_csv])
@pytest.mark.parametrize("content", [CSV, CSV.replace("\n", "\r\n"), "\ufeff" + CSV])
def test_csv_is_read_alike_with_and_without_pyarrow(read, content, tmp_path):
    check(read(text_file(tmp_path, content)))


@pytest.mark.parametrize("read", [read_csv, read_plain_csv])
def test_words_for_switches_and_for_nothing(read, tmp_path):
    content = CSV.replace(",63,1", ",63,true").replace(",,0", ",NaN,false")
    check(read(text_file(tmp_path, content)))


@pytest.mark.parametrize(
    "times",
    [
        pa.array([T0, T0, T0 + MINUTE], pa.timestamp("ms", "UTC")),
        pa.array([T0 * 1000, T0 * 1000, (T0 + MINUTE) * 1000], pa.timestamp("us", "Asia/Tokyo")),
        pa.array([T0 // 1000, T0 // 1000, T0 // 1000 + 60], pa.timestamp("s")),
        pa.array(["2026-03-01T12:00:00Z", "2026-03-01T13:00:00+01:00", "2026-03-01T12:01:00"]),
        pa.array(["2026-03-01 12:00Z"] * 2 + ["2026-03-01 12:01Z"]).dictionary_encode(),
    ],
    ids=lambda a: str(a.type),
)
def test_parquet_takes_times_as_timestamps_or_text(times, tmp_path):
    path = parquet_file(
        tmp_path,
        time=times,
        site=pa.array(["s"] * 3).dictionary_encode(),
        unit=["a", "b", "a"],
        pump_current=pa.array([2.5, None, 2.75], pa.float32()),
        fan_run=pa.array([63, None, None], pa.int64()),
        wet_mode=pa.array([True, False, None]),
    )
    check(read_parquet(path))


def problems_of(read, path) -> list[str]:
    with pytest.raises(Faulty) as faulty:
        read(path)
    return [str(problem) for problem in faulty.value.problems]


@pytest.mark.parametrize("read", [read_csv, read_plain_csv])
def test_a_heading_that_lacks_something_is_told_whole(read, tmp_path):
    told = problems_of(read, text_file(tmp_path, "when,site,current,site\n1,2,3,4\n"))
    text = "\n".join(told)
    for sentence in (
        "the column 'time' is missing",
        "the column 'unit' is missing",
        "the column 'site' is there 2 times",
        "there is no column of a signal",
    ):
        assert sentence in text
    assert "pump_current" in text


@pytest.mark.parametrize("read", [read_csv, read_plain_csv])
def test_every_row_without_a_time_is_named(read, tmp_path):
    content = CSV.replace("2026-03-01T12:00:00Z", "01.03.2026").replace("12:01:00", "25:01:00")
    told = problems_of(read, text_file(tmp_path, content))
    assert len(told) == 2
    assert "row 1: time: is not a time. Given: '01.03.2026'" in told[0]
    assert "row 3: time: is not a time" in told[1]
    assert "2026-03-01T12:00:00Z" in told[0]


@pytest.mark.parametrize("read", [read_csv, read_plain_csv])
def test_a_row_with_too_many_cells_is_named(read, tmp_path):
    content = CSV.replace(",63,1\n", ",63,1,9\n")
    told = problems_of(read, text_file(tmp_path, content))
    assert told == [
        "samples.csv: row 1: 7 cells where the heading has 6. Look for a missing or an extra comma."
    ]


@pytest.mark.parametrize("read", [read_csv, read_plain_csv])
def test_a_cell_that_is_no_number_is_left_out_and_counted(read, tmp_path):
    table = read(text_file(tmp_path, CSV.replace("2.75", "much")))
    np.testing.assert_array_equal(table.signals["pump_current"], [2.5, math.nan, math.nan])
    assert table.not_numbers == {"pump_current": 1}


@pytest.mark.parametrize("read", [read_csv, read_plain_csv])
def test_semicolons_are_seen(read, tmp_path):
    (told,) = problems_of(read, text_file(tmp_path, CSV.replace(",", ";")))
    assert "not separated by commas" in told


def test_an_unknown_column_is_a_warning_with_a_guess(tmp_path):
    (warning,) = read_csv(text_file(tmp_path, CSV.replace("wet_mode", "wet-mod"))).warnings
    assert warning.level is Level.WARNING
    assert "wet-mod" in warning.what
    assert "wet_mode" in warning.todo


def test_a_column_of_the_wrong_kind_is_named(tmp_path):
    path = parquet_file(
        tmp_path, time=[1, 2], site=["s", "s"], unit=[1.0, 2.0],
        pump_current=pa.array([1, 2], pa.date32()),
    )  # fmt: skip
    told = problems_of(read_parquet, path)
    assert len(told) == 3
    assert "time: the column holds int64; it must be a timestamp or text" in told[0]
    assert "unit: the column holds double; it must be text" in told[1]
    assert "pump_current: the column holds date32[day]; it must be numbers" in told[2]


def test_what_is_not_parquet_is_told(tmp_path):
    path = tmp_path / "samples.parquet"
    path.write_bytes(b"PAR1 but not really")
    (told,) = problems_of(read_parquet, path)
    assert "is not Parquet that can be read" in told


def test_without_pyarrow_parquet_names_the_extra_and_csv_is_read(tmp_path, monkeypatch):
    found = table_module.importlib.util.find_spec
    monkeypatch.setattr(
        table_module.importlib.util,
        "find_spec",
        lambda name: None if name == "pyarrow" else found(name),
    )
    check(read_table(text_file(tmp_path).parent))
    parquet_file(tmp_path, time=["2026-03-01T12:00Z"], site=["s"], unit=["a"], pump_current=[1.0])
    with pytest.raises(Faulty, match=r"basinward\[evaluate\]"):
        read_table(tmp_path)


def test_no_samples_at_all_and_both_kinds(tmp_path):
    with pytest.raises(Faulty, match=r"neither samples\.parquet nor samples\.csv"):
        read_table(tmp_path)
    text_file(tmp_path, CSV.splitlines()[0] + "\n")
    with pytest.raises(Faulty, match="the file holds no row"):
        read_table(tmp_path)
    parquet_file(tmp_path, time=["2026-03-01T12:00Z"], site=["s"], unit=["a"], pump_current=[1.0])
    (warning,) = read_table(tmp_path).warnings
    assert "samples.parquet is there too" in warning.what


# ---------------------------------------------------------------- order of arrival


def samples_of(folder: Path, lines: list[str], heading: str = "time,site,unit,pump_current"):
    content = "\n".join([heading, *lines]) + "\n"
    return arrange(read_csv(text_file(folder, content)), ROWS)


def at(minute: int) -> str:
    return f"2026-03-01T12:{minute:02d}:00Z"


def test_rows_unit_by_unit_are_put_in_order_of_time(tmp_path):
    lines = [f"{at(i)},s,{u},{i}" for u in "ab" for i in range(3)]
    samples = samples_of(tmp_path, lines)
    assert samples.unit_row.tolist() == [0, 1, 0, 1, 0, 1]
    assert (np.diff(samples.time_ms) >= 0).all()
    assert samples.arrived_ms.tolist() == samples.time_ms.tolist()


def test_a_row_that_goes_back_in_time_arrives_with_the_one_before_it(tmp_path):
    samples = samples_of(tmp_path, [f"{at(i)},s,a,1" for i in (0, 5, 2, 6)])
    assert [(t - T0) // MINUTE for t in samples.time_ms.tolist()] == [0, 5, 2, 6]
    assert [(t - T0) // MINUTE for t in samples.arrived_ms.tolist()] == [0, 5, 5, 6]


def test_a_column_of_receipt_times_decides_the_order(tmp_path):
    heading = "time,received,site,unit,pump_current"
    lines = [f"{at(1)},{at(30)},s,a,1", f"{at(2)},{at(30)},s,a,2", f"{at(9)},,s,b,3"]
    samples = samples_of(tmp_path, lines, heading)
    assert samples.unit_row.tolist() == [1, 0, 0]
    assert [(t - T0) // MINUTE for t in samples.arrived_ms.tolist()] == [9, 30, 30]


def test_impossible_values_are_left_to_the_rules_and_counted(tmp_path):
    """The rules judge such readings themselves; half a switch they would not know."""
    heading = "time,site,unit,pump_current,wet_mode"
    lines = [f"{at(0)},s,a,9999,1", f"{at(1)},s,a,-0.1,0.5", f"{at(2)},s,a,inf,1"]
    samples = samples_of(tmp_path, lines, heading)
    assert samples.refused == {(0, "pump_current"): 2, (0, "wet_mode"): 1}
    current = samples.columns[INDEX["pump_current"]]
    assert current.tolist() == [9999, -0.1, math.inf]  # -0.1 A is a zero error, not a fault
    np.testing.assert_array_equal(samples.columns[INDEX["wet_mode"]], [1, math.nan, 1])


def test_empty_rows_are_silence_and_strangers_are_kept_apart(tmp_path):
    lines = [f"{at(0)},s,a,1", f"{at(1)},s,a,", f"{at(2)},s,c,3", f"{at(1)},s,c,3"]
    samples = samples_of(tmp_path, lines)
    assert (len(samples), samples.rows, samples.empty_rows) == (1, 4, 1)
    assert {key: len(came) for key, came in samples.strangers.items()} == {("s", "c"): 2}
    told = samples.refusals()
    assert [(r.site, r.unit, (r.received_ms - T0) // MINUTE) for r in told] == [("s", "c", 2)] * 2


def test_batches_have_all_signals_and_keep_the_rows(tmp_path):
    samples = samples_of(tmp_path, [f"{at(i)},s,a,{i}" for i in range(5)])
    ((batch, arrived),) = samples.batches()
    assert batch.values.shape == (5, len(INDEX))
    assert batch.values[:, INDEX["pump_current"]].tolist() == [0, 1, 2, 3, 4]
    assert np.isnan(np.delete(batch.values, INDEX["pump_current"], axis=1)).all()
    assert len(arrived) == 5
    part = samples.of_sites({"other"}, np.array([], dtype=np.int32))
    assert len(part) == 0
