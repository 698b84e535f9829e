"""Words and readings that job plans share."""

from __future__ import annotations

import re
from typing import Final

from rules.job import ReadingToTake
from rules.signals import signal

__all__ = [
    "AIR",
    "CONDUCTIVITY",
    "CURRENT",
    "ELECTRICIAN",
    "HEAD",
    "LEVEL",
    "LIVE",
    "NO_LICENCE",
    "PRESSURE",
    "PUMP_ON",
    "WATCH",
    "items",
    "of",
]

_ITEM: Final = re.compile(r"^ *- ", re.MULTILINE)


def items(text: str) -> tuple[str, ...]:
    """The items of a text block in which each item begins with '- ' on a line of its own."""
    return tuple(" ".join(item.split()) for item in _ITEM.split(text)[1:])


def of(name: str, *, before: bool = True, after: bool = True) -> ReadingToTake:
    """The reading of a catalogue signal, to be taken before the work, after it, or both."""
    entry = signal(name)
    return ReadingToTake(entry.title, entry.unit, name, before=before, after=after)


LEVEL: Final = of("basin_level")
PRESSURE: Final = of("spray_pressure")
CURRENT: Final = of("pump_current")
HEAD: Final = of("head_pressure")
AIR: Final = of("ambient_temperature")
CONDUCTIVITY: Final = of("conductivity")

NO_LICENCE: Final = "No refrigerant licence is needed as long as the circuit stays shut."
ELECTRICIAN: Final = (
    "Work on the wiring: a qualified electrician or electrically skilled technician."
)
WATCH: Final = "Watch the readings come back and stay for a quarter of an hour before you leave."
PUMP_ON: Final = "Guards and covers on, then let the pump run. No hand past a guard."
LIVE: Final = "only by a person qualified for work on live parts"
