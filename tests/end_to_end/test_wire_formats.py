"""The other forms of the wire through the whole gateway, from independent encoders to the store.

Sparkplug comes from a library of its own (``deploy/check`` installs it into an environment of its
own) over a real broker: births, data by name and by alias, a gateway that was away, a death.
"""

from __future__ import annotations

import json
import os
import subprocess
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from support.broker import Mosquitto
from support.data_files import open_records, stored
from support.gateway_command import RunningGateway, StartGateway
from support.senml_site import SiteGateway, pack_of
from support.smtp import MailCatcher
from support.sparkplug_publisher import DEVICE, EDGE, ENVIRONMENT_VARIABLE, GROUP, Publisher

from gateway.batch import Reason
from gateway.config import load
from gateway.wire import Decoder, EdgePlace, of_sites
from rules.signals import SIGNALS
from simulator import DEMO_FLEET
from simulator.history import open_source
from simulator.publisher import encoders, packs
from simulator.senml import CborEncoder, UnitEncoder
from simulator.sparkplug import DeviceEncoder, EdgeNode

ROOT = Path(__file__).parents[2]
UNIT = ("quay-cold-store", "ac-1")


@pytest.fixture
def sparkplug_python() -> Path:
    """The Python that has the independent encoder."""
    given = os.environ.get(ENVIRONMENT_VARIABLE)
    python = Path(given) if given else ROOT / ".venv-sparkplug" / "bin" / "python"
    if not given and not python.exists():
        pytest.skip(f"no {python}: deploy/check makes it, with an independent Sparkplug encoder")
    return python


@pytest.fixture
def edge(broker: Mosquitto, sparkplug_python: Path) -> Iterator[Publisher]:
    """Not born yet: the test starts the gateway first."""
    publishers: list[Publisher] = []

    def start() -> Publisher:
        publishers.append(Publisher(broker.port, sparkplug_python))
        publishers[-1].wait_for("born")
        return publishers[-1]

    yield start
    for publisher in publishers:
        publisher.kill()


def speak_sparkplug(fleet: Path) -> None:
    """The quay's first unit gets a device, its sensors units, and births may be asked for."""
    path = fleet / "sites" / "quay-cold-store.toml"
    declared = {
        "basin_level": "mm", "basin_temperature": "Cel", "head_pressure": "Pa", "pump_current": "A",
    }  # fmt: skip
    signals = "".join(
        f'\n[units.signals.{name}]\nsignal = "{name}"\nunit = "{unit}"\n'
        for name, unit in declared.items()
    )
    first, second, *rest = path.read_text().split("[[units]]\n")
    text = "[[units]]\n".join(
        [
            f'{first}[sparkplug]\ngroup = "{GROUP}"\nedge = "{EDGE}"\n\n',
            f'sparkplug_device = "{DEVICE}"\n{second}{signals}\n',
            *rest,
        ]
    )
    path.write_text(text)
    with (fleet / "fleet.toml").open("a") as file:
        file.write("\n[sparkplug]\nrequest_rebirth = true\nreorder_wait_s = 0.2\n")


def values(running: RunningGateway, signal: str) -> list[float]:
    return [v for _, v in stored(running.data, *UNIT, signal)]


def test_a_sparkplug_site_is_stored_missed_asked_and_told_when_it_dies(
    gateway: StartGateway, broker: Mosquitto, mail: MailCatcher, edge
) -> None:
    first = gateway()
    speak_sparkplug(first.fleet)
    with first as running:
        node = edge()
        running.until(lambda: values(running, "pump_current") == [3.5])
        node.order("by-name", {"basin_level": 241.5, "basin_temperature": -6})
        # Within one millisecond both would be the same instant, and the later would count.
        running.until(lambda: len(values(running, "basin_level")) == 2)
        node.order("by-alias", {"basin_level": 242.5, "pump_command": False, "fan_run": 31})
        running.until(lambda: len(values(running, "basin_level")) == 3)
        assert values(running, "basin_level") == [240.0, 241.5, 242.5]
        assert values(running, "basin_temperature") == [-5.0, -6.0]
        assert values(running, "pump_command") == [1.0, 0.0]
        assert values(running, "fan_run") == [63.0, 31.0]
        assert values(running, "head_pressure") == [900.0]

    node.order("by-alias", {"basin_level": 243.5})  # while nobody listens
    with gateway_again(first, broker) as running:
        node.order("by-alias", {"basin_level": 244.5})
        running.until(lambda: values(running, "basin_level") == [240.0, 241.5, 242.5, 244.5])
        node.wait_for("asked Node Control/Rebirth True")
        node.kill()
        [cut] = mail.wait_for(1)
        assert "Site Quay Cold Store is cut off" in cut.message.as_string()
        edge()
        back = mail.wait_for(2)[1].message
        assert back["In-Reply-To"] == cut.message["Message-ID"]
    with open_records(first.data) as records:
        [missing] = records.quarantine()
    assert (missing.site, missing.reason, missing.count) == ("quay-cold-store", Reason.MISSING, 1)


def gateway_again(before: RunningGateway, broker: Mosquitto) -> RunningGateway:
    """The same gateway in a new process."""
    return RunningGateway(
        before.fleet, before.data, lambda: broker.log.count("Sending SUBACK to watch-1")
    )


def test_cbor_is_stored_as_json_is(gateway: StartGateway, site_gateway: SiteGateway) -> None:
    times_s = [float(int(time.time()) - 60 + 10 * i) for i in range(5)]
    readings = {"basin_level": 241.25, "pump_current": 3.75, "wet_mode": True}
    with gateway() as running:
        for unit, suffix in (("ac-1", "senml"), ("ac-2", "senml-cbor")):
            pack = pack_of("quay-cold-store", unit, times_s, readings)
            body = pack.to_json() if suffix == "senml" else pack.to_cbor()
            site_gateway.publish(f"sites/quay-cold-store/{unit}/{suffix}", body)
        for unit in ("ac-1", "ac-2"):
            running.until(
                lambda u=unit: len(stored(running.data, "quay-cold-store", u, "wet_mode")) == 5
            )
    for signal, value in readings.items():
        by_json = stored(running.data, "quay-cold-store", "ac-1", signal)
        assert by_json == stored(running.data, "quay-cold-store", "ac-2", signal)
        assert by_json == [(int(t * 1000), float(value)) for t in times_s]


def test_the_simulated_sites_say_the_same_in_every_form() -> None:
    """Each unit of the demonstration in JSON, in CBOR and as a device of Sparkplug, to 7 digits.

    Its own names, units and corrections are among them.
    """
    source = open_source(DEMO_FLEET, DEMO_FLEET / "scenario.toml", seed=3)
    plates = source.fleet.units
    rows = {(u.site, u.unit): row for row, u in enumerate(plates)}
    configuration = load(DEMO_FLEET, {})
    wires = of_sites(configuration.sites, rows)
    places = {s.site: replace(s, edge=("all", s.site)) for s in source.fleet.sites}
    edges = {
        ("all", site): EdgePlace(site, {u: w for (s, u), w in wires.items() if s == site}, {})
        for site in places
    }
    decoder = Decoder(wires, edges=edges)
    start_s = 1_784_548_800.0
    received_ms = int((start_s + 4000) * 1000)
    devices = [DeviceEncoder(replace(u, device=u.unit), places[u.site]) for u in plates]
    for site, place in places.items():
        node = EdgeNode(place, [d for d in devices if d.site == site])
        node.will(received_ms)
        for born in node.hello(received_ms):
            found = decoder.decode(born.topic, born.payload, received_ms)
            assert (found.rejects, found.samples) == ((), 0), "births have no values yet"
    entries = source.scenario.entries(start_s + 3600, start_s + 3600)
    source.spin_up(start_s, entries)
    frames = source.measure(entries, start_s, 60.0, 20)
    for index in packs(frames, 10, len(rows)):
        row = int(frames.unit_row[index[0]])
        plate = plates[row]
        elevation_m = places[plate.site].elevation_m
        said = []
        for encoder in (
            UnitEncoder(plate, elevation_m), CborEncoder(plate, elevation_m), devices[row],
        ):  # fmt: skip
            payload = encoder.encode(frames.time_ms[index], frames.values[index])
            found = decoder.decode(encoder.topic, payload, received_ms)
            assert found.rejects == (), found.rejects[0].detail
            said.append(found)
        by_json, *others = said
        for other in others:
            assert [f.time_ms for f in other.frames] == [f.time_ms for f in by_json.frames]
            for mine, theirs in zip(by_json.frames, other.frames, strict=True):
                assert mine.unit_row == theirs.unit_row == row
                assert mine.values == pytest.approx(theirs.values, rel=2e-6, abs=2e-5)


def test_the_simulated_births_are_understood_by_the_independent_library(
    sparkplug_python: Path,
) -> None:
    source = open_source(DEMO_FLEET, None, seed=3)
    (site,) = [s for s in source.fleet.sites if s.edge is not None]
    device = next(
        e for e in encoders(source.fleet) if isinstance(e, DeviceEncoder) and e.site == site.site
    )
    node = EdgeNode(site, [device])
    will = node.will(1000)
    _, birth = node.hello(2000)
    program = (
        "import sys, json, pysparkplug as s\n"
        "d = s.NDeath.decode(bytes.fromhex(sys.argv[1]))\n"
        "b = s.DBirth.decode(bytes.fromhex(sys.argv[2]))\n"
        "print(json.dumps([d.bd_seq_metric.value, b.seq,"
        " {m.name: [m.alias, m.datatype.name, m.is_null] for m in b.metrics}]))"
    )
    done = subprocess.run(
        [sparkplug_python, "-c", program, will.payload.hex(), birth.payload.hex()],
        capture_output=True, text=True, check=True, timeout=120,
    )  # fmt: skip
    bd_seq, seq, metrics = json.loads(done.stdout)
    assert (bd_seq, seq) == (0, 1)
    assert sorted(metrics) == sorted(s.name for s in SIGNALS)
    kinds = {s.name: {"analogue": "DOUBLE", "flag": "INT32", "mask": "UINT32"}[s.kind]
             for s in SIGNALS}  # fmt: skip
    assert {name: kind for name, (_, kind, _) in metrics.items()} == kinds
    assert all(is_null for _, _, is_null in metrics.values())
    assert sorted(alias for alias, _, _ in metrics.values()) == list(range(1, len(SIGNALS) + 1))
