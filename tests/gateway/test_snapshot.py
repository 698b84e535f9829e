"""Snapshots: whole or not at all, and the one before as long as there is doubt."""

from __future__ import annotations

from pathlib import Path

import hypothesis.strategies as st
import pytest
from hypothesis import HealthCheck, given, settings

from gateway.snapshot import NAMES, Snapshot, SnapshotError, SnapshotFiles

ONE, TWO, THREE = (Snapshot(n * 10, bytes([n]) * 5000) for n in (1, 2, 3))


def test_the_newest_and_the_one_before_are_kept(tmp_path: Path) -> None:
    files = SnapshotFiles(tmp_path)
    assert files.load() == []
    assert (files.offset, files.safe_offset) == (0, 0)
    files.save(ONE)
    assert (files.offset, files.safe_offset) == (10, 0)
    files.save(TWO)
    files.save(THREE)
    assert (files.offset, files.safe_offset) == (30, 20)
    again = SnapshotFiles(tmp_path)
    assert again.load() == [THREE, TWO]
    assert (again.offset, again.safe_offset) == (30, 20)
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(NAMES)


@given(data=st.data())
@settings(
    max_examples=100,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
def test_any_damage_is_noticed_and_the_one_before_is_used(
    data: st.DataObject, tmp_path: Path
) -> None:
    files = SnapshotFiles(tmp_path)
    files.save(ONE)
    files.save(TWO)
    path = tmp_path / NAMES[0]
    raw = bytearray(path.read_bytes())
    if data.draw(st.booleans()):
        raw[data.draw(st.integers(0, len(raw) - 1))] ^= data.draw(st.integers(1, 255))
    else:
        del raw[data.draw(st.integers(0, len(raw) - 1)) :]
    path.write_bytes(raw)
    after = SnapshotFiles(tmp_path)
    assert after.load() == [ONE]
    assert after.offset == 10
    assert after.safe_offset == 0, "nothing may be trimmed while only one is readable"


def test_a_snapshot_of_a_newer_version_is_named_as_such(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    SnapshotFiles(tmp_path).save(ONE)
    path = tmp_path / NAMES[0]
    raw = bytearray(path.read_bytes())
    raw[raw.index(b"\n") + 1] = 9
    path.write_bytes(raw)
    assert SnapshotFiles(tmp_path).load() == []
    assert "it has form 9" in caplog.text


def test_a_crash_between_the_renames_leaves_the_older_one(tmp_path: Path) -> None:
    files = SnapshotFiles(tmp_path)
    files.save(ONE)
    (tmp_path / NAMES[0]).rename(tmp_path / NAMES[1])
    after = SnapshotFiles(tmp_path)
    assert after.load() == [ONE]
    assert (after.offset, after.safe_offset) == (10, 0)
    after.save(TWO)
    assert SnapshotFiles(tmp_path).load() == [TWO, ONE]


def test_an_unreadable_newest_one_never_takes_the_place_of_the_good_one_before(
    tmp_path: Path,
) -> None:
    files = SnapshotFiles(tmp_path)
    files.save(ONE)
    files.save(TWO)
    (tmp_path / NAMES[0]).write_bytes(b"torn")
    after = SnapshotFiles(tmp_path)
    after.load()
    after.save(THREE)
    assert SnapshotFiles(tmp_path).load() == [THREE, ONE]


def test_a_disk_that_refuses_is_told_and_the_old_ones_stand(tmp_path: Path) -> None:
    files = SnapshotFiles(tmp_path)
    files.save(ONE)
    files.save(TWO)
    (tmp_path / "snapshot.part").mkdir()
    with pytest.raises(SnapshotError, match=r"cannot be written.*nothing is lost"):
        files.save(THREE)
    assert SnapshotFiles(tmp_path).load() == [TWO, ONE]
    assert (files.offset, files.safe_offset) == (20, 10)
