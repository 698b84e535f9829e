"""Files that earlier versions left behind are read, and worked on, by this one.

``earlier/`` holds them as SQL, one for each form that was ever released; the number in a name is
the form. Never change one. After a new form add its file, and bring the older ones up by a
migration: these tests then show that nothing of them is lost.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from support.telemetry import batch

from gateway.batch import Batch, Reason, Reject, SiteStatus
from gateway.journal import Clock, Rejects, SqliteJournal
from gateway.journal.sqlite import SCHEMA_VERSION
from gateway.telemetry import EmbeddedStore
from gateway.telemetry.sqlite_file import LAYOUT
from gateway.unit_register import UnitRegister
from rules.events import Action, ActionKind
from rules.signals import INDEX

EARLIER = Path(__file__).with_name("earlier")
T0 = 1_767_225_600_000
FAR = 2**60
REJECT = Reject(T0, "sites/x", Reason.TOPIC, "Write sites/<site>/<unit>.", "{", "quay", "ac-9")
ACTION = Action(7, ActionKind.ACKNOWLEDGE, 1, "fan-fault", T0, "R. Okafor", "Seen.", 0, ("pads",))


def made_from(name: str, folder: Path) -> Path:
    path = folder / f"{name}.sqlite"
    with closing(sqlite3.connect(path)) as db:
        db.executescript((EARLIER / f"{name}.sql").read_text())
    return path


def test_there_is_a_file_of_every_form() -> None:
    assert sorted(p.stem for p in EARLIER.glob("journal-*.sql")) == [
        f"journal-{form}" for form in range(1, SCHEMA_VERSION + 1)
    ]
    assert sorted(p.stem for p in EARLIER.glob("telemetry-*.sql")) == [
        f"telemetry-{layout}" for layout in range(1, LAYOUT + 1)
    ]


@pytest.mark.parametrize("form", range(1, SCHEMA_VERSION + 1))
def test_a_journal_of_an_earlier_form_is_read_and_goes_on(tmp_path: Path, form: int) -> None:
    with closing(SqliteJournal(made_from(f"journal-{form}", tmp_path))) as journal:
        samples, *others = [(s.received_ms, s.entry) for s in journal.read_from(0).entries]
        assert samples[0] == T0 + 5000
        assert isinstance(samples[1], Batch)
        assert samples[1].unit_row.tolist() == [0, 0, 0, 1]
        assert samples[1].time_ms.tolist() == [T0, T0 + 1000, T0 + 2000, T0]
        levels = samples[1].values[:, INDEX["basin_level"]]
        np.testing.assert_array_equal(levels, [240.0, 241.0, 242.0, np.nan])
        assert np.count_nonzero(~np.isnan(samples[1].values)) == 7
        assert others == [
            (T0 + 5000, Clock(T0 + 5000)),
            (T0 + 6000, Rejects((REJECT,))),
            (T0 + 6000, SiteStatus(T0, "quay", online=True)),
            (T0 + 9000, ACTION),
            (T0 + 9000, Clock(T0 + 9000, listening=False)),
        ]
        assert journal.reader_offset("store") == 2
        assert journal.offsets_set_aside("rules") == {3}
        assert journal.actions_present([6, 7]) == {7}
        assert journal.notes() == ({} if form < 2 else {"birth:quay": b"\n\x0b"})
        register = UnitRegister(journal)
        assert dict(register.units) == {0: ("quay", "ac-1"), 1: ("mill", "ac-2")}
        assert register.row("mill", "ac-3") == 2
        assert journal.append([Clock(T0 + 10_000)], T0 + 10_000) == 7
        assert journal.trim(7) == 7


@pytest.mark.parametrize("layout", range(1, LAYOUT + 1))
def test_a_telemetry_file_of_an_earlier_layout_is_read_and_goes_on(
    tmp_path: Path, layout: int
) -> None:
    path = made_from(f"telemetry-{layout}", tmp_path)
    units = {0: ("quay", "ac-1"), 1: ("mill", "ac-2")}
    with closing(EmbeddedStore(path, units)) as store:
        assert _levels(store) == {
            T0: 240.0,
            T0 + 1000: 241.0,
            T0 + 2000: 242.0,
            T0 + 600_000: 250.0,
        }
        assert store.latest("mill", "ac-2") == {"pump_current": (T0, 3.9)}
        store.write(batch((0, T0 + 601_000, {"basin_level": 252.0, "fan_speed": 80.0})))
        store.maintain(T0 + 1_200_000)
        rollups = store.rollups("quay", "ac-1", ["basin_level"], 0, FAR)
        assert rollups.start_ms.tolist() == [T0, T0 + 600_000]
        assert rollups.mean[:, 0].tolist() == [241.0, 251.0]
        assert len(_levels(store)) == 5
        assert store.check() == []


def _levels(store: EmbeddedStore) -> dict[int, float]:
    series = store.read("quay", "ac-1", ["basin_level"], 0, FAR)
    return dict(zip(series.time_ms.tolist(), series.values[:, 0].tolist(), strict=True))
