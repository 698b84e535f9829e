"""Records for tests: a fleet of two sites, its people, and events written in one line."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

from sqlalchemy.engine import URL

from gateway.records import Records
from gateway.tickets.notice import Recipient
from gateway.tickets.routing import Routing, TeamRoute
from rules.events import AlarmEvent, AlarmState, Change, Evidence, Reading, Severity, StepResult
from support.migrated import put_empty_records

__all__ = [
    "HOUR_MS",
    "NOW_MS",
    "ROUTING",
    "UNITS",
    "acknowledged",
    "open_records",
    "raised",
    "returned",
    "step",
    "worsened",
]

HOUR_MS: Final = 3_600_000
NOW_MS: Final = 1_772_357_400_000  # 2026-03-01 09:30 UTC

UNITS: Final = {
    ("quay-cold-store", "ac-1"): 0,
    ("quay-cold-store", "ac-2"): 1,
    ("hill-dairy", "ac-1"): 2,
}

RUI: Final = Recipient("Rui Prata", "rui@north.example")
PLANNER: Final = Recipient("Planning", "planning@north.example")
WATCH: Final = Recipient("Control room", "watch@centre.example")

ROUTING: Final = Routing(
    teams={"north": TeamRoute(on_call=(RUI,), planner=(PLANNER,), monitoring=(WATCH,))},
    team_of_site={"quay-cold-store": "north", "hill-dairy": "north"},
)


def open_records(where: Path | URL, **options: Any) -> Records:
    """The records in a folder or database, with the fleet's units."""
    url: str | URL = where if isinstance(where, URL) else f"sqlite:///{where / 'records.sqlite'}"
    if isinstance(where, Path):
        put_empty_records(where / "records.sqlite")
    records = Records(url, **({"routing": ROUTING} | options))
    records.sync_units(UNITS)
    return records


def evidence(summary: str = "The spray pressure is 31 % below the clean pump's.") -> Evidence:
    reading = Reading("Spray pressure", 58.0, "kPa", expected=84.0)
    return Evidence(summary, 0.8, readings=(reading,), signals=("spray_pressure",))


def raised(
    time_ms: int, severity: Severity = Severity.MEDIUM, row: int = 0, fault: str = "fan-fault"
) -> AlarmEvent:
    return AlarmEvent(
        row, fault, time_ms, Change.RAISED, AlarmState.UNACKNOWLEDGED, severity,
        time_ms - 60_000, evidence(),
    )  # fmt: skip


def worsened(
    time_ms: int, severity: Severity = Severity.HIGH, row: int = 0, fault: str = "fan-fault"
) -> AlarmEvent:
    return AlarmEvent(
        row, fault, time_ms, Change.WORSENED, AlarmState.UNACKNOWLEDGED, severity,
        time_ms - 60_000, evidence("The spray pressure is 55 % below the clean pump's."),
    )  # fmt: skip


def returned(time_ms: int, row: int = 0, fault: str = "fan-fault") -> AlarmEvent:
    return AlarmEvent(
        row, fault, time_ms, Change.RETURNED, AlarmState.RETURNED_UNACKNOWLEDGED,
        Severity.NONE, time_ms - 60_000,
    )  # fmt: skip


def acknowledged(time_ms: int, by: str = "Rui Prata", row: int = 0) -> AlarmEvent:
    return AlarmEvent(
        row, "fan-fault", time_ms, Change.ACKNOWLEDGED, AlarmState.ACKNOWLEDGED,
        Severity.MEDIUM, time_ms - 60_000, by=by, note="On my way.",
    )  # fmt: skip


def moved(
    time_ms: int, change: Change, state: AlarmState, row: int = 0, fault: str = "fan-fault"
) -> AlarmEvent:
    """The alarm comes to ``state`` by ``change``."""
    return AlarmEvent(
        row, fault, time_ms, change, state, Severity.MEDIUM, time_ms - 60_000, by="Rui Prata"
    )


def step(*events: AlarmEvent) -> StepResult:
    return StepResult(events)
