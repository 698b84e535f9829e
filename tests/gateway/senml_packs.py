"""SenML packs for property tests: good ones, bad ones, and what is no pack."""

from __future__ import annotations

from hypothesis import strategies as st

__all__ = ["PACKS"]

_names = st.sampled_from(
    ["basin_level", "pump_current", "conductivity", "basin_temperature", "wet_mode", "fan_run",
     "p_disch", "mystery", "sites/hill/ac-9/basin_level", "ac-2:basin_level", "", "bad name"]
)  # fmt: skip
_numbers = st.one_of(
    st.sampled_from([0, 1, 0.5, 25, 400, 1e400, -1, 10**30]), st.floats(), st.integers()
)
_fields = {
    "bn": st.sampled_from(["", "x:", "urn:dev:", "sites/quay/ac-1/", 5]),
    "bt": st.one_of(st.sampled_from([0, -10, 1_700_000_000, "x"]), st.floats()),
    "bu": st.sampled_from(["A", "mm", "Cel", "", None]),
    "bv": _numbers,
    "bver": st.sampled_from([10, 10, 10, 5, 11]),
    "n": _names,
    "u": st.sampled_from(["A", "mm", "m", "Cel", "uS/cm", "%", "", "furlong"]),
    "v": _numbers,
    "vb": st.one_of(st.booleans(), st.just(1)),
    "vs": st.text(max_size=5),
    "t": st.one_of(st.sampled_from([0, -60, 60, 600]), st.floats()),
    "s": _numbers,
    "x_": st.just(1),
    "other": st.lists(st.integers(), max_size=2),
}
_rare = st.fixed_dictionaries({}, optional=_fields)
_usual = st.fixed_dictionaries(
    {"n": _names, "v": st.sampled_from([0, 1, 20, 200])},
    optional={k: _fields[k] for k in ("bn", "bu", "u", "t")},
)
_good = st.fixed_dictionaries(
    {
        "n": st.sampled_from(["basin_level", "plc/x17", "x:basin_level", "ac-1/basin_level"]),
        "u": st.sampled_from(["mm", "m", "in"]),
        "v": st.floats(0, 1.5),
    },
    optional={"t": st.floats(-86_400, 60), "bn": st.sampled_from(["", "x:"])},
)
PACKS = st.one_of(
    st.lists(st.one_of(_usual, _rare, st.integers()), min_size=1, max_size=8),
    st.lists(_good, min_size=1, max_size=8),
)
"""In the terms of JSON."""
