"""The embedded telemetry store beyond the common contract: its file, its limits, its neighbours."""

from __future__ import annotations

import math
import os
import re
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.telemetry import Sample, batch

from gateway.telemetry import (
    ROLLUP_MS,
    EmbeddedStore,
    StoreRefused,
    StoreUnavailable,
)
from rules.signals import INDEX, SIGNALS

T0 = 1_750_000_200_000  # a whole multiple of 5 minutes
FAR = T0 + 10**12
DAY_MS = 86_400_000
REGISTER = {0: ("quay", "ac-1"), 1: ("quay", "ac-2"), 2: ("mill", "ac-1")}
EVERY = tuple(s.name for s in SIGNALS)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "telemetry.sqlite"


@pytest.fixture
def store(path: Path) -> Iterator[EmbeddedStore]:
    store = EmbeddedStore(
        path,
        REGISTER,
        retention_days=10,
        rollup_retention_days=30,
        busy_timeout_s=0.05,
        maintain_budget_s=math.inf,
    )
    yield store
    store.close()


def levels(store: EmbeddedStore, unit: str = "ac-1", site: str = "quay") -> dict[int, float]:
    series = store.read(site, unit, ["basin_level"], 0, FAR)
    return dict(zip(series.time_ms.tolist(), series.values[:, 0].tolist(), strict=True))


def bucket_counts(store: EmbeddedStore) -> dict[int, int]:
    rollups = store.rollups("quay", "ac-1", ["basin_level"], 0, FAR)
    return dict(zip(rollups.start_ms.tolist(), rollups.count[:, 0].tolist(), strict=True))


# Any history of writes equals a dictionary

_samples = st.tuples(
    st.integers(0, 2),
    st.integers(T0 - 3, T0 + 3) | st.sampled_from([T0 - ROLLUP_MS, T0 + ROLLUP_MS - 1, T0 + 10**9]),
    st.dictionaries(
        st.sampled_from(["basin_level", "conductivity", "heat_load"]),
        st.floats(allow_infinity=True, allow_nan=True, width=32)
        | st.sampled_from([0.0, -0.0, 1.5]),
        max_size=3,
    ),
)


@settings(max_examples=examples(50), deadline=None)
@given(
    writes=st.lists(st.lists(_samples, max_size=6), max_size=6),
    maintained=st.lists(st.integers(T0, T0 + 2 * 10**9), max_size=3),
)
def test_any_history_of_writes_equals_a_dictionary(
    writes: list[list[Sample]], maintained: list[int]
) -> None:
    """Samples, rollups and latest values are those of a plain dictionary written in that order,
    however the frames are divided into batches and whenever the store is maintained."""
    model: dict[tuple[int, int], dict[str, float]] = {}
    pauses = list(maintained)
    with tempfile.TemporaryDirectory() as directory:
        store = EmbeddedStore(Path(directory) / "telemetry.sqlite", REGISTER)
        for samples in writes:
            store.write(batch(*samples))
            for row, t, values in samples:
                said = {name: v for name, v in values.items() if math.isfinite(v)}
                if said:
                    model.setdefault((row, t), {}).update(said)
            if pauses:
                store.maintain(pauses.pop())
        for row, (site, unit) in REGISTER.items():
            mine = {t: v for (r, t), v in sorted(model.items()) if r == row}
            series = store.read(site, unit, EVERY, 0, FAR)
            found = {
                t: {n: v for n, v in zip(EVERY, values, strict=True) if not math.isnan(v)}
                for t, values in zip(series.time_ms.tolist(), series.values.tolist(), strict=True)
            }
            assert found == mine
            _check_rollups(store, site, unit, mine)
            newest = max(mine, default=0)
            assert store.latest(site, unit) == {
                name: max((t, v[name]) for t, v in mine.items() if name in v)
                for name in EVERY
                if any(name in v and t >= newest - DAY_MS for t, v in mine.items())
            }
        assert store.check() == []
        store.close()


def _check_rollups(
    store: EmbeddedStore, site: str, unit: str, mine: dict[int, dict[str, float]]
) -> None:
    rollups = store.rollups(site, unit, ["conductivity"], 0, FAR)
    buckets: dict[int, list[float]] = {}
    for t, values in mine.items():
        if "conductivity" in values:
            buckets.setdefault(t // ROLLUP_MS * ROLLUP_MS, []).append(values["conductivity"])
    assert rollups.start_ms.tolist() == sorted(buckets)
    for i, start in enumerate(sorted(buckets)):
        assert rollups.minimum[i, 0] == min(buckets[start])
        assert rollups.maximum[i, 0] == max(buckets[start])
        assert rollups.count[i, 0] == len(buckets[start])
        largest = max(map(abs, buckets[start]))
        assert rollups.mean[i, 0] == pytest.approx(
            statistics.fmean(buckets[start]), rel=1e-12, abs=1e-12 * largest
        )


# Retention


def test_samples_go_after_their_retention_and_rollups_stay(store: EmbeddedStore) -> None:
    """After 10 days the samples are gone, after 30 the rollups; neither goes a day early."""
    days = range(40)
    for day in days:
        store.write(batch((0, T0 + day * DAY_MS, {"basin_level": float(day)})))
    store.maintain(T0 + 39 * DAY_MS + 2 * ROLLUP_MS)
    assert sorted(levels(store).values()) == [float(d) for d in range(29, 40)]
    assert [(t - T0) // DAY_MS for t in bucket_counts(store)] == list(range(9, 40))
    assert store.size().samples == 11
    assert store.size().rollups == 31


def test_deleting_goes_on_where_time_ran_out(path: Path) -> None:
    """With no time at all each call still takes one portion, and the last finishes the work."""
    store = EmbeddedStore(path, REGISTER, retention_days=1, maintain_budget_s=0.0)
    n = 12_500
    for row in (0, 1):
        samples = [(row, T0 + 10_000 * k, {"basin_level": 1.0}) for k in range(n)]
        store.write(batch(*samples))
    store.write(batch((0, T0 + 5 * DAY_MS, {"basin_level": 2.0})))
    left = []
    for _ in range(20):
        store.maintain(T0 + 5 * DAY_MS + ROLLUP_MS)
        left.append(store.size().samples)
    assert len(set(left)) > 3, "one call did all the work, though it had no time"
    assert left[-1] == 1
    assert store.size().dirty == 0
    rollups = store.rollups("quay", "ac-2", ["basin_level"], 0, FAR)
    assert rollups.count.sum() == n  # every sample was rolled up before it was deleted
    store.close()


def test_late_samples_from_before_the_retention_do_not_spoil_rollups(
    store: EmbeddedStore, caplog: pytest.LogCaptureFixture
) -> None:
    """They are dropped with a line in the log; the rollup keeps what it was made of."""
    old = [(0, T0 + k * 1000, {"basin_level": float(k)}) for k in range(5)]
    store.write(batch(*old))
    store.write(batch((0, T0 + 20 * DAY_MS, {"basin_level": 1.0})))
    store.maintain(T0 + 20 * DAY_MS + ROLLUP_MS)
    assert bucket_counts(store)[T0] == 5
    store.write(
        batch((0, T0 + 7, {"basin_level": 99.0}), (0, T0 + 20 * DAY_MS + 1, {"wet_mode": 1.0}))
    )
    assert "1 rows are older than the store's retention" in caplog.text
    store.maintain(T0 + 20 * DAY_MS + 2 * ROLLUP_MS)
    assert bucket_counts(store)[T0] == 5
    assert store.latest("quay", "ac-1")["wet_mode"] == (T0 + 20 * DAY_MS + 1, 1.0)


def test_a_clock_that_jumps_ahead_deletes_nothing(store: EmbeddedStore) -> None:
    """Retention is counted back from the newest sample where the clock is ahead of it."""
    store.write(batch((0, T0, {"basin_level": 1.0})))
    store.maintain(T0 + 3650 * DAY_MS)
    assert levels(store) == {T0: 1.0}
    assert bucket_counts(store) == {T0: 1}


def test_rolling_up_waits_for_the_bucket_to_be_over(store: EmbeddedStore) -> None:
    """An open bucket is not computed every minute again, yet it can be read."""
    store.write(batch((0, T0, {"basin_level": 1.0}), (0, T0 + ROLLUP_MS, {"basin_level": 1.0})))
    store.maintain(T0 + ROLLUP_MS - 1)
    assert (store.size().rollups, store.size().dirty) == (0, 2)
    store.maintain(T0 + ROLLUP_MS)
    assert (store.size().rollups, store.size().dirty) == (1, 1)
    assert bucket_counts(store) == {T0: 1, T0 + ROLLUP_MS: 1}


# The file


def test_the_file_outlives_the_store(store: EmbeddedStore, path: Path) -> None:
    """Samples and the list of buckets to roll up are found again after a restart."""
    store.write(batch((0, T0, {"basin_level": 1.0})))
    store.close()
    again = EmbeddedStore(path, REGISTER)
    assert levels(again) == {T0: 1.0}
    assert again.size().dirty == 1
    again.maintain(T0 + ROLLUP_MS)
    assert (again.size().dirty, again.size().rollups) == (0, 1)
    again.close()


def test_units_keep_their_samples_when_the_register_is_begun_anew(
    store: EmbeddedStore, path: Path
) -> None:
    """The file numbers units itself, so other row numbers do no harm."""
    store.write(batch((0, T0, {"basin_level": 1.0})))
    store.close()
    again = EmbeddedStore(path, {5: ("quay", "ac-1"), 0: ("mill", "ac-1")})
    again.write(batch((5, T0 + 1, {"basin_level": 2.0}), (0, T0, {"basin_level": 3.0})))
    assert levels(again) == {T0: 1.0, T0 + 1: 2.0}
    assert levels(again, site="mill") == {T0: 3.0}
    again.close()


def test_a_signal_new_to_the_catalogue_is_added_to_the_file(
    store: EmbeddedStore, path: Path
) -> None:
    """A file from before the signal existed is read as it is, and widened by the first write."""
    store.write(batch((0, T0, {"basin_level": 1.0})))
    store.maintain(T0 + ROLLUP_MS)
    store.close()
    with closing(sqlite3.connect(path)) as db:
        db.execute("ALTER TABLE sample DROP COLUMN heat_load")
        for aggregate in ("min", "mean", "max", "count"):
            db.execute(f"ALTER TABLE rollup DROP COLUMN {aggregate}_heat_load")
        db.commit()

    again = EmbeddedStore(path, REGISTER)
    both = ["heat_load", "basin_level"]
    np.testing.assert_array_equal(again.read("quay", "ac-1", both, 0, FAR).values, [[np.nan, 1.0]])
    assert again.rollups("quay", "ac-1", both, 0, FAR).count.tolist() == [[0, 1]]
    assert len(again.read("quay", "ac-1", ["heat_load"], 0, FAR)) == 0
    assert len(again.rollups("quay", "ac-1", ["heat_load"], 0, FAR)) == 0
    assert again.latest("quay", "ac-1") == {"basin_level": (T0, 1.0)}

    again.write(batch((0, T0 + ROLLUP_MS, {"heat_load": 250.0})))
    again.maintain(T0 + 2 * ROLLUP_MS)
    np.testing.assert_array_equal(
        again.read("quay", "ac-1", both, 0, FAR).values, [[np.nan, 1.0], [250.0, np.nan]]
    )
    assert again.rollups("quay", "ac-1", both, 0, FAR).count.tolist() == [[0, 1], [1, 0]]
    assert again.latest("quay", "ac-1")["heat_load"] == (T0 + ROLLUP_MS, 250.0)
    again.close()


def test_catalogue_names_are_plain_column_names() -> None:
    """The SQL is put together from them without quotes."""
    assert all(re.fullmatch(r"[a-z][a-z_]*", name) for name in INDEX)
    assert not {"unit_id", "time_ms", "start_ms"} & set(INDEX)


def test_reading_makes_no_file(store: EmbeddedStore, path: Path) -> None:
    """A board that starts before the gateway finds nothing, and leaves nothing behind."""
    assert levels(store) == {}
    assert store.latest("quay", "ac-1") == {}
    assert len(store.rollups("quay", "ac-1", ["basin_level"], 0, FAR)) == 0
    assert store.size().file_bytes == 0
    assert store.check() == []
    assert not path.exists()
    path.touch()  # what SQLite leaves when the writer is stopped at its very beginning
    assert levels(store) == {}
    assert store.size().samples == 0


def test_another_programs_file_is_left_alone(store: EmbeddedStore, path: Path) -> None:
    with closing(sqlite3.connect(path)) as db:
        db.execute("CREATE TABLE sample (x)")
        db.commit()
    before = path.read_bytes()
    with pytest.raises(StoreRefused, match=r"not a telemetry file of this program\. Move it"):
        store.write(batch((0, T0, {"basin_level": 1.0})))
    assert path.read_bytes() == before


def test_a_later_versions_file_is_left_alone(store: EmbeddedStore, path: Path) -> None:
    store.write(batch((0, T0, {"basin_level": 1.0})))
    store.close()
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA user_version = 99")
    again = EmbeddedStore(path, REGISTER)
    with pytest.raises(StoreRefused, match="layout 99; this version knows up to 1"):
        again.write(batch((0, T0, {"basin_level": 2.0})))
    assert levels(again) == {T0: 1.0}
    again.close()


def test_a_damaged_file_is_refused_with_what_to_do(store: EmbeddedStore, path: Path) -> None:
    """Not SQLite at all, for writing and for reading."""
    path.write_bytes(b"no database" * 1000)
    for attempt in (
        lambda: store.write(batch((0, T0, {"basin_level": 1.0}))),
        lambda: store.maintain(T0),
        lambda: levels(store),
    ):
        with pytest.raises(StoreRefused, match=r"is damaged .* put a backup in its place"):
            attempt()


def test_damage_inside_the_file_is_found_by_the_check(store: EmbeddedStore, path: Path) -> None:
    for k in range(20):
        store.write(
            batch(*((0, T0 + (k * 500 + j) * 1000, {"basin_level": 1.0}) for j in range(500)))
        )
    store.close()
    with path.open("r+b") as f:
        f.seek(path.stat().st_size // 2)
        f.write(os.urandom(20_000))
    again = EmbeddedStore(path, REGISTER)
    try:
        assert again.check() != []
    except StoreRefused as err:
        assert "is damaged" in str(err)  # noqa: PT017 - either way of telling will do
    again.close()


def test_a_file_moved_away_takes_no_more_samples(store: EmbeddedStore, path: Path) -> None:
    """The store begins a new file at once, for writing and for reading."""
    store.write(batch((0, T0, {"basin_level": 1.0})))
    assert levels(store) == {T0: 1.0}
    for suffix in ("", "-wal", "-shm"):
        Path(f"{path}{suffix}").rename(path.with_name(f"aside.sqlite{suffix}"))
    store.write(batch((0, T0 + 1, {"basin_level": 2.0})))
    assert levels(store) == {T0 + 1: 2.0}


# What goes wrong around it


def test_a_locked_file_is_unavailable_and_then_not(store: EmbeddedStore, path: Path) -> None:
    """Another writer only delays; readers are not disturbed."""
    store.write(batch((0, T0, {"basin_level": 1.0})))
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreUnavailable, match=r"locked by another process.*tried again later"):
            store.write(batch((0, T0 + 1, {"basin_level": 2.0})))
        assert levels(store) == {T0: 1.0}
        other.execute("ROLLBACK")
    store.write(batch((0, T0 + 1, {"basin_level": 2.0})))
    assert levels(store) == {T0: 1.0, T0 + 1: 2.0}


def test_a_full_disk_is_unavailable_and_loses_nothing(store: EmbeddedStore) -> None:
    """SQLite's own page limit stands in for the disk: it raises the very same error.

    The batch that met it is not there in part, and is taken when there is room again.
    """
    store.write(batch((0, T0, {"basin_level": 1.0})))
    store._writer.execute("PRAGMA max_page_count = 20")
    large = batch(*((0, T0 + k, dict.fromkeys(EVERY, 1.25)) for k in range(2000)))
    with pytest.raises(
        StoreUnavailable, match=r"disk of the telemetry file .* is full. Free space"
    ):
        store.write(large)
    assert levels(store) == {T0: 1.0}
    store.write(large)
    assert store.size().samples == 2000


_LIMITED = """
import resource, sys
from pathlib import Path
from gateway.telemetry import EmbeddedStore, StoreUnavailable
from support.telemetry import batch
store = EmbeddedStore(Path(sys.argv[1]), {0: ("quay", "ac-1")})
store.write(batch((0, 1, {"basin_level": 1.0})))
resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, 200_000))
try:
    store.write(batch(*((0, k, {"basin_level": 2.0}) for k in range(20_000))))
except StoreUnavailable as err:
    print(err)
"""


def test_a_failing_write_is_unavailable(path: Path) -> None:
    """The system refuses to let the file grow: an input/output error, said in words."""
    done = _python(_LIMITED, path)
    assert "can't be used (disk I/O error)" in done.stdout
    assert "It is tried again later" in done.stdout
    store = EmbeddedStore(path, REGISTER)
    assert levels(store) == {1: 1.0}
    assert store.check() == []
    store.close()


def test_a_missing_directory_is_unavailable(tmp_path: Path) -> None:
    store = EmbeddedStore(tmp_path / "absent" / "telemetry.sqlite", REGISTER)
    with pytest.raises(StoreUnavailable, match="Check that its directory exists"):
        store.write(batch((0, T0, {"basin_level": 1.0})))
    (tmp_path / "absent").mkdir()
    store.write(batch((0, T0, {"basin_level": 1.0})))
    assert levels(store) == {T0: 1.0}
    store.close()


def test_a_closed_store_says_so(store: EmbeddedStore) -> None:
    store.close()
    with pytest.raises(StoreUnavailable, match="has been closed"):
        store.write(batch((0, T0, {"basin_level": 1.0})))
    with pytest.raises(StoreUnavailable, match="has been closed"):
        levels(store)


def test_readers_see_whole_batches_while_one_thread_writes(store: EmbeddedStore) -> None:
    """A read never sees part of a batch, and sees at least what was written before it began."""
    batches, size = 60, 50
    written = 0
    wrong: list[str] = []
    over = threading.Event()

    def look() -> None:
        while not over.is_set():
            at_least = written * size
            n = len(levels(store))
            rolled = sum(bucket_counts(store).values())
            if n % size or rolled % size or n < at_least or rolled < n:
                wrong.append(f"{at_least} {n} {rolled}")

    readers = [threading.Thread(target=look) for _ in range(3)]
    for reader in readers:
        reader.start()
    for k in range(batches):
        samples = ((0, T0 + (k * size + j) * 1000, {"basin_level": 1.0}) for j in range(size))
        store.write(batch(*samples))
        written = k + 1
        if k % 10 == 0:
            store.maintain(T0 + k * size * 1000)
    over.set()
    for reader in readers:
        reader.join()
    assert wrong == []
    assert len(levels(store)) == batches * size


_READ = """
import sys
from pathlib import Path
from gateway.telemetry import EmbeddedStore
store = EmbeddedStore(Path(sys.argv[1]), {})
print(store.read("quay", "ac-1", ["basin_level"], 0, 10**15).values.tolist())
"""


def test_another_process_reads_while_this_one_writes(store: EmbeddedStore, path: Path) -> None:
    store.write(batch((0, T0, {"basin_level": 1.5})))
    assert _python(_READ, path).stdout.strip() == "[[1.5]]"
    store.write(batch((0, T0 + 1, {"basin_level": 2.5})))
    assert _python(_READ, path).stdout.strip() == "[[1.5], [2.5]]"


_WRITE_UNTIL_KILLED = """
import itertools, sys
from pathlib import Path
from gateway.telemetry import EmbeddedStore
from support.telemetry import batch
store = EmbeddedStore(Path(sys.argv[1]), {0: ("quay", "ac-1")})
for k in itertools.count():
    store.write(batch(*((0, k * 10 + j, {"basin_level": float(k)}) for j in range(10))))
    store.maintain(k * 10)
    print(k, flush=True)
"""


def test_a_killed_writer_loses_nothing_that_it_reported(path: Path) -> None:
    """After kill -9 the file is sound, holds every reported batch, and no part of another."""
    process = subprocess.Popen(
        [sys.executable, "-c", _WRITE_UNTIL_KILLED, str(path)],
        stdout=subprocess.PIPE,
        text=True,
        env=_environment(),
    )
    assert process.stdout is not None
    with process:
        while int(process.stdout.readline()) < 100:
            pass
        process.kill()
        reported = [int(line) for line in process.stdout.read().split("\n")[:-1]]
    store = EmbeddedStore(path, REGISTER)
    found = levels(store)
    assert store.check() == []
    assert len(found) % 10 == 0
    assert len(found) >= 10 * (max(reported, default=100) + 1)
    assert found == {k * 10 + j: float(k) for k in range(len(found) // 10) for j in range(10)}
    assert bucket_counts(store) == {0: len(found)}
    store.close()


def _environment() -> dict[str, str]:
    tests = Path(__file__).resolve().parents[1]
    return {**os.environ, "PYTHONPATH": os.pathsep.join([str(tests.parent), str(tests)])}


def _python(program: str, path: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", program, str(path)],
        env=_environment(),
        capture_output=True,
        text=True,
        check=True,
        timeout=120,
    )
