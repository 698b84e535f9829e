"""Histories: same seed, same readings, however cut; realistic noise; CSV that reads back."""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from rules.signals import INDEX, N_SIGNALS, SIGNALS
from simulator.fleet import FleetError, read_fleet
from simulator.history import HistoryChunk, Source, history, write_csv
from simulator.scenario import BASIC_SIGNALS, read_scenario

END = datetime(2026, 7, 20, 12, tzinfo=UTC)
WARM = {"scenario": {"season": "warm"}, "climates": {"quay-cold-store": {"mean_degc": 24.0}}}


def run(fleet: Path, *, hours: float = 8.0, step_s: float = 60.0, seed: int = 1, **more: object):
    start = END - timedelta(hours=hours)
    return list(history(fleet, WARM | more, start, END, step_s, seed))


def joined(chunks: list[HistoryChunk], name: str) -> np.ndarray:
    return np.concatenate([getattr(c, name) for c in chunks])


def test_same_seed_same_history_and_another_seed_another(small_fleet: Path) -> None:
    one, two, other = (run(small_fleet, seed=s) for s in (7, 7, 8))
    for name in ("site", "unit", "time_ms", "values", "unit_row"):
        np.testing.assert_array_equal(joined(one, name), joined(two, name))
    assert not np.array_equal(joined(one, "time_ms"), joined(other, "time_ms"))


def test_block_length_does_not_change_the_readings(small_fleet: Path) -> None:
    """One call of 120 samples equals 120 calls of one, so live running continues the backlog."""
    results = []
    for block in (120, 1):
        fleet = read_fleet(small_fleet)
        source = Source(fleet, read_scenario(WARM, fleet), seed=4)
        start_s = END.timestamp()
        source.spin_up(start_s)
        parts = [source.measure((), start_s + i * 60.0, 60.0, block) for i in range(0, 120, block)]
        results.append(parts)
    for name in ("unit_row", "time_ms", "values"):
        whole = np.concatenate([getattr(p, name) for p in results[0]])
        pieces = np.concatenate([getattr(p, name) for p in results[1]])
        np.testing.assert_allclose(whole, pieces, rtol=1e-12)


@pytest.mark.parametrize("step_s", [10.0, 60.0, 300.0])
def test_times_are_in_order_inside_the_span_and_jittered(small_fleet: Path, step_s: float) -> None:
    chunks = run(small_fleet, hours=3.0, step_s=step_s)
    times = joined(chunks, "time_ms")
    assert (np.diff(times) >= 0).all()
    assert times.min() >= (END - timedelta(hours=3)).timestamp() * 1000
    assert times.max() < END.timestamp() * 1000
    first = times[joined(chunks, "unit_row") == 0]
    assert np.median(np.diff(first)) == pytest.approx(step_s * 1000, abs=1500)
    assert np.std(np.diff(first)) > 0


def test_only_the_installed_signals_carry_values(small_fleet: Path) -> None:
    values = joined(run(small_fleet), "values")
    installed = [INDEX[name] for name in BASIC_SIGNALS]
    assert np.isfinite(values[:, installed]).mean() > 0.99
    assert np.isnan(np.delete(values, installed, axis=1)).all()


def test_readings_stay_inside_the_catalogue_ranges(small_fleet: Path) -> None:
    values = joined(
        run(small_fleet, instruments=[{"units": ["*"], "signals": list(INDEX)}]), "values"
    )
    for i, signal in enumerate(SIGNALS):
        seen = values[:, i]
        assert np.nanmin(seen) >= signal.low, signal.name
        assert np.nanmax(seen) <= signal.high, signal.name


def test_running_pump_ruffles_the_water_by_a_millimetre_or_two(small_fleet: Path) -> None:
    """10 s readings, differences between neighbours, pump on against pump off (common practice)."""
    on = {"events": [{"unit": "*", "kind": "mode-flips", "value": 1e8, "start": "-30d"}]}
    off = {"events": [{"unit": "*", "kind": "dry-days", "start": "-30d"}]}
    noise = []
    for events in (on, off):
        chunks = run(small_fleet, hours=2.0, step_s=10.0, **events)
        mine = joined(chunks, "unit_row") == 0
        level = joined(chunks, "values")[mine, INDEX["basin_level"]]
        noise.append(np.nanstd(np.diff(level)) / np.sqrt(2))
    assert 0.8 < noise[0] < 2.5
    assert noise[1] < 0.8 * noise[0]


def test_csv_reads_back_what_the_history_says(small_fleet: Path) -> None:
    chunks = run(small_fleet, hours=1.0)
    text = io.StringIO()
    count = write_csv(iter(chunks), text)
    text.seek(0)
    rows = list(csv.reader(text))
    assert rows[0] == ["time", "site", "unit", *(s.name for s in SIGNALS)]
    assert len(rows) == count + 1 == sum(len(c) for c in chunks) + 1
    values = joined(chunks, "values")
    assert len(rows[1]) == 3 + N_SIGNALS
    for i in (0, len(values) - 1):
        stamp = datetime.fromisoformat(rows[i + 1][0]).timestamp() * 1000
        assert stamp == pytest.approx(joined(chunks, "time_ms")[i], abs=0.5)
        read = [float(c) if c else np.nan for c in rows[i + 1][3:]]
        np.testing.assert_allclose(read, values[i], rtol=1e-9)


def test_impossible_times_are_refused(small_fleet: Path) -> None:
    with pytest.raises(FleetError, match="start must be before end"):
        history(small_fleet, None, END, END)
    with pytest.raises(FleetError, match="from 1 to 3600 s"):
        history(small_fleet, None, END - timedelta(hours=1), END, 0.0)


def test_a_missing_nameplate_figure_is_named(small_fleet: Path) -> None:
    path = small_fleet / "sites" / "quay-cold-store.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("rated_pressure_kpa", "rated_presure_kpa", 1), encoding="utf-8")
    with pytest.raises(
        FleetError, match=r"quay-cold-store/ac-1: \[units.pump\] rated_pressure_kpa"
    ):
        run(small_fleet)


def test_an_empty_directory_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FleetError, match="no site files"):
        read_fleet(tmp_path)
