"""A small, valid configuration that tests write to disk, whole or with something wrong in it."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

from rules.faults.base import Setting

ENVIRON = {"MQTT_PASSWORD": "first secret", "MAIL_PASSWORD": "second secret"}

CATALOGUE = {
    "fleet": {
        "value_age_limit_s": Setting(
            "value_age_limit_s", 900.0, "s", 10.0, 86_400.0, "age of a value", "three samples"
        )
    },
    "conductivity-high": {
        "limit_pct": Setting(
            "limit_pct", 100.0, "% of the limit", 20.0, 200.0, "share of the limit", "the limit"
        )
    },
    "pump-screen-clogging": {
        "flow_loss_pct": Setting(
            "flow_loss_pct", 13.0, "%", 3.0, 60.0, "loss of water over the pads", "noise"
        )
    },
}

FLEET = """\
[fleet]
name = "Northern fleet"
from_name = "Condenser watch"

[broker]
host = "127.0.0.1"
port = 1883
client_id = "watch-1"
protocol = "3.1.1"
keep_alive_s = 45
username = "gateway"
password_env = "MQTT_PASSWORD"

[store]
kind = "embedded"
retention_days = 30
rollup_retention_days = 400

[journal]
budget_mb = 500

[mail]
host = "127.0.0.1"
port = 2525
security = "none"
username = "watch"
password_env = "MAIL_PASSWORD"
from_address = "watch@centre.example"
reply_to = "desk@centre.example"

[settings.conductivity-high]
limit_pct = 90
"""

ONCALL = """\
[teams.north]
name = "Northern crew"
on_call = [
  { name = "Ada Holm", email = "ada@north.example" },
  { name = "Bo Lind", email = "bo@north.example" },
]
planner = [{ name = "Planner", email = "plan@north.example" }]
monitoring = [{ name = "Centre", email = "desk@centre.example" }]
"""

SITE = """\
id = "quay-cold-store"
name = "Quay Cold Store"
address = "Quay 4"
access = "Key at the gate"
time_zone = "Europe/Lisbon"
elevation_m = 12
display_units = "metric"
energy_control_procedure = "ECP-07, plant room folder"
team = "north"

[[contacts]]
name = "Gate"
role = "Porter"
phone = "+351 555 0100"

[settings.pump-screen-clogging]
flow_loss_pct = 15

[[units]]
id = "ac-1"
name = "Condenser 1"
location = "Roof, north side"
commissioned = 2019-05-02

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
label = "Q14"
energy = "electrical"
isolates = "Pump and fans"
location = "Panel on the unit"
method = "Switch off, lock, tag"
verify = "Prove dead at the motor terminals"

[units.signals.p_disch]
signal = "spray_pressure"
unit = "bar"

[units.settings.conductivity-high]
limit_pct = 80
"""


def write(directory: Path, **changed: str | bytes | None) -> Path:
    """The valid configuration in ``directory``, with ``fleet``, ``oncall`` or ``site`` replaced."""
    texts: dict[str, str | bytes | None] = {"fleet": FLEET, "oncall": ONCALL, "site": SITE}
    texts.update(changed)
    names = {"fleet": "fleet.toml", "oncall": "oncall.toml", "site": "sites/quay-cold-store.toml"}
    (directory / "sites").mkdir(parents=True, exist_ok=True)
    for key, text in texts.items():
        if text is not None:
            data = text.encode() if isinstance(text, str) else text
            (directory / names[key]).write_bytes(data)
    return directory


def replaced(text: str, old: str, new: str) -> str:
    """``text`` with its one ``old`` replaced; a test must not change nothing by mistake."""
    assert text.count(old) == 1, (old, text.count(old))
    return text.replace(old, new)


# The same without the settings that only the catalogue above has, for the real one.
REAL_FLEET = replaced(FLEET, "[settings.conductivity-high]\nlimit_pct = 90\n", "")
REAL_SITE = replaced(
    replaced(SITE, "flow_loss_pct = 15", "flow_loss_low_pct = 15"), "limit_pct = 80", ""
)


def as_toml(data: dict[str, Any]) -> str:
    """Any data as TOML, each top-level key on a line of its own."""
    return "".join(f"{_key(key)} = {_value(value)}\n" for key, value in data.items())


def deep(data: dict[str, Any]) -> dict[str, Any]:
    """A copy to change."""
    return copy.deepcopy(data)


def _key(key: str) -> str:
    return json.dumps(key).replace("\x7f", "\\u007f")


def _value(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        # TOML has no surrogate pairs in its escapes, so characters beyond 16 bits stay as they are.
        text = json.dumps(value, ensure_ascii=False)
        return "".join(c if c >= " " and c != "\x7f" else f"\\u{ord(c):04x}" for c in text)
    if isinstance(value, float | int):
        return str(value)
    return value.isoformat()
