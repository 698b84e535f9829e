"""A small fleet with crews, its parts' wear in real records, and a way to a real mail catcher."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from config_fleet import ENVIRON, REAL_FLEET, REAL_SITE, write
from support.records import ROUTING, open_records, raised
from test_crews_config import CREWS

from gateway.config import Configuration, load
from gateway.due_keeper import DueKeeper
from gateway.records import Records
from rules.condition import PartCondition
from rules.condition.figures import DAY_MS
from rules.events import Severity, StepResult

__all__ = ["FLEET_SITE", "NOW_MS", "VISIT", "configured", "wear", "worn_records"]

NOW_MS: Final = int(datetime(2026, 7, 6, 9, 30, tzinfo=UTC).timestamp() * 1000)  # a Monday
FLEET_SITE: Final = "quay-cold-store"
VISIT: Final = """
[visit]
latitude_deg = 38.64
longitude_deg = -9.05
access = [{ begins = 06:00:00, ends = 17:00:00 }]
hot_months = [6, 7, 8]
cool_ends = 15:00:00
"""


def configured(folder: Path, crews: str = CREWS, visit: str = VISIT) -> Configuration:
    """The fleet directory's own configuration."""
    write(folder, fleet=REAL_FLEET, site=REAL_SITE)
    path = folder / "sites" / f"{FLEET_SITE}.toml"
    text = path.read_text()
    at = text.index("[[units]]")
    path.write_text(f"{text[:at]}{visit}\n{text[at:]}")
    (folder / "crews.toml").write_text(crews)
    return load(folder, ENVIRON)


def wear(
    part: str, level_pct: float, a_day: float, days: int = 30, now_ms: int = NOW_MS
) -> tuple[PartCondition, ...]:
    """A month of daily figures that fall to ``level_pct``, with a little noise that is no trend."""
    figures = []
    for back in range(days, -1, -1):
        time_ms = now_ms - back * DAY_MS
        pct = level_pct + a_day * back + (0.6 if back % 2 else -0.6)
        figures.append(
            PartCondition(
                0, part, time_ms, pct, 3.0, pct, "spray pressure", 200, time_ms - DAY_MS, 1,
                f"{part} at {pct:.0f} %.",
            )
        )  # fmt: skip
    return tuple(figures)


def worn_records(where: Any, now_ms: int = NOW_MS) -> Records:
    """Pads and coil wear down to be due within weeks; a low ticket asks for the float."""
    records = open_records(where, routing=ROUTING)
    conditions = (*wear("pads", 12.0, 1.2, now_ms=now_ms), *wear("coil", 20.0, 1.4, now_ms=now_ms))
    low = raised(now_ms - DAY_MS, Severity.LOW, fault="float-stuck-shut")
    records.commit(1, StepResult((low,), conditions=conditions), [], now_ms)
    DueKeeper(records, lambda: now_ms).run()
    return records
