"""The decoder: the topic says which unit it is, and a name may not say another."""

from __future__ import annotations

import pytest
from decoding import UNITS, decode, only, reject

from gateway.batch import Reason
from gateway.wire import Decoder, UnitWire
from rules.equipment import SignalMapping
from rules.signals import INDEX


@pytest.fixture
def decoder() -> Decoder:
    return Decoder(UNITS, retention_days=400)


@pytest.mark.parametrize(
    ("name", "other"),
    [
        ("sites/hill/ac-9/basin_level", "hill/ac-9"),
        ("sites/quay/ac-2/basin_level", "quay/ac-2"),
        ("sites/nowhere/ac-1/basin_level", "nowhere/ac-1"),
        ("hill:ac-9:basin_level", "hill/ac-9"),
        ("urn:dev:hill:ac-9:basin_level", "hill/ac-9"),
        ("hill:pump:basin_level", "site hill"),
        ("ac-2:basin_level", "quay/ac-2"),
        ("quay:ac-2:basin_level", "quay/ac-2"),
        ("AC-2:basin_level", "quay/ac-2"),
        ("sites-of-others/ac-77/basin_level", "sites-of-others/ac-77"),
        ("sites-of-others/ac-77:basin_level", "sites-of-others/ac-77"),
        ("sites-of-others/ac-1/basin_level", "sites-of-others/ac-1"),
        ("plc-4:sites-of-others/ac-77/basin_level", "sites-of-others/ac-77"),
        ("quay/ac-77/basin_level", "quay/ac-77"),
        ("region-2/moor/ac-1/basin_level", "region-2/moor/ac-1"),
    ],
)
def test_a_name_that_speaks_of_another_unit_is_refused(decoder, name, other):
    reason, detail = reject(decode(decoder, {"n": name, "u": "mm", "v": 100}))
    assert reason is Reason.IDENTITY
    assert f"speaks of {other}" in detail
    assert "the topic is that of quay/ac-1." in detail


@pytest.mark.parametrize(
    "name",
    [
        "sites/quay/ac-1/basin_level", "quay:ac-1:basin_level", "ac-1:basin_level",
        "urn:dev:ow:10e2073a01080063:basin_level", "basin_level", "pump:basin_level",
        "urn:dev:mac:0024befffe804ff1/port/1/basin_level", "pump/basin_level", "plc-4:basin_level",
        "quay/ac-1/basin_level", "Quay/AC-1/basin_level", "region-2/quay/ac-1/basin_level",
        "ac-1/basin_level", "ac-1/sump/probe/basin_level", "quay/ac-1/sump/probe/basin_level",
    ],
)  # fmt: skip
def test_a_name_that_agrees_or_says_nothing_is_taken(decoder, name):
    assert only(decode(decoder, {"n": name, "u": "mm", "v": 100})) == {"basin_level": 100.0}


def test_what_the_site_file_maps_by_its_whole_name_is_no_path():
    mappings = {
        "rack/4/x17": SignalMapping(signal="basin_level", unit="mm"),
        "hill/ac-9/x17": SignalMapping(signal="basin_level", unit="mm"),
    }
    wire = UnitWire("quay", "ac-1", 7, mappings=mappings)
    decoder = Decoder({**UNITS, ("quay", "ac-1"): wire})
    assert only(decode(decoder, {"n": "rack/4/x17", "v": 100})) == {"basin_level": 100.0}
    assert reject(decode(decoder, {"n": "rack/5/x17", "v": 100}))[0] is Reason.IDENTITY
    # Another unit's name stays that, whatever is mapped.
    assert reject(decode(decoder, {"n": "hill/ac-9/x17", "v": 100}))[0] is Reason.IDENTITY


def test_a_path_is_told_to_be_read_as_one(decoder):
    _, detail = reject(decode(decoder, {"n": "rack/probe/basin_level", "u": "mm", "v": 100}))
    assert "speaks of rack/probe (a path before the signal is read as site/unit)" in detail


def test_a_base_name_of_another_place_refuses_all_that_stands_under_it(decoder):
    found = decode(
        decoder,
        {"bn": "sites-of-others/ac-77/", "n": "basin_level", "u": "mm", "v": 100},
        {"n": "pump_current", "u": "A", "v": 1},
        {"bn": "quay/ac-1/", "n": "supply_voltage", "u": "V", "v": 400},
    )
    (one,) = found.rejects
    assert (one.reason, one.count, one.unit) == (Reason.IDENTITY, 2, "ac-1")
    assert [f.values for f in found.frames] == [{INDEX["supply_voltage"]: 400.0}]
