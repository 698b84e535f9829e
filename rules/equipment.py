"""What a site and its units are: the models of the site files.

Nameplate figures come from the unit's own data sheet, in the units that the key names. pydantic
refuses a figure outside the range a real machine can have, and relations between figures (the
float must sit below the overflow) are checked here too. Reading the files is the gateway's work.
"""

from __future__ import annotations

import re
from datetime import date, time
from functools import cache
from typing import Annotated, Final, Literal, Self
from zoneinfo import ZoneInfo, available_timezones

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from rules.signals import INDEX

__all__ = [
    "ID_PATTERN",
    "AccessHours",
    "Basin",
    "Condenser",
    "Contact",
    "Fans",
    "IsolationPoint",
    "OwnRule",
    "Pads",
    "Pump",
    "Refrigerant",
    "SignalMapping",
    "Site",
    "SparkplugNode",
    "Unit",
    "VisitPlace",
    "Water",
    "time_zone_names",
]

ID_PATTERN: Final = re.compile(r"[a-z0-9][a-z0-9-]{0,63}")
"""Site and unit ids: they become levels of an MQTT topic."""

Refrigerant = Literal["R717", "R744", "R134a", "R404A", "R407A", "R448A", "R449A", "R513A"]
Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
Energy = Literal["electrical", "water", "refrigerant", "pneumatic", "mechanical"]


def _identifier(value: str) -> str:
    if not ID_PATTERN.fullmatch(value):
        msg = (
            "an id starts with a-z or 0-9, goes on with a-z, 0-9 or '-', and has 64 characters "
            "at most, because it becomes part of the MQTT topic"
        )
        raise ValueError(msg)
    return value


def _topic_level(value: str) -> str:
    if any(c in "+/#" or not c.isprintable() for c in value):
        msg = (
            "an id of Sparkplug is one level of an MQTT topic: printable, without '+', '/' and '#'"
        )
        raise ValueError(msg)
    return value


@cache
def time_zone_names() -> frozenset[str]:
    """The names that the system's time zone data know; gathering them reads all its directories."""
    return frozenset(available_timezones())


def _time_zone(value: str) -> str:
    if value not in time_zone_names():
        msg = "not an IANA time zone name; write one such as 'Europe/Lisbon' or 'America/Denver'"
        raise ValueError(msg)
    return value


Identifier = Annotated[str, AfterValidator(_identifier)]
TimeZoneName = Annotated[str, AfterValidator(_time_zone)]
Text = Annotated[str, Field(min_length=1, max_length=500)]
TopicLevel = Annotated[str, Field(min_length=1, max_length=200), AfterValidator(_topic_level)]
Condition = Annotated[str, Field(min_length=1, max_length=1000)]
EMail = Annotated[str, Field(pattern=r"^[^@\s<>,;:\"]+@[^@\s<>,;:\"]+$", max_length=254)]


class _Model(BaseModel):
    """Frozen, and an unknown key is a fault: a misspelt limit must not be silently ignored."""

    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)


class Contact(_Model):
    """A person or desk at the site whom a technician may need to reach."""

    name: Text
    role: Text
    phone: Annotated[str, Field(pattern=r"^[+0-9][0-9 ()./-]{3,30}$")] | None = None
    email: EMail | None = None


class Basin(_Model):
    """The water basin, its float-operated make-up valve and its overflow.

    Levels are measured above the basin floor. The make-up valve is shut at ``float_shut_mm`` and
    fully open ``float_band_mm`` below it.
    """

    area_m2: float = Field(ge=0.05, le=100, description="free water surface")
    depth_mm: float = Field(ge=50, le=3000, description="floor to rim")
    float_shut_mm: float = Field(ge=20, le=3000, description="level at which the float shuts")
    float_band_mm: float = Field(
        ge=2, le=500, description="fall below shut at which the valve is fully open"
    )
    overflow_mm: float = Field(ge=20, le=3000, description="lip of the overflow")
    pump_minimum_mm: float = Field(
        ge=0, le=2500, description="level below which the pump draws air"
    )
    makeup_max_l_min: float = Field(ge=0.5, le=2000, description="make-up flow, valve fully open")
    pull_down_mm: float = Field(
        ge=0, le=500, default=0.0,
        description="fall of level on pump start, by the water held in pads and pipes",
    )  # fmt: skip

    @model_validator(mode="after")
    def _levels_in_order(self) -> Self:
        if self.overflow_mm > self.depth_mm:
            msg = f"overflow_mm ({self.overflow_mm:g}) is above depth_mm ({self.depth_mm:g})"
            raise ValueError(msg)
        if self.float_shut_mm >= self.overflow_mm:
            msg = (
                f"float_shut_mm ({self.float_shut_mm:g}) must be below overflow_mm "
                f"({self.overflow_mm:g}), or the basin would overflow in normal running"
            )
            raise ValueError(msg)
        if self.pump_minimum_mm >= self.float_shut_mm - self.float_band_mm:
            msg = (
                f"pump_minimum_mm ({self.pump_minimum_mm:g}) must be below the float's band "
                f"({self.float_shut_mm - self.float_band_mm:g} to {self.float_shut_mm:g})"
            )
            raise ValueError(msg)
        return self


class Pump(_Model):
    """The recirculating pump and its motor."""

    rated_current_a: float = Field(ge=0.1, le=200, description="nameplate current at rated voltage")
    rated_voltage_v: float = Field(ge=24, le=690, description="nameplate voltage")
    phases: Literal[1, 3] = 3
    rated_flow_l_min: float = Field(ge=1, le=10_000, description="flow at the clean duty point")
    rated_pressure_kpa: float = Field(
        ge=1, le=1000, description="gauge pressure at the discharge, clean duty point"
    )
    magnetising_current_frac: float = Field(
        ge=0.1, le=0.8, default=0.45,
        description="no-load current as a fraction of rated (0.25 to 0.5; small motors more)",
    )  # fmt: skip
    shutoff_power_frac: float = Field(
        ge=0.2, le=0.95, default=0.5,
        description="shaft power at zero flow as a fraction of rated (radial pumps 0.4 to 0.6)",
    )  # fmt: skip


class Fans(_Model):
    """The row of fans."""

    count: int = Field(ge=1, le=32)
    rated_airflow_m3_s: float = Field(ge=0.1, le=500, description="all fans at full speed")


class Pads(_Model):
    """The wetted pads."""

    effectiveness_frac: float = Field(
        ge=0.3, le=0.98, default=0.8, description="saturation effectiveness, clean and fully wetted"
    )


class Condenser(_Model):
    """The refrigerant side."""

    refrigerant: Refrigerant
    rated_capacity_kw: float = Field(ge=1, le=20_000, description="heat rejection at rated_td_k")
    rated_td_k: float = Field(
        ge=2, le=40, description="condensing temperature (dew line) less air on coil, at rating"
    )
    cut_out_kpa_abs: float = Field(
        ge=200, le=16_000, description="high-pressure cut-out, absolute (gauge + barometric)"
    )


USUAL_CYCLES: Final = 3.0
"""Cycles of concentration where the site file states none (common practice)."""
LIMIT_ROOM_FRAC: Final = 0.75
"""Share of the way from the make-up to the limit up to which those are intended: a controller's
band and a probe's error, a tenth each (common practice), and a little more (judgement)."""


class Water(_Model):
    """Make-up water and limits of the basin water, conductivity referred to 25 °C."""

    makeup_conductivity_us_cm: float = Field(ge=5, le=10_000)
    conductivity_limit_us_cm: float = Field(
        ge=50, le=30_000, description="from the unit's manual or the site's water-treatment plan"
    )
    target_cycles: float = Field(
        ge=1.1,
        le=20,
        default=USUAL_CYCLES,
        description="cycles of concentration; left out: 3, or fewer where the limit asks for it",
    )

    @model_validator(mode="before")
    @classmethod
    def _cycles_below_limit(cls, data: object) -> object:
        """Cycles that are not stated are no more than the limit leaves room for.

        Nobody intends water above its limit. Cycles of ``1 + 0.75 (limit / make-up - 1)`` are
        what a bleed holds that is a third larger than the least that keeps the limit.
        """
        if not isinstance(data, dict) or "target_cycles" in data:
            return data
        limit = data.get("conductivity_limit_us_cm")
        makeup = data.get("makeup_conductivity_us_cm")
        if not isinstance(limit, int | float) or not isinstance(makeup, int | float):
            return data
        if not limit > makeup > 0.0:
            return data  # which is refused for that
        room = LIMIT_ROOM_FRAC * (limit / makeup - 1.0)
        return data | {"target_cycles": min(USUAL_CYCLES, max(1.0 + room, 1.1))}

    @model_validator(mode="after")
    def _limit_above_makeup(self) -> Self:
        if self.conductivity_limit_us_cm <= self.makeup_conductivity_us_cm:
            msg = (
                f"conductivity_limit_us_cm ({self.conductivity_limit_us_cm:g}) must be above "
                f"makeup_conductivity_us_cm ({self.makeup_conductivity_us_cm:g})"
            )
            raise ValueError(msg)
        return self


class IsolationPoint(_Model):
    """One place where an energy that reaches the unit is isolated and locked."""

    label: Text
    """As it is marked on the device, for instance 'Q14'."""
    energy: Energy
    isolates: Text
    location: Text
    method: Text
    """How to isolate and lock it."""
    verify: Text
    """How to prove that it is isolated."""


class SignalMapping(_Model):
    """Tells what a name on the wire means, for sensors that use names or units of their own.

    ``unit`` is a symbol that the wire decoder knows (SenML, RFC 8798 or one of the trade's units);
    it is used when the record has none. ``scale`` and ``offset`` are applied after conversion.
    """

    signal: str
    unit: str | None = None
    scale: float = Field(default=1.0, ge=-1e9, le=1e9)
    offset: float = Field(default=0.0, ge=-1e9, le=1e9)

    @model_validator(mode="after")
    def _known_signal(self) -> Self:
        if self.signal not in INDEX:
            msg = f"signal '{self.signal}' is not in the catalogue; known: {', '.join(INDEX)}"
            raise ValueError(msg)
        if self.scale == 0:
            msg = "scale must not be 0"
            raise ValueError(msg)
        return self


Overrides = dict[str, dict[str, float]]
"""Settings by fault slug and setting name; checked against the fault catalogue when loaded."""


class OwnRule(_Model):
    """A rule of the site's own: an alarm that the files define (:mod:`rules.own_rules`).

    The conditions' language is checked when the files are. A unit's rule takes the place of one
    with the same id in its site's file, a site's that of the fleet's.
    """

    id: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,39}$")]
    title: Annotated[str, Field(min_length=1, max_length=80)]
    condition: Condition
    clear: Condition | None = Field(
        default=None, description="when a raised alarm is over; else when the condition is not"
    )
    on_delay_s: float = Field(
        ge=0, le=604_800, default=300.0, description="how long the condition must hold"
    )
    off_delay_s: float = Field(
        ge=0, le=604_800, default=300.0, description="how long it must be clear"
    )
    latches: bool = Field(
        default=False, description="whether it stands until a person resets it, once it is clear"
    )
    priority: Literal["low", "medium", "high"]
    text: Text = Field(description="what it means and what to do: an alarm asks for a response")
    job_plan: Annotated[str, Field(min_length=1, max_length=64)] = "inspection"


class Unit(_Model):
    """One condenser with its basin, pump, pads and fans."""

    id: Identifier
    name: Text
    location: Text
    commissioned: str | None = None
    head_pressure_is_gauge: bool = Field(
        default=False, description="the head pressure transmitter reads gauge, not absolute"
    )
    conductivity_probe: Literal["referred-25c", "raw-linear", "raw-natural-water"] = Field(
        default="referred-25c",
        description="whether the probe compensates to 25 °C itself, or how basinward should",
    )
    basin: Basin
    pump: Pump
    fans: Fans
    pads: Pads = Pads()
    condenser: Condenser
    water: Water
    isolation: Annotated[tuple[IsolationPoint, ...], Field(min_length=1)]
    sparkplug_device: TopicLevel | None = Field(
        default=None, description="its device id, where the site's edge node speaks Sparkplug B"
    )
    signals: dict[str, SignalMapping] = {}
    settings: Overrides = {}
    rules: Annotated[tuple[OwnRule, ...], Field(max_length=100)] = ()

    @model_validator(mode="after")
    def _electrical_isolation_named(self) -> Self:
        if not any(p.energy == "electrical" for p in self.isolation):
            msg = (
                "no isolation point with energy = 'electrical': a ticket must name where the "
                "pump's and fans' supply is locked off"
            )
            raise ValueError(msg)
        return self


class SparkplugNode(_Model):
    """The edge node through which a site speaks Sparkplug B: the levels of its topics."""

    group: TopicLevel
    edge: TopicLevel


class AccessHours(_Model):
    """When a crew may be at a site: on these weekdays, between these times of its clock."""

    days: Annotated[tuple[Weekday, ...], Field(min_length=1, max_length=7)] = (
        "mon", "tue", "wed", "thu", "fri",
    )  # fmt: skip
    begins: time = time(7)
    ends: time = time(17)

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.begins >= self.ends:
            msg = (
                f"ends ({self.ends:%H:%M}) is not after begins ({self.begins:%H:%M}) on that day; "
                "write hours over midnight as two, to 23:59 and from 00:00"
            )
            raise ValueError(msg)
        return self


class VisitPlace(_Model):
    """What the planning of visits must know of a site: where it is, when it is open, its heat.

    In ``hot_months`` its units need their wet pads: pads are worked on before ``cool_ends``, and
    can begin to dry at ``dry_from`` of the evening before. ``closed`` are days without access.
    """

    latitude_deg: float = Field(ge=-90, le=90)
    longitude_deg: float = Field(ge=-180, le=180)
    access: Annotated[tuple[AccessHours, ...], Field(min_length=1, max_length=20)] = (
        AccessHours(),
    )
    closed: Annotated[tuple[date, ...], Field(max_length=1_000)] = ()
    hot_months: Annotated[tuple[Annotated[int, Field(ge=1, le=12)], ...], Field(max_length=12)] = ()
    cool_ends: time = time(11)
    dry_from: time = time(20)
    drying_h: float = Field(default=10.0, ge=0, le=72, description="how long the pads take to dry")


class Site(_Model):
    """One site: where it is, who is there, and its units."""

    id: Identifier
    name: Text
    address: Text
    access: Text
    """How to get in: keys, hours, inductions, roof access."""
    time_zone: TimeZoneName
    elevation_m: float = Field(ge=-430, le=5000)
    display_units: Literal["metric", "us"] = "metric"
    energy_control_procedure: Text
    """Where the site's own lockout procedure is found, for instance 'ECP-07, plant room folder'."""
    team: Identifier
    contacts: Annotated[tuple[Contact, ...], Field(min_length=1)]
    sparkplug: SparkplugNode | None = None
    visit: VisitPlace | None = Field(
        default=None, description="without it no visits are planned here"
    )
    units: Annotated[tuple[Unit, ...], Field(min_length=1, max_length=500)]
    settings: Overrides = {}
    rules: Annotated[tuple[OwnRule, ...], Field(max_length=100)] = ()

    @model_validator(mode="after")
    def _unit_ids_unique(self) -> Self:
        seen: set[str] = set()
        for unit in self.units:
            if unit.id in seen:
                msg = f"unit id '{unit.id}' appears twice"
                raise ValueError(msg)
            seen.add(unit.id)
        return self

    @property
    def zone(self) -> ZoneInfo:
        """The site's time zone."""
        return ZoneInfo(self.time_zone)

    def unit(self, unit_id: str) -> Unit:
        """The unit of that id; ``KeyError`` if the site has none."""
        for unit in self.units:
            if unit.id == unit_id:
                return unit
        raise KeyError(unit_id)
