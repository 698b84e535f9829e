"""The quantities whose clean values are learned, and the parts whose cleaning renews them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

__all__ = ["CLEANABLE_PARTS", "STEADY", "SteadyQuantity"]


@dataclass(frozen=True)
class SteadyQuantity:
    """A quantity with a learned baseline: a mean over five steady minutes, kept by running time."""

    name: str
    title: str
    unit: str
    mode: str
    parts: tuple[str, ...]
    """The parts whose cleaning calls for a new baseline."""


CLEANABLE_PARTS: Final = (
    "pump-screen", "distribution", "pads", "coil", "basin", "float", "bleed", "fans"
)  # fmt: skip
"""What a person cleans at a unit, by the names that a close-out uses."""

_WATER: Final = ("pump-screen", "distribution")
STEADY: Final[tuple[SteadyQuantity, ...]] = (
    SteadyQuantity("pump_current", "Pump current at rated voltage", "A", "pump running", _WATER),
    SteadyQuantity("spray_pressure", "Spray pressure", "kPa", "pump running", _WATER),
    SteadyQuantity("spray_flow", "Spray flow", "L/min", "pump running", _WATER),
    SteadyQuantity("td_dry", "Condensing temperature above air on coil", "K", "dry",
                   ("coil", "fans")),
    SteadyQuantity("td_wet", "Condensing temperature above air on coil", "K", "wet",
                   ("coil", "fans", "pads", "distribution")),
    SteadyQuantity("pad_pressure_drop", "Pad pressure drop at full airflow", "Pa", "wet",
                   ("pads", "fans")),
)  # fmt: skip
