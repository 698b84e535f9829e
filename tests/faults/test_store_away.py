"""A time-series server that is killed, or away for hours: samples wait in the journal."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from support.influx import InfluxServer
from support.influx_gate import InfluxGate
from support.proxy import Network
from support.telemetry import settings_for
from support.watched_sites import WatchedSites

from gateway.telemetry.influx import InfluxStore

Watch = Callable[..., WatchedSites]


@pytest.fixture
def server(folder: Path) -> Iterator[InfluxServer]:
    with InfluxServer(folder / "influx") as server:
        server.create_database("telemetry")
        yield server


def rows_in(store: InfluxStore, watched: WatchedSites) -> int:
    return sum(
        len(store.read(site, unit, ["basin_level"], 0, 2**53).time_ms)
        for site, unit in watched.expected.samples
    )


def test_the_server_is_away_for_hours(watch: Watch, server: InfluxServer, seed: int) -> None:
    """Two hours by the samples' time: alarms and mail go on, the journal holds what charts lack."""
    store = InfluxStore(settings_for(server.url), {})
    with InfluxGate(server) as gate:
        watched = watch(seed, influx_url=gate.url)
        with watched.gateway as gateway, watched.sites(pause_s=0.05) as sites:
            watched.until_published(sites, 0.2)
            gateway.until(lambda: rows_in(store, watched) > 0)
            server.stop()
            sites.finish()
            gateway.until(lambda: gateway.status["frames"] == watched.expected.instants)
            away = gateway.status
            assert away["journal"]["first_offset"] <= away["store"]["offset"] + 1
            server.start()
            watched.settle(lambda: rows_in(store, watched))
            gateway.until(
                lambda: gateway.status["journal"]["first_offset"] > away["journal"]["last_offset"]
            )
        watched.prove(store.read)
    store.close()


def test_the_server_is_killed_again_and_again(
    watch: Watch, server: InfluxServer, seed: int
) -> None:
    rng = random.Random(seed)
    store = InfluxStore(settings_for(server.url), {})
    with InfluxGate(server) as gate:
        watched = watch(seed, influx_url=gate.url)
        with watched.gateway as gateway, watched.sites(pause_s=0.1) as sites:
            for _ in range(3):
                assert not gateway.ended_within(rng.uniform(0.2, 1.0)), gateway.log
                server.kill()
                server.start()
            sites.finish()
            watched.settle(lambda: rows_in(store, watched))
        watched.prove(store.read)
    store.close()


def test_answers_of_the_server_are_lost_on_the_way(
    watch: Watch, server: InfluxServer, seed: int
) -> None:
    """What was written and not acknowledged is written again, and is there once."""
    rng = random.Random(seed)
    store = InfluxStore(settings_for(server.url), {})
    with InfluxGate(server) as gate, Network(gate.port) as network:
        watched = watch(seed, influx_url=f"http://127.0.0.1:{network.port}")
        with watched.gateway as gateway, watched.sites(pause_s=0.1) as sites:
            for _ in range(3):
                network.cut_after = rng.randrange(1, 100)
                gateway.until(lambda: network.cut_after is None)
            sites.finish()
            watched.settle(lambda: rows_in(store, watched))
        watched.prove(store.read)
    store.close()
