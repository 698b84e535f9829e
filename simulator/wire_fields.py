"""What a simulated unit calls its signals on the wire, and in which units, for every encoding.

Flags and masks come first, then analogue signals with a unit of their own; those of the most
frequent unit come last, so that it can be the base unit of a SenML pack. Signals that the site file
maps to a name and unit of their own go out under that name, without a unit.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rules.signals import INDEX, SIGNALS
from simulator import air
from simulator.fleet import FleetError, SignalForm, UnitPlate

__all__ = ["UnitFields", "WireField", "natural_water_factor"]

FloatArray = NDArray[np.float64]

# The registered symbol of each quantity (RFC 8428, section 12.1) and its factor from the
# catalogue's unit. Conductivity: 1 S/m is 10 000 µS/cm.
_SENML: Final[dict[str, tuple[str, float]]] = {
    "basin_level": ("m", 1e-3),
    "conductivity": ("S/m", 1e-4),
    "basin_temperature": ("Cel", 1.0),
    "pump_current": ("A", 1.0),
    "supply_voltage": ("V", 1.0),
    "spray_pressure": ("Pa", 1e3),
    "spray_flow": ("m3/s", 1.0 / 60_000.0),
    "head_pressure": ("Pa", 1e3),
    "ambient_temperature": ("Cel", 1.0),
    "relative_humidity": ("%RH", 1.0),
    "fan_speed": ("/", 0.01),
    "fan_run": ("count", 1.0),
    "fan_fault": ("count", 1.0),
    "pump_command": ("", 1.0),
    "wet_mode": ("", 1.0),
    "makeup_flow": ("m3/s", 1.0 / 60_000.0),
    "bleed_flow": ("m3/s", 1.0 / 60_000.0),
    "pad_pressure_drop": ("Pa", 1.0),
    "heat_load": ("W", 1e3),
}

# What sensors with units of their own send: value = factor * (catalogue value) + offset.
# 1 psi = 6.894757 kPa, 1 US gal = 3.785412 L, 1 in = 25.4 mm (definitions).
_OWN: Final[dict[str, tuple[float, float]]] = {
    "mm": (1.0, 0.0),
    "cm": (0.1, 0.0),
    "in": (1.0 / 25.4, 0.0),
    "µS/cm": (1.0, 0.0),
    "uS/cm": (1.0, 0.0),
    "mS/cm": (1e-3, 0.0),
    "degC": (1.0, 0.0),
    "Cel": (1.0, 0.0),
    "degF": (1.8, 32.0),
    "K": (1.0, 273.15),
    "A": (1.0, 0.0),
    "mA": (1000.0, 0.0),
    "V": (1.0, 0.0),
    "kPa": (1.0, 0.0),
    "bar": (0.01, 0.0),
    "psi": (1.0 / 6.894757, 0.0),
    "l/min": (1.0, 0.0),
    "L/min": (1.0, 0.0),
    "gal/min": (1.0 / 3.785412, 0.0),
    "percent": (1.0, 0.0),
    "kW": (1.0, 0.0),
}

# Factor from conductivity at t to that at 25 °C, 0 to 35 °C in steps of 1 K: ISO 7888:1985, natural
# waters, as reproduced in secondary texts. Beyond 35 °C it goes on with the last step.
_NATURAL_WATER: Final = (
    1.918, 1.857, 1.800, 1.745, 1.693, 1.643, 1.596, 1.551, 1.508, 1.467, 1.428, 1.390,
    1.354, 1.320, 1.287, 1.256, 1.225, 1.196, 1.168, 1.141, 1.116, 1.091, 1.067, 1.044,
    1.021, 1.000, 0.979, 0.959, 0.940, 0.921, 0.903, 0.886, 0.869, 0.853, 0.837, 0.822,
)  # fmt: skip
_LINEAR_PER_K: Final = 0.0191  # common default of field probes


def natural_water_factor(temp_degc: FloatArray) -> FloatArray:
    """Conductivity at 25 °C over that at the temperature [°C, 0 to 35; held beyond]."""
    return np.asarray(np.interp(temp_degc, np.arange(36.0), _NATURAL_WATER))


@dataclass(frozen=True)
class WireField:
    """One signal on the wire: ``factor * catalogue value + offset`` in ``unit`` under ``name``.

    ``kind`` is that of the catalogue: analogue, flag or mask.
    """

    column: int
    name: str
    unit: str
    factor: float
    offset: float
    kind: str


class UnitFields:
    """The signals of one unit in their order, and the ``base_unit`` that most of them share."""

    def __init__(self, unit: UnitPlate, elevation_m: float) -> None:
        """``elevation_m`` of the site gives the barometric pressure that a gauge leaves out."""
        self._raw = unit.probe
        self._gauge_offset_kpa = (
            float(air.barometric_kpa(elevation_m)) if unit.gauge_head_pressure else 0.0
        )
        every = [self._field(s.name, s.kind, unit.forms) for s in SIGNALS]
        shared = Counter(f.unit for f in every if f.unit and f.kind == "analogue")
        base_unit = shared.most_common(1)[0][0] if shared else ""
        # Records without a unit must not come under the base unit, so its group is last.
        self.fields = sorted(every, key=lambda f: (f.unit == base_unit, f.kind == "analogue"))
        self.base_unit = base_unit

    @staticmethod
    def _field(name: str, kind: str, forms: Mapping[str, SignalForm]) -> WireField:
        form = forms.get(name)
        if form is None:
            unit, factor = _SENML[name]
            return WireField(INDEX[name], name, unit, factor, 0.0, kind)
        if form.unit is None:
            unit, factor = _SENML[name]
            offset = 0.0
        else:
            unit = ""
            if form.unit not in _OWN:
                msg = (
                    f"signal {form.name}: unit '{form.unit}' cannot be simulated; use one of "
                    f"{', '.join(_OWN)}"
                )
                raise FleetError(msg)
            factor, offset = _OWN[form.unit]
        # The reader computes signal = scale * converted + form.offset, so undo that first.
        return WireField(
            INDEX[name], form.name, unit, factor / form.scale,
            offset - factor * form.offset / form.scale, kind,
        )  # fmt: skip

    def shown(self, values: FloatArray) -> FloatArray:
        """Values as this unit's instruments show them: raw conductivity, gauge head pressure."""
        if self._raw == "referred-25c" and self._gauge_offset_kpa == 0.0:
            return values
        shown = values.copy()
        shown[:, INDEX["head_pressure"]] -= self._gauge_offset_kpa
        temp = values[:, INDEX["basin_temperature"]]
        if self._raw == "raw-natural-water":
            shown[:, INDEX["conductivity"]] /= natural_water_factor(temp)
        elif self._raw == "raw-linear":
            shown[:, INDEX["conductivity"]] *= 1.0 + _LINEAR_PER_K * (temp - 25.0)
        return shown
