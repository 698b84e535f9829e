"""Reports in the outbox: once for each period and recipient, whatever is restarted meanwhile."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, time
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from consumption_kept_scenes import write_basin
from report_scenes import a_visit
from sqlalchemy.engine import URL
from support.fleet_files import PLANNER, write_fleet
from support.outbox import outbox_for
from support.smtp import MailCatcher

from gateway.config import Configuration, ConfigurationFaults, load
from gateway.mail.letter import Letter
from gateway.month import Month
from gateway.records import Records
from gateway.records.visit_rows import VisitState
from gateway.records.visits import Proposal
from gateway.reports import maker as maker_module
from gateway.reports.figures import read_site
from gateway.reports.maker import ReportPost
from gateway.reports.settings import ReportSettings
from gateway.telemetry import EmbeddedStore
from gateway.tickets.notice import Recipient
from gateway.visits.course import Outcome
from rules.condition import PartCondition
from rules.events import StepResult

UNITS = {0: ("quay-cold-store", "ac-1"), 1: ("quay-cold-store", "ac-2"), 2: ("hill-dairy", "ac-1")}
REPORTS = '[reports]\nto = ["boss@north.example"]\ntime_zone = "Europe/Lisbon"\nday = 2\n'
DAY_MS = 86_400_000


def at_ms(text: str, zone: str = "Europe/Lisbon") -> int:
    local = datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(zone))
    return round(local.astimezone(UTC).timestamp() * 1000)


@pytest.fixture
def fleet(tmp_path: Path) -> Path:
    write_fleet(tmp_path / "fleet", broker_port=1, mail_port=1)
    path = tmp_path / "fleet" / "fleet.toml"
    path.write_text(path.read_text() + "\n" + REPORTS)
    return tmp_path / "fleet"


@pytest.fixture
def records(records_url: URL) -> Iterator[Records]:
    records = Records(records_url)
    records.sync_units({key: row for row, key in UNITS.items()})
    yield records
    records.close()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[EmbeddedStore]:
    store = EmbeddedStore(
        tmp_path / "t.sqlite", UNITS, retention_days=3650, rollup_retention_days=3650
    )
    write_basin(store, 0, at_ms("2026-10-05T00:00"), days=1)
    yield store
    store.close()


class Gateway:
    """A post that can be started anew on the same records."""

    def __init__(self, records: Records, store: EmbeddedStore, fleet: Path) -> None:
        self.configuration: Configuration = load(fleet, {})
        self.now_ms = at_ms("2026-10-20T12:00")
        self._parts = (records, store)
        self.start()

    def start(self) -> None:
        records, store = self._parts
        self.post = ReportPost(records, store, lambda: self.configuration, lambda: self.now_ms)

    def run_at(self, text: str) -> int:
        self.now_ms = at_ms(text)
        return self.post.run()


@pytest.fixture
def gateway(records: Records, store: EmbeddedStore, fleet: Path) -> Gateway:
    return Gateway(records, store, fleet)


def test_each_gets_each_report_once(gateway: Gateway, records: Records) -> None:
    assert gateway.run_at("2026-10-20T12:00") == 0, "the first is due at its next time"
    assert gateway.run_at("2026-11-02T06:59") == 0
    assert gateway.run_at("2026-11-02T07:00") == 3, "two sites to the planner, the fleet to boss"
    assert gateway.run_at("2026-11-02T07:01") == 0
    gateway.start()
    assert gateway.run_at("2026-11-20T07:01") == 0
    with MailCatcher() as server:
        assert outbox_for(records, server).pump(gateway.now_ms).accepted == 3
        mails = {mail.message["Subject"]: mail for mail in server.received}
    assert set(mails) == {
        "[REPORT] Quay Cold Store, October 2026", "[REPORT] Hill Dairy, October 2026",
        "[REPORT] Test fleet, October 2026",
    }  # fmt: skip
    assert mails["[REPORT] Test fleet, October 2026"].recipients == ("boss@north.example",)
    site = mails["[REPORT] Quay Cold Store, October 2026"]
    assert site.recipients == (PLANNER,)
    (paper,) = list(site.message.iter_attachments())
    assert paper.get_content_type() == "application/pdf"
    text = site.message.get_body(("plain",)).get_content()
    assert "make-up water (of 1 of 2 units)" in text


def test_what_a_gateway_slept_through_is_made_up_for(gateway: Gateway) -> None:
    gateway.run_at("2026-10-20T12:00")
    gateway.start()
    assert gateway.run_at("2027-01-15T12:00") == 9, "October, November, December"


def test_a_crash_between_two_letters_loses_none_and_repeats_none(
    gateway: Gateway, records: Records, monkeypatch: pytest.MonkeyPatch
) -> None:
    gateway.run_at("2026-10-20T12:00")
    write = records.mail_report
    done: list[str] = []

    def fails_at_the_second(
        period: str, scope: str, letter: Letter, to: Recipient, **rest: Any
    ) -> bool:
        if len(done) == 1:
            raise KeyboardInterrupt
        done.append(scope)
        return write(period, scope, letter, to, **rest)

    monkeypatch.setattr(records, "mail_report", fails_at_the_second)
    with pytest.raises(KeyboardInterrupt):
        gateway.run_at("2026-11-02T07:00")
    monkeypatch.undo()
    gateway.start()
    assert gateway.run_at("2026-11-02T07:30") == 2
    assert sorted(r.subject for r in records.outbox()) == [
        "[REPORT] Hill Dairy, October 2026", "[REPORT] Quay Cold Store, October 2026",
        "[REPORT] Test fleet, October 2026",
    ]  # fmt: skip


def test_one_report_that_cannot_be_made_keeps_no_other_back(
    gateway: Gateway, records: Records, monkeypatch: pytest.MonkeyPatch
) -> None:
    gateway.run_at("2026-10-20T12:00")

    def broken(*_: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(maker_module, "fleet_report", broken)
    assert gateway.run_at("2026-11-02T07:00") == 2


def test_without_the_table_nothing_is_mailed(gateway: Gateway) -> None:
    gateway.configuration = replace(gateway.configuration, reports=ReportSettings())
    gateway.run_at("2026-10-20T12:00")
    assert gateway.run_at("2026-12-20T12:00") == 0


def test_a_clock_that_was_ahead_starts_anew(gateway: Gateway, records: Records) -> None:
    records.note_reports_made(at_ms("2030-01-01T00:00"))
    assert gateway.run_at("2026-11-02T07:00") == 0
    assert gateway.run_at("2026-12-02T07:00") == 3


def test_due_months_follow_the_wall_s_clock() -> None:
    """Also where the clock is changed: 01:30 comes twice in New York on 1 November 2026."""
    new_york = "America/New_York"
    early = ReportSettings(day=1, at=time(1, 30), time_zone=new_york)
    before, after = at_ms("2026-10-15T00:00", new_york), at_ms("2026-11-30T00:00", new_york)
    assert early.due(before, after) == [Month(2026, 10)]
    # 02:30 does not come in New York on 14 March 2027.
    gap = ReportSettings(day=14, at=time(2, 30), time_zone=new_york)
    assert gap.due(at_ms("2027-03-01T00:00"), at_ms("2027-03-20T00:00")) == [Month(2027, 2)]
    assert len(early.due(0, after)) == 24, "of half a century the newest two years"


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ("day = 31\n", "day"),
        ('time_zone = "Mars/Olympus"\n', "time_zone"),
        ('to = ["nobody"]\n', "to"),
        ("water_price_per_m3 = 4.0\n", "currency"),
        ("wather_price = 1\n", "wather_price"),
    ],
)
def test_what_cannot_be_meant_is_refused(tmp_path: Path, lines: str, said: str) -> None:
    write_fleet(tmp_path, broker_port=1, mail_port=1)
    path = tmp_path / "fleet.toml"
    path.write_text(path.read_text() + "\n[reports]\n" + lines)
    with pytest.raises(ConfigurationFaults) as caught:
        load(tmp_path, {})
    assert any(said in p.key or said in p.what for p in caught.value.problems)


def test_a_past_month_tells_the_condition_of_its_end_and_the_visits_after_it(
    gateway: Gateway, records: Records, store: EmbeddedStore
) -> None:
    month = Month(2026, 10)
    end_ms = at_ms("2026-11-01T00:00")
    worn = [
        PartCondition(0, "pads", end_ms + day * DAY_MS - 1, pct, 3.0, pct, "pressure drop", 40,
                      0, 1, "Pads.", ())
        for day, pct in ((-1, 44.0), (0, 42.0), (20, 97.0))
    ]  # fmt: skip
    records.commit(1, StepResult(conditions=tuple(worn)), [], end_ms)
    (where,) = [s for s in gateway.configuration.sites if s.id == "quay-cold-store"]
    visits = [
        Proposal("van-1", day, a_visit(where, VisitState.PROPOSED, at_ms(f"{day}T08:00"), "ac-1",
                                       "pads", ()).course)
        for day in ("2026-10-30", "2026-11-05", "2027-03-01")
    ]  # fmt: skip
    records.propose_visits(visits, Outcome("2026-10-30", 28, 0.0, 0.0, 0.0, (), (), ()), end_ms)
    read = read_site(records, store, where, month, at_ms("2026-11-25T12:00"), {})
    assert [row.condition_pct for row in read.conditions] == [42.0]
    assert [row.due.condition_pct for row in read.due] == [pytest.approx(42.0, abs=1.0)]
    assert [row.day for row in read.visits] == ["2026-11-05"]
