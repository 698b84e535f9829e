"""Real servers for whole-gateway tests, each started and ended by the test that asks for it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from support.broker import Mosquitto
from support.fleet_files import write_fleet
from support.gateway_command import RunningGateway, StartGateway
from support.senml_site import SiteGateway
from support.smtp import MailCatcher


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path / "broker") as broker:
        yield broker


@pytest.fixture
def mail() -> Iterator[MailCatcher]:
    with MailCatcher() as mail:
        yield mail


@pytest.fixture
def site_gateway(broker: Mosquitto) -> Iterator[SiteGateway]:
    with SiteGateway(broker.port) as site_gateway:
        yield site_gateway


@pytest.fixture
def gateway(broker: Mosquitto, mail: MailCatcher, tmp_path: Path) -> StartGateway:
    """Makes a gateway on the small fleet; ``influx_url`` as for :func:`write_fleet`."""

    def make(influx_url: str = "") -> RunningGateway:
        fleet = write_fleet(
            tmp_path / "fleet", broker_port=broker.port, mail_port=mail.port, influx_url=influx_url
        )
        return RunningGateway(
            fleet, tmp_path / "data", lambda: broker.log.count("Sending SUBACK to watch-1")
        )

    return make
