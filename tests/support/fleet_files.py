"""A configuration directory on disk, as an operator writes it: two sites, three units, one team.

The invented team has somebody on call, a planner and a control room. Delays are short, so that a
fault shows within a minute of sample time. Each unit has isolation points of its own.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

__all__ = [
    "CONTROL_ROOM",
    "ISOLATION_LABELS",
    "ON_CALL",
    "PLANNER",
    "UNITS",
    "write_fleet",
    "write_large_fleet",
]

ON_CALL: Final = "rui@north.example"
PLANNER: Final = "planning@north.example"
CONTROL_ROOM: Final = "watch@centre.example"

_SITES: Final = {
    "quay-cold-store": ("Quay Cold Store", ("ac-1", "ac-2")),
    "hill-dairy": ("Hill Dairy", ("ac-1",)),
}
UNITS: Final = tuple((site, unit) for site, (_, units) in _SITES.items() for unit in units)

ISOLATION_LABELS: Final = {
    ("quay-cold-store", "ac-1"): ("Q141", "V31"),
    ("quay-cold-store", "ac-2"): ("Q142", "V32"),
    ("hill-dairy", "ac-1"): ("Q901", "V77"),
}
"""What to lock off, by unit; no label is part of another."""

_EMBEDDED: Final = 'kind = "embedded"\n'

_FLEET: Final = """\
[fleet]
name = "Test fleet"
from_name = "Condenser watch"

[broker]
host = "127.0.0.1"
port = {broker_port}
client_id = "watch-1"
keep_alive_s = {keep_alive_s}

[store]
{store}
[mail]
host = "127.0.0.1"
port = {mail_port}
security = "none"
from_address = "tickets@watch.example"
reply_to = "dispatch@north.example"

[watch]
{watch}
[settings.pump-not-running]
on_delay_s = 60
off_delay_s = 60

[settings.site-cut-off]
on_delay_s = 0
off_delay_s = 0
"""

_ONCALL: Final = f"""\
[teams.north]
name = "Northern crew"
on_call = [{{ name = "Rui Prata", email = "{ON_CALL}" }}]
planner = [{{ name = "Planning", email = "{PLANNER}" }}]
monitoring = [{{ name = "Control room", email = "{CONTROL_ROOM}" }}]
digest = {{ send = false }}
shift_summary = {{ send = false }}
"""

_SITE: Final = """\
id = "{site}"
name = "{name}"
address = "1 Test Road"
access = "Key at the gate"
time_zone = "Europe/Lisbon"
elevation_m = 12
energy_control_procedure = "ECP-07, plant room folder"
team = "north"

[[contacts]]
name = "Gate"
role = "Porter"
phone = "+351 555 0100"
"""

_UNIT: Final = """
[[units]]
id = "{unit}"
name = "Condenser {unit}"
location = "Roof, north side"

[units.basin]
area_m2 = 2.4
depth_mm = 400
float_shut_mm = 250
float_band_mm = 30
overflow_mm = 320
pump_minimum_mm = 90
makeup_max_l_min = 40

[units.pump]
rated_current_a = 4.2
rated_voltage_v = 400
rated_flow_l_min = 180
rated_pressure_kpa = 80

[units.fans]
count = 6
rated_airflow_m3_s = 30

[units.condenser]
refrigerant = "R717"
rated_capacity_kw = 350
rated_td_k = 11
cut_out_kpa_abs = 1800

[units.water]
makeup_conductivity_us_cm = 300
conductivity_limit_us_cm = 1500

[[units.isolation]]
label = "{electrical}"
energy = "electrical"
isolates = "Pump and fans"
location = "Panel on the unit"
method = "Switch off, lock, tag"
verify = "Prove dead at the motor terminals"

[[units.isolation]]
label = "{water}"
energy = "water"
isolates = "Make-up water"
location = "Ball valve at the unit"
method = "Shut, chain and lock"
verify = "Open the drain cock behind it: no flow"
"""


def write_fleet(
    directory: Path,
    *,
    broker_port: int,
    mail_port: int,
    influx_url: str = "",
    watch: str = "serve = false\n",
    keep_alive_s: int = 60,
) -> Path:
    """Write the configuration and give its directory.

    ``influx_url`` is where samples go; empty: the embedded store. ``watch`` are the lines of that
    table.
    """
    store = _EMBEDDED
    if influx_url:
        store = f'kind = "influxdb"\nurl = "{influx_url}"\norg = "plant"\nbucket = "telemetry"\n'
    (directory / "sites").mkdir(parents=True, exist_ok=True)
    fleet = _FLEET.format(
        broker_port=broker_port,
        mail_port=mail_port,
        store=store,
        watch=watch,
        keep_alive_s=keep_alive_s,
    )
    (directory / "fleet.toml").write_text(fleet)
    (directory / "oncall.toml").write_text(_ONCALL)
    for site, (name, units) in _SITES.items():
        text = _SITE.format(site=site, name=name)
        for unit in units:
            electrical, water = ISOLATION_LABELS[site, unit]
            text += _UNIT.format(unit=unit, electrical=electrical, water=water)
        (directory / "sites" / f"{site}.toml").write_text(text)
    return directory


def write_large_fleet(directory: Path, units: int, *, broker_port: int, mail_port: int) -> Path:
    """The same with so many units, twenty a site, all alike; gives its directory."""
    write_fleet(directory, broker_port=broker_port, mail_port=mail_port)
    for k, first in enumerate(range(0, units, 20)):
        text = _SITE.format(site=f"s{k}", name=f"Site {k}")
        for i in range(min(20, units - first)):
            text += _UNIT.format(unit=f"u{i}", electrical=f"Q{i}", water=f"V{i}")
        (directory / "sites" / f"s{k}.toml").write_text(text)
    return directory
