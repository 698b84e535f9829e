"""Exported files: equal to the store, read back by others, and made in bounded memory.

CSV is read by the standard library's reader and by pyarrow's, Parquet by pyarrow: none of them is
the project's own.
"""

from __future__ import annotations

import csv
import io
import shutil
import tracemalloc
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq
import pytest
from config_fleet import ENVIRON, REAL_FLEET, REAL_SITE, write
from support.shown_api import ROOT, ShownApi
from support.shown_board import board_of, client
from support.shown_fleet import NOW_MS
from typer.testing import CliRunner

from gateway.batch import Batch, Frame
from gateway.board import guard
from gateway.board.api import export as export_routes
from gateway.cli.app import app
from gateway.config import load
from gateway.evaluation.folder import read_folder
from gateway.export.parquet import parquet_readings
from gateway.export.readings import RAW_SLICE_MS, Asked, Piece, pieces
from gateway.export.text import csv_readings
from gateway.telemetry import StoreSettings, StoreUnavailable, open_store
from rules.signals import INDEX

DAY_MS = 86_400_000
SIGNALS = ("basin_level", "conductivity", "spray_pressure")


@pytest.fixture(scope="module")
def api(tmp_path_factory) -> Iterator[ShownApi]:
    made = ShownApi(tmp_path_factory.mktemp("export"))
    made.fleet.samples(0, hours=30)
    made.fleet.samples(1, hours=30)
    made.fleet.commit(made.fleet.alarm(0), made.fleet.alarm(1))
    yield made
    made.close()


def whole(api: ShownApi, **more: int) -> Asked:
    return Asked(tuple(api.fleet.rows), SIGNALS, NOW_MS - DAY_MS, NOW_MS + 1, **more)


def stored(api: ShownApi) -> list[tuple[int, str, str, list[float]]]:
    rows = []
    for site, unit in api.fleet.rows:
        series = api.fleet.store.read(site, unit, SIGNALS, NOW_MS - DAY_MS, NOW_MS + 1)
        rows += [
            (t, site, unit, v)
            for t, v in zip(series.time_ms.tolist(), series.values.tolist(), strict=True)
        ]
    return rows


def test_csv_reads_back_as_what_the_store_has(api):
    """RFC 4180: CRLF ends a line, and each has as many cells as the first."""
    text = b"".join(csv_readings(whole(api), pieces(api.fleet.store, whole(api)), with_units=True))
    assert text.count(b"\r\n") == text.count(b"\n")
    heading, *rows = csv.reader(io.StringIO(text.decode(), newline=""))
    assert heading == [
        "time", "site", "unit", "basin_level [mm]", "conductivity [µS/cm]", "spray_pressure [kPa]",
    ]  # fmt: skip
    expected = stored(api)
    assert len(rows) == len(expected) > 500
    for row, (time_ms, site, unit, values) in zip(rows, expected, strict=True):
        moment = datetime.fromisoformat(row[0])
        assert (moment - datetime(1970, 1, 1, tzinfo=UTC)) / timedelta(milliseconds=1) == time_ms
        assert row[1:3] == [site, unit]
        assert [float(cell) for cell in row[3:]] == values


def test_csv_is_read_by_another_reader_too(api):
    rows = csv_readings(whole(api), pieces(api.fleet.store, whole(api)), with_units=False)
    table = pa.csv.read_csv(io.BytesIO(b"".join(rows)))
    assert table.column_names == ["time", "site", "unit", *SIGNALS]
    expected = np.array([values for *_, values in stored(api)])
    for k, name in enumerate(SIGNALS):
        assert np.array_equal(table[name].to_numpy(), expected[:, k], equal_nan=True)


def test_parquet_reads_back_as_what_the_store_has(api):
    rows = parquet_readings(whole(api), pieces(api.fleet.store, whole(api)))
    table = pq.read_table(io.BytesIO(b"".join(rows)))
    expected = stored(api)
    assert table.schema.field("time").type == pa.timestamp("ms", tz="UTC")
    assert table.schema.field("conductivity").metadata == {b"unit": "µS/cm".encode()}
    assert table["time"].cast(pa.int64()).to_pylist() == [t for t, *_ in expected]
    assert table["unit"].to_pylist() == [unit for _, _, unit, _ in expected]
    for k, name in enumerate(SIGNALS):
        assert table[name].to_pylist() == [values[k] for *_, values in expected]


def test_windows_are_least_mean_and_greatest(api):
    site, unit = next(iter(api.fleet.rows))
    asked = Asked(((site, unit),), ("basin_level",), NOW_MS - DAY_MS, NOW_MS, 3_600_000)
    table = pa.csv.read_csv(
        io.BytesIO(b"".join(csv_readings(asked, pieces(api.fleet.store, asked), with_units=False)))
    )
    outline = api.fleet.store.outline(
        site, unit, ["basin_level"], NOW_MS - DAY_MS, NOW_MS, 3_600_000
    )
    assert table.column_names[3:] == ["basin_level_min", "basin_level_mean", "basin_level_max"]
    assert table["basin_level_mean"].to_pylist() == outline.mean[:, 0].tolist()
    assert table["basin_level_max"].to_pylist() == outline.maximum[:, 0].tolist()


def test_a_range_far_beyond_the_readings_is_answered_with_what_there_is(api):
    site, unit = next(iter(api.fleet.rows))
    far = Asked(((site, unit),), SIGNALS, 0, NOW_MS + 4_000 * DAY_MS)
    assert sum(len(p.time_ms) for p in pieces(api.fleet.store, far)) == 360
    assert max(int(p.time_ms[-1] - p.time_ms[0]) for p in pieces(api.fleet.store, far)) < (
        RAW_SLICE_MS
    )


class _Endless:
    """A store that has a value of every signal every ten seconds."""

    def latest(self, site: str, unit: str) -> dict[str, tuple[int, float]]:
        return {"basin_level": (10_000 * DAY_MS, 1.0)}

    def read(self, site, unit, signals, start_ms, end_ms):
        from gateway.telemetry.base import Series

        times = np.arange(start_ms, end_ms, 10_000, dtype=np.int64)
        return Series(times, np.full((len(times), len(signals)), 1.5), tuple(signals))

    def outline(self, site, unit, signals, start_ms, end_ms, width_ms):
        from gateway.telemetry.base import Outline

        one = np.ones((1, len(signals)))
        return Outline(np.array([start_ms]), one, one, one, tuple(signals), width_ms)


@pytest.mark.parametrize(("form", "short_days"), [("csv", 1), ("parquet", 12)])
def test_a_long_export_takes_no_more_memory_than_a_short_one(form, short_days):
    """The peak over some days, and over three times as many, of all signals of one unit."""

    def peak_bytes(days: int) -> tuple[int, int]:
        asked = Asked((("a", "b"),), tuple(INDEX), DAY_MS, (1 + days) * DAY_MS)
        rows = pieces(_Endless(), asked)  # type: ignore[arg-type]
        made = (
            csv_readings(asked, rows, with_units=True)
            if form == "csv"
            else parquet_readings(asked, rows)
        )
        tracemalloc.start()
        try:
            taken = sum(len(piece) for piece in made)
            return tracemalloc.get_traced_memory()[1], taken
        finally:
            tracemalloc.stop()

    short, _ = peak_bytes(short_days)
    long, taken = peak_bytes(3 * short_days)
    assert taken > 100_000
    assert long < 1.3 * short
    assert long < 60_000_000


# ---------------------------------------------------------------- by the API


def test_the_board_gives_the_files(api):
    token = api.token("view")
    site, unit = next(iter(api.fleet.rows))
    answer = api.get(f"export/readings.csv?site={site}&unit={unit}&signal=basin_level", token)
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/csv; charset=utf-8; header=present"
    assert answer.text.splitlines()[0] == "time,site,unit,basin_level [mm]"
    assert len(answer.text.splitlines()) == 288 + 1
    answer = api.get(f"export/readings.parquet?site={site}&width_s=3600", token)
    assert answer.headers["content-type"] == "application/vnd.apache.parquet"
    assert pq.read_table(io.BytesIO(answer.content)).num_rows == 2 * 25, (
        "the hours that the day touches"
    )
    assert answer.headers["content-disposition"] == 'attachment; filename="readings.parquet"'
    assert api.get("export/readings.csv?site=none", token).status_code == 404
    assert api.get("export/readings.csv?signal=none", token).status_code == 422
    assert api.get("export/readings.csv?width_s=7", token).status_code == 422
    assert api.get("export/readings.csv").status_code == 401


def test_without_pyarrow_it_is_said_what_to_install(api, monkeypatch):
    monkeypatch.setattr(export_routes.parquet, "is_there", lambda: False)
    answer = api.get("export/readings.parquet", api.token("view"))
    assert answer.status_code == 501
    assert answer.headers["content-type"] == "application/problem+json"
    assert "pip install 'basinward[export]'" in answer.json()["detail"]


def test_a_store_that_is_away_is_a_problem_and_no_torn_file(api, monkeypatch):
    def away(*_: object) -> None:
        raise StoreUnavailable("The store cannot be reached.")

    monkeypatch.setattr(api.fleet.store, "read", away)
    answer = api.get("export/readings.csv", api.token("view"))
    assert answer.status_code == 503
    assert "cannot be reached" in answer.json()["detail"]


def test_lists_are_given_as_tables_and_hostile_texts_stay_texts(api):
    token = api.token("view")
    number = api.records.tickets()[-1].number
    api.records.close_ticket(
        number, by="Rui", finding='=HYPERLINK("http://x.example","y"), and\na line', findings=(),
        cleaned=(), now_ms=NOW_MS,
    )  # fmt: skip
    for name, count in (("alarms", 2), ("alarm-events", 2), ("tickets", 2)):
        text = api.get(f"export/{name}.csv?from=2026-01-01T00:00:00Z", token).text
        heading, *rows = csv.reader(io.StringIO(text, newline=""))
        assert len(rows) == count
        assert {len(row) for row in rows} == {len(heading)}
    found = dict(zip(heading, rows[-1], strict=True))
    assert found["number"] == number
    assert found["finding"].startswith("'=HYPERLINK")


def test_the_units_page_leads_to_the_file(api):
    site, unit = next(iter(api.fleet.rows))
    page = client(board_of(api.fleet)).get(f"/sites/{site}/{unit}").text
    assert f"../../api/1/export/readings.csv?site={site}&amp;unit={unit}" in page


def test_windows_that_outlive_their_samples_are_given(tmp_path):
    """The newest sample ends an export of samples; windows are kept longer."""
    unit = ("site-a", "ac-1")
    settings = StoreSettings(retention_days=30)
    store = open_store(settings, tmp_path, {0: unit, 1: ("site-a", "ac-2")})
    old_ms = NOW_MS - 40 * DAY_MS
    times = [old_ms + k * 60_000 for k in range(100)]
    store.write(Batch.of([Frame(0, t, {INDEX["basin_level"]: 160.0}) for t in times]))
    store.write(Batch.of([Frame(1, NOW_MS, {INDEX["basin_level"]: 160.0})]))
    store.maintain(NOW_MS)
    assert store.latest(*unit) == {}
    asked = Asked((unit,), ("basin_level",), old_ms - DAY_MS, NOW_MS + 3650 * DAY_MS, 300_000)
    found = list(pieces(store, asked, lambda: NOW_MS))
    assert sum(len(piece.time_ms) for piece in found) == 20
    assert list(pieces(store, replace(asked, width_ms=0), lambda: NOW_MS)) == []
    store.close()


# ---------------------------------------------------------------- by the command


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_the_command_writes_a_folder_that_evaluate_reads(tmp_path, form, monkeypatch):
    fleet, data, out = tmp_path / "fleet", tmp_path / "data", tmp_path / "out"
    write(fleet, fleet=REAL_FLEET, site=REAL_SITE)
    for name, value in ENVIRON.items():
        monkeypatch.setenv(name, value)
    configuration = load(fleet, ENVIRON)
    site = configuration.sites[0]
    data.mkdir()
    store = open_store(configuration.store, data, {0: (site.id, site.units[0].id)})
    times = [NOW_MS - k * 60_000 for k in range(100)]
    store.write(Batch.of([Frame(0, t, {INDEX["basin_level"]: 160.0 + t % 7}) for t in times]))
    store.close()
    arguments = [
        "export", str(out), "--from", "2026-07-01", "--to", "2026-07-03", "--form", form,
        "--fleet", str(fleet), "--data", str(data),
    ]  # fmt: skip
    result = CliRunner().invoke(app, arguments)
    assert result.exit_code == 0, result.output
    (out / "faults.json").write_text("[]")
    folder = read_folder(out)
    assert len(folder.samples) == 100
    again = CliRunner().invoke(app, arguments)
    assert again.exit_code != 0
    assert "that is not there" in again.output

    arguments[1] = str(tmp_path / "twice")
    twice = CliRunner().invoke(app, [*arguments, *("--signal", "basin_level") * 2])
    assert twice.exit_code == 0, twice.output
    (tmp_path / "twice" / "faults.json").write_text("[]")
    assert len(read_folder(tmp_path / "twice").samples) == 100

    arguments[1] = str(tmp_path / "empty")
    for more, says in (
        (["--from", "2024-07-01"], ""), (["--to", "2026-07-01T00:00:01"], "no readings of that"),
        (["--data", str(tmp_path / "dta")], "no directory"),
    ):  # fmt: skip
        result = CliRunner().invoke(app, [*arguments, *more])
        assert says in " ".join(result.output.split()), result.output
        assert (result.exit_code == 0) == (not says)
        if says:
            assert not (tmp_path / "empty").exists()
        else:
            arguments[1] = str(tmp_path / "empty")
            shutil.rmtree(tmp_path / "empty")


def test_pieces_of_nothing_make_a_file_of_a_heading():
    asked = Asked((), SIGNALS, 0, 1)
    none: list[Piece] = []
    assert b"".join(csv_readings(asked, none, with_units=False)).count(b"\r\n") == 1
    assert pq.read_table(io.BytesIO(b"".join(parquet_readings(asked, none)))).num_rows == 0


def test_a_running_export_ends_with_its_account(tmp_path, monkeypatch):
    own, made = ShownApi(tmp_path), []

    def set_disabled(*, is_so: bool) -> None:
        own.records.accounts.set_disabled(
            "rui", disabled=is_so, actor=ROOT, now_ms=own.fleet.now_ms
        )

    def rows(*_, **__):
        for i in range(10):
            if i == 3:
                set_disabled(is_so=True)
            made.append(i)
            yield b"a row\n"

    monkeypatch.setattr(export_routes, "csv_readings", rows)
    monkeypatch.setattr(guard, "ASK_EVERY_S", 0.0)
    token = own.token("view")
    try:
        with pytest.raises(guard.VisitEnded, match="its reader may not have the rest"):
            own.get("export/readings.csv", token)
        assert len(made) == 4
        set_disabled(is_so=False)
        made.clear()
        monkeypatch.setattr(export_routes, "csv_readings", lambda *_, **__: iter([b"x"] * 9))
        assert own.get("export/readings.csv", token).content == b"x" * 9
    finally:
        own.close()
