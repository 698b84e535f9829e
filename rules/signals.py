"""The signal catalogue: every quantity the program knows, its unit and its possible range.

Each signal has one canonical name (the name on the wire, in files and in stores) and one unit, in
which the program holds it. Values are converted once, where they come in. The ranges say what is
physically possible, not what is normal: a value outside is refused with a reason.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

__all__ = ["FOG_PCT", "INDEX", "N_SIGNALS", "SIGNALS", "Kind", "Signal", "signal"]

Kind = Literal["analogue", "flag", "mask"]


@dataclass(frozen=True)
class Signal:
    """One measured or commanded quantity of a unit.

    ``low`` and ``high`` bound what is physically possible, in ``unit``. ``decimals`` is how many
    decimal places a person should be shown. A ``flag`` is 0 or 1; a ``mask`` has one bit per fan,
    bit 0 for fan 1, and travels as a whole number.
    """

    name: str
    title: str
    unit: str
    low: float
    high: float
    decimals: int
    kind: Kind
    meaning: str


SIGNALS: Final[tuple[Signal, ...]] = (
    Signal("basin_level", "Basin level", "mm", 0.0, 3000.0, 0, "analogue",
           "Water level above the basin floor."),
    Signal("conductivity", "Conductivity", "µS/cm", 0.0, 50_000.0, 0, "analogue",
           "Conductivity of the basin water, referred to 25 °C."),
    Signal("basin_temperature", "Basin temperature", "°C", -30.0, 80.0, 1, "analogue",
           "Temperature of the basin water."),
    Signal("pump_current", "Pump current", "A", 0.0, 200.0, 2, "analogue",
           "Line current of the recirculating pump's motor."),
    Signal("supply_voltage", "Supply voltage", "V", 0.0, 1000.0, 0, "analogue",
           "Supply voltage at the pump's starter: line to line, or to neutral if single phase."),
    Signal("spray_pressure", "Spray pressure", "kPa", -100.0, 2000.0, 1, "analogue",
           "Gauge pressure at the pump's discharge, in the distribution line."),
    Signal("spray_flow", "Spray flow", "L/min", 0.0, 10_000.0, 1, "analogue",
           "Water flow in the distribution line."),
    Signal("head_pressure", "Head pressure", "kPa", 0.0, 20_000.0, 0, "analogue",
           "Absolute pressure of the refrigerant on the condensing side."),
    Signal("ambient_temperature", "Ambient temperature", "°C", -60.0, 65.0, 1, "analogue",
           "Dry-bulb temperature of the air drawn into the unit."),
    Signal("relative_humidity", "Relative humidity", "%", 0.0, 100.0, 0, "analogue",
           "Relative humidity of the air drawn into the unit."),
    Signal("fan_speed", "Fan speed command", "%", 0.0, 120.0, 0, "analogue",
           "Commanded fan speed, per cent of full speed."),
    Signal("fan_run", "Fans proven running", "", 0.0, 4_294_967_295.0, 0, "mask",
           "Bit mask of fans proven running, bit 0 for fan 1."),
    Signal("fan_fault", "Fan faults reported", "", 0.0, 4_294_967_295.0, 0, "mask",
           "Bit mask of fans that report a fault, bit 0 for fan 1."),
    Signal("pump_command", "Pump command", "", 0.0, 1.0, 0, "flag",
           "1 while the site's controller commands the recirculating pump to run."),
    Signal("wet_mode", "Wet mode", "", 0.0, 1.0, 0, "flag",
           "1 while the site's controller runs the unit with wetted pads."),
    Signal("makeup_flow", "Make-up flow", "L/min", 0.0, 5000.0, 1, "analogue",
           "Water flow through the make-up valve."),
    Signal("bleed_flow", "Bleed flow", "L/min", 0.0, 5000.0, 2, "analogue",
           "Water flow through the bleed line."),
    Signal("pad_pressure_drop", "Pad pressure drop", "Pa", -100.0, 2000.0, 0, "analogue",
           "Air-side pressure drop over the wetted pads."),
    Signal("heat_load", "Heat load", "kW", 0.0, 50_000.0, 0, "analogue",
           "Heat rejected by the unit, as the site's controller estimates it."),
)  # fmt: skip

FOG_PCT: Final = 97.0
"""Above this a humidity sensor may rest at its end for as long as the fog lasts."""

N_SIGNALS: Final = len(SIGNALS)
INDEX: Final[dict[str, int]] = {s.name: i for i, s in enumerate(SIGNALS)}


def signal(name: str) -> Signal:
    """The catalogue entry of a canonical name; ``KeyError`` if there is none."""
    return SIGNALS[INDEX[name]]
