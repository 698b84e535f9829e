"""The other forms of the wire through the whole gateway, from independent encoders to the store.

Sparkplug comes from a library of its own (``deploy/check`` installs it into an environment of its
own) over a real broker: births, data by name and by alias, a gateway that was away, a death.
"""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from support.broker import Mosquitto
from support.data_files import open_records, stored
from support.gateway_command import RunningGateway, StartGateway
from support.senml_site import SiteGateway, pack_of
from support.smtp import MailCatcher
from support.sparkplug_publisher import DEVICE, EDGE, ENVIRONMENT_VARIABLE, GROUP, Publisher

from gateway.batch import Reason

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
