"""A fleet of any size with a past, for what people are shown: records, telemetry, configuration."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np

from gateway.batch import Batch, Frame, Reason, Reject
from gateway.config.configuration import Configuration
from gateway.data_directory import RECORDS_FILE, STATUS_FILE
from gateway.intake import BrokerSettings
from gateway.mail.smtp import MailSettings
from gateway.overview.source import Source
from gateway.records import Records
from gateway.records.unit_looks import UnitLookRow
from gateway.telemetry import TELEMETRY_FILE, EmbeddedStore, StoreSettings
from gateway.tickets.notice import Recipient
from gateway.tickets.routing import Routing, TeamRoute
from rules.equipment import Site
from rules.events import (
    ActionKind,
    AlarmEvent,
    AlarmState,
    BaselineChange,
    Cause,
    Change,
    Evidence,
    Reading,
    Severity,
    StepResult,
)
from rules.expected import live_readings, running_state
from rules.signals import INDEX
from support.fleet import HEALTHY, Feed, engine_of, site, unit_data
from support.migrated import put_empty_records

__all__ = ["NOW_MS", "ShownFleet", "evidence", "fleet_of"]

NOW_MS: Final = 1_783_000_200_000
MINUTE_MS: Final = 60_000
_WORDS: Final = (
    "Harbour", "Mill", "Orchard", "Quarry", "Station", "Meadow", "Bridge", "Forge", "Valley",
    "Chapel",
)  # fmt: skip
_KINDS: Final = ("Cold Store", "Dairy", "Market", "Data Hall", "Packhouse", "Bakery", "Brewery")

_AFTER: Final = {
    ActionKind.ACKNOWLEDGE: (Change.ACKNOWLEDGED, AlarmState.ACKNOWLEDGED),
    ActionKind.SHELVE: (Change.SHELVED, AlarmState.SHELVED),
    ActionKind.UNSHELVE: (Change.UNSHELVED, AlarmState.NORMAL),
    ActionKind.RESET: (Change.RESET, AlarmState.NORMAL),
    ActionKind.OUT_OF_SERVICE: (Change.OUT_OF_SERVICE, AlarmState.OUT_OF_SERVICE),
    ActionKind.IN_SERVICE: (Change.IN_SERVICE, AlarmState.NORMAL),
}


def fleet_of(sites: int, units: int) -> tuple[Site, ...]:
    """So many sites with so many units each; teams 'north' and 'south' by turns."""
    made = []
    for i in range(sites):
        name = f"{_WORDS[i % 10]} {_KINDS[i // 10 % 7]} {i + 1}"
        data = [unit_data(f"ac-{k + 1}", name=f"Condenser {k + 1}") for k in range(units)]
        one = site(name.lower().replace(" ", "-"), data)
        made.append(
            one.model_copy(update={"name": name, "team": ("north", "south")[i % 2],
                                   "address": f"{i + 1} Test Lane, Kingsmere"})
        )  # fmt: skip
    return tuple(made)


def evidence(summary: str = "Spray pressure is 31 % below the clean pump's.") -> Evidence:
    return Evidence(
        summary, 0.8,
        readings=(Reading("Spray pressure", 41.0, "kPa", expected=60.0, low=55.0, high=66.0),),
        causes=(Cause("screen", "Pump suction screen clogged", 0.9, ("pressure is down",),
                      to_decide="Look at the screen."),),
        signals=("spray_pressure",),
    )  # fmt: skip


class ShownFleet:
    """The parts that a board reads, filled by a test."""

    def __init__(self, where: Path, sites: Sequence[Site] | None = None) -> None:
        self.where = where
        self.sites = tuple(sites or fleet_of(2, 2))
        rui = Recipient("Rui Prata", "rui@north.example")
        desk = Recipient("Control room", "watch@centre.example")
        routing = Routing(
            teams={
                name: TeamRoute(on_call=(rui,), monitoring=(desk,), name=name.title())
                for name in ("north", "south")
            },
            team_of_site={s.id: s.team for s in self.sites},
        )
        self.configuration = Configuration(
            directory=where, name="North fleet", from_name="basinward", sites=self.sites,
            settings={}, broker=BrokerSettings(host="127.0.0.1"), store=StoreSettings(),
            mail=MailSettings(host="localhost", from_address="gateway@north.example"),
            journal_budget_mb=100, routing=routing,
        )  # fmt: skip
        keys = [(s.id, u.id) for s in self.sites for u in s.units]
        self.rows = {key: row for row, key in enumerate(keys)}
        put_empty_records(where / RECORDS_FILE)
        self.records = Records(f"sqlite:///{where / RECORDS_FILE}", routing=routing)
        self.records.sync_units(self.rows)
        self.store = EmbeddedStore(
            where / TELEMETRY_FILE, {row: key for key, row in self.rows.items()}
        )
        self.source = Source(self.records, self.store, self.configuration, where)
        self.boards: dict[Any, Any] = {}
        """What is made of this fleet once and shown many times; see ``support.shown_board``."""
        self.now_ms = NOW_MS
        self._offset = 0
        self.gateway_says()

    def close(self) -> None:
        self.records.close()
        self.store.close()

    def gateway_says(self, *troubles: str, ago_ms: int = 0, behind_s: float = 0.4) -> None:
        """What the gateway wrote about itself."""
        status = {
            "now_ms": self.now_ms - ago_ms,
            "troubles": troubles,
            "rules": {"lag_s": behind_s},
        }
        (self.where / STATUS_FILE).write_text(json.dumps(status))

    def commit(
        self,
        *events: AlarmEvent,
        rejects: Sequence[Reject] = (),
        baselines: Sequence[BaselineChange] = (),
    ) -> None:
        """A step of the rules."""
        self.step(StepResult(events, tuple(baselines)), rejects)

    def step(self, step: StepResult, rejects: Sequence[Reject] = ()) -> None:
        """A whole step of the rules."""
        self._offset += 1
        self.records.commit(self._offset, step, rejects, self.now_ms)

    def alarm(
        self,
        row: int,
        fault: str = "pump-screen-clogging",
        severity: Severity = Severity.MEDIUM,
        *,
        ago_min: float = 30.0,
        why: Evidence | None = None,
    ) -> AlarmEvent:
        """An alarm that is raised."""
        at_ms = self.now_ms - int(ago_min * MINUTE_MS)
        return AlarmEvent(
            row, fault, at_ms, Change.RAISED, AlarmState.UNACKNOWLEDGED, severity,
            at_ms - 5 * MINUTE_MS, why or evidence(),
        )  # fmt: skip

    def changed(
        self,
        event: AlarmEvent,
        change: Change,
        state: AlarmState,
        *,
        by: str = "",
        note: str = "",
        ago_min: float = 10.0,
        severity: Severity | None = None,
    ) -> AlarmEvent:
        """A later change of the same alarm."""
        return AlarmEvent(
            event.unit_row, event.fault, self.now_ms - int(ago_min * MINUTE_MS), change, state,
            event.severity if severity is None else severity, event.onset_ms, by=by, note=note,
        )  # fmt: skip

    def apply(self) -> None:
        """Do what the rules do with what people asked for and nobody has applied."""
        waiting = self.records.pending_actions()
        standing = {(a.unit_row, a.fault): a for a in self.records.standing_alarms()}
        events = []
        for action in waiting:
            change, state = _AFTER[action.kind]
            keys = [k for k in standing if k[0] == action.unit_row]
            for key in [(action.unit_row, action.fault)] if action.fault else keys:
                before = standing[key]
                events.append(
                    AlarmEvent(
                        *key, self.now_ms, change, state, before.severity, before.onset_ms,
                        by=action.by, note=action.note,
                    )
                )  # fmt: skip
        self._offset += 1
        ids = [a.id for a in waiting]
        self.records.commit(self._offset, StepResult(tuple(events)), (), self.now_ms, ids)

    def refuse(
        self, site_id: str, unit_id: str, reason: Reason, detail: str, count: int = 1
    ) -> None:
        """Something that was not taken."""
        topic = f"sites/{site_id}/{unit_id}/senml"
        one = Reject(
            self.now_ms - MINUTE_MS, topic, reason, detail, "[{}]", site_id, unit_id, count
        )
        self.commit(rejects=[one])

    def look(self, row: int = 0, **changes: float | None) -> None:
        """Let the rules look at a unit that has run for an hour."""
        key = next(k for k, r in self.rows.items() if r == row)
        plate = next(s for s in self.sites if s.id == key[0])
        one = plate.model_copy(update={"units": (plate.unit(key[1]),)})
        feed = Feed(engine_of(one), start_ms=self.now_ms - 3_600_000)
        feed.run(3600, heat_load=240.0, **changes)
        seen = feed.engine.look(0)
        assert seen is not None
        self.records.write_unit_looks(
            [UnitLookRow(row, feed.now_ms, self.now_ms, running_state(seen), live_readings(seen))]
        )

    def samples(self, row: int = 0, *, hours: float = 24.0, every_s: float = 300.0) -> None:
        """Readings that go up and down with the day."""
        rng = np.random.default_rng(row)
        frames = []
        for at_s in np.arange(0, hours * 3600, every_s):
            at_ms = self.now_ms - int(at_s * 1000)
            wave = np.sin(at_ms / 86_400_000 * 2 * np.pi)
            values = dict(HEALTHY) | {
                "basin_level": 165 + 8 * wave + rng.normal(0, 1),
                "conductivity": 900 + 150 * wave + rng.normal(0, 8),
                "pump_current": 3.6 + rng.normal(0, 0.03),
                "spray_pressure": 58 + rng.normal(0, 0.5),
                "head_pressure": 1000 + 120 * wave + rng.normal(0, 8),
                "ambient_temperature": 24 + 6 * wave,
            }
            frames.append(Frame(row, at_ms, {INDEX[n]: float(v) for n, v in values.items()}))
        self.store.write(Batch.of(frames))
        self.store.maintain(self.now_ms)
