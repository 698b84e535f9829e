"""The packs: RFC 8428 by hand, by an independent decoder, and with sensors' own names and units."""

from __future__ import annotations

import json
import re
import warnings

import numpy as np
import pytest

from rules.signals import INDEX, N_SIGNALS
from simulator import DEMO_FLEET
from simulator.fleet import read_fleet
from simulator.senml import UnitEncoder, natural_water_factor

FLEET = read_fleet(DEMO_FLEET)
START_MS = 1_784_548_800_250


def encoder(key: str) -> UnitEncoder:
    unit = FLEET.units[FLEET.matching(key)[0]]
    site = next(s for s in FLEET.sites if s.site == unit.site)
    return UnitEncoder(unit, site.elevation_m)


def frame(**values: float) -> np.ndarray:
    row = np.full((1, N_SIGNALS), np.nan)
    for name, value in values.items():
        row[0, INDEX[name]] = value
    return row


def resolve(payload: bytes) -> list[dict[str, object]]:
    """RFC 8428 section 4.6, written out here: bases carried on, name and time joined, u or bu."""
    base = {"bn": "", "bt": 0.0, "bu": None}
    out = []
    for record in json.loads(payload):
        base |= {k: v for k, v in record.items() if k in base}
        out.append({
            "name": base["bn"] + record.get("n", ""),
            "time": base["bt"] + record.get("t", 0.0),
            "unit": record.get("u", base["bu"]),
            "value": record.get("v", record.get("vb")),
        })  # fmt: skip
    return out


ROW = {
    "basin_level": 182.0, "conductivity": 934.0, "basin_temperature": 18.4, "pump_current": 2.43,
    "spray_pressure": 46.2, "spray_flow": 151.5, "head_pressure": 1254.0, "fan_speed": 62.5,
    "fan_run": 15.0, "fan_fault": 0.0, "pump_command": 1.0, "wet_mode": 0.0,
    "relative_humidity": 41.5, "heat_load": 210.0, "pad_pressure_drop": 31.5,
}  # fmt: skip

# Converted by hand from the catalogue's units: 1 m = 1000 mm, 1 S/m = 10 000 µS/cm,
# 1 kPa = 1000 Pa, 1 m3/s = 60 000 L/min, 1 kW = 1000 W; "/" is a ratio (RFC 8428, section 12.1).
BY_HAND = {
    "basin_level": ("m", 0.182), "conductivity": ("S/m", 0.0934),
    "basin_temperature": ("Cel", 18.4), "pump_current": ("A", 2.43),
    "spray_pressure": ("Pa", 46_200), "spray_flow": ("m3/s", 0.002525),
    "head_pressure": ("Pa", 1_254_000), "fan_speed": ("/", 0.625), "fan_run": ("count", 15),
    "fan_fault": ("count", 0), "pump_command": (None, True), "wet_mode": (None, False),
    "relative_humidity": ("%RH", 41.5), "heat_load": ("W", 210_000),
    "pad_pressure_drop": ("Pa", 31.5),
}  # fmt: skip


def test_one_instant_agrees_with_hand_conversion() -> None:
    payload = encoder("quay-cold-store/ac-1").encode(np.array([START_MS]), frame(**ROW))
    records = resolve(payload)
    seen = {str(r["name"]).rsplit("/", 1)[-1]: (r["unit"], r["value"]) for r in records}
    assert seen.keys() == BY_HAND.keys()
    for name, (unit, value) in BY_HAND.items():
        assert seen[name][0] == unit, name
        assert seen[name][1] == pytest.approx(value, rel=1e-6), name
    assert {r["time"] for r in records} == {START_MS / 1000}


def test_names_and_fields_keep_to_the_rfc() -> None:
    """Section 4.5.1 characters, section 4.4 labels, exactly one value a record (section 4.2)."""
    payload = encoder("quay-cold-store/ac-1").encode(np.array([START_MS]), frame(**ROW))
    raw = json.loads(payload)
    assert raw[0]["bn"] == "quay-cold-store/ac-1/"
    assert sum("bu" in r for r in raw) == 1
    for record, resolved in zip(raw, resolve(payload), strict=True):
        assert set(record) <= {"bn", "bt", "bu", "n", "u", "v", "vb", "t"}
        assert ("v" in record) + ("vb" in record) == 1
        assert re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*", str(resolved["name"]))
    assert not re.search(rb"\d[E]", payload)  # section 5: exponents are lower case


def test_an_independent_decoder_reads_several_instants() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library's own, not ours
        from kpn_senml import SenmlPack

    times = np.array([START_MS, START_MS + 60_000, START_MS + 120_500])
    rows = np.concatenate([frame(**{**ROW, "basin_level": lvl}) for lvl in (180.0, 181.0, 183.0)])
    payload = encoder("quay-cold-store/ac-1").encode(times, rows)
    pack = SenmlPack("reader")
    pack.from_json(payload.decode())
    ours = [r for r in resolve(payload) if str(r["name"]).endswith("/basin_level")]
    assert [r["time"] for r in ours] == pytest.approx(times / 1000.0)
    assert [r["value"] for r in ours] == pytest.approx([0.180, 0.181, 0.183])
    # That library gives base name, names and values of a pack it did not make; not times or units.
    (device,) = pack._data
    assert device.name == "quay-cold-store/ac-1/"
    theirs = [(r.name, r.value) for r in device._data]
    assert len(theirs) == 3 * len(ROW)
    assert [v for n, v in theirs if n == "basin_level"] == pytest.approx([0.180, 0.181, 0.183])
    assert theirs == [(str(r["name"]).rsplit("/", 1)[-1], r["value"]) for r in resolve(payload)]


def test_own_names_go_out_in_own_units_without_a_unit() -> None:
    """1 bar = 100 kPa, 1 mS/cm = 1000 µS/cm, 1 cm = 10 mm, 1 A = 1000 mA."""
    payload = encoder("gulf-produce-terminal/ac-1").encode(np.array([START_MS]), frame(**ROW))
    seen = {str(r["name"]).rsplit("/", 1)[-1]: r for r in resolve(payload)}
    for name, value in {"p_disch": 0.462, "p_hd": 12.54, "cond": 0.934, "lvl_cm": 18.2,
                        "i_pump": 2430.0, "t_sump": 18.4}.items():  # fmt: skip
        assert seen[name]["value"] == pytest.approx(value, rel=1e-6)
        assert seen[name]["unit"] is None


def test_customary_units() -> None:
    """18.4 °C, 151.5 L/min, 182 mm and 1254 kPa in °F, US gal/min, in and psi (definitions)."""
    payload = encoder("front-range-grocer/ac-1").encode(np.array([START_MS]), frame(**ROW))
    seen = {str(r["name"]).rsplit("/", 1)[-1]: r["value"] for r in resolve(payload)}
    assert seen["SumpTemp"] == pytest.approx(65.12)
    assert seen["SprayFlow"] == pytest.approx(40.022, abs=0.001)
    assert seen["SumpLevel"] == pytest.approx(7.1654, abs=1e-4)
    assert seen["HeadPsi"] == pytest.approx(181.88, abs=0.01)


def test_gauge_transmitters_leave_the_barometric_pressure_out() -> None:
    """Harbour site, 4 m: standard pressure 101.277 kPa (ICAO atmosphere)."""
    payload = encoder("harbour-fish-hall/ac-1").encode(np.array([START_MS]), frame(**ROW))
    seen = {str(r["name"]).rsplit("/", 1)[-1]: r["value"] for r in resolve(payload)}
    assert seen["head_pressure"] == pytest.approx(1_254_000 - 101_277, abs=30)


# ISO 7888:1985, natural-water factors as reproduced in secondary texts.
@pytest.mark.parametrize(("temp", "factor"), [(0, 1.918), (10, 1.428), (25, 1.0), (30, 0.903)])
def test_natural_water_factor_is_the_table(temp: float, factor: float) -> None:
    assert natural_water_factor(np.array([float(temp)]))[0] == pytest.approx(factor, abs=1e-9)


def test_a_raw_probe_sends_what_the_water_conducts_at_its_temperature() -> None:
    row = {**ROW, "basin_temperature": 15.0}
    payload = encoder("orchard-packhouse/ac-3").encode(np.array([START_MS]), frame(**row))
    seen = {str(r["name"]).rsplit("/", 1)[-1]: r["value"] for r in resolve(payload)}
    assert seen["conductivity"] == pytest.approx(934.0 / 1.256 * 1e-4, rel=1e-5)


def test_gaps_leave_records_out() -> None:
    rows = np.concatenate([frame(basin_level=180.0), frame(conductivity=900.0)])
    payload = encoder("quay-cold-store/ac-1").encode(np.array([START_MS, START_MS + 1000]), rows)
    assert [(str(r["name"])[-5:], r["time"]) for r in resolve(payload)] == [
        ("level", START_MS / 1000), ("ivity", START_MS / 1000 + 1.0)
    ]  # fmt: skip
    nothing = np.full((1, N_SIGNALS), np.nan)
    assert encoder("quay-cold-store/ac-1").encode(np.array([START_MS]), nothing) == b"[]"
