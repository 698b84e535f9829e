"""The network between gateway and broker is cut, stalls, or is half open: all comes in the end."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest
from support.broker import Mosquitto
from support.proxy import Network
from support.watched_sites import WatchedSites

Watch = Callable[..., WatchedSites]


def test_the_connection_is_cut_again_and_again(watch: Watch, broker: Mosquitto, seed: int) -> None:
    """Each time in the midst of a message, or just as it is being acknowledged."""
    rng = random.Random(seed)
    with Network(broker.port) as network:
        watched = watch(seed, broker_port=network.port)
        with watched.gateway as gateway, watched.sites(pause_s=0.05) as sites:
            for _ in range(3):
                network.cut_after = rng.randrange(500, 20_000)
                gateway.until(lambda: network.cut_after is None)
            network.cut()
            gateway.ended_within(rng.uniform(0.1, 1.0))
            network.mend()
            sites.finish()
            watched.settle()
        assert network.connections >= 4
        watched.prove()


@pytest.mark.parametrize("how", ["stall", "half_open"])
def test_the_network_swallows_everything_and_tells_nobody(
    watch: Watch, broker: Mosquitto, how: str, seed: int
) -> None:
    """Found out by the silence; what the broker could not deliver it delivers afterwards."""
    with Network(broker.port) as network:
        watched = watch(seed, broker_port=network.port, keep_alive_s=5)
        with watched.gateway as gateway, watched.sites(pause_s=0.05) as sites:
            watched.until_published(sites, 0.3)
            getattr(network, how)()
            gateway.wait_for_line("lost (keep alive timeout)")
            network.mend()
            sites.finish()
            watched.settle()
        watched.prove()
