"""Publishes a simulated fleet as its sites would: a backlog from the past, then live.

The backlog goes out as fast as the broker takes it (or at a given multiple of real time), several
instants a pack; after it the publisher keeps step with the clock. What "+" times of a scenario
count from is the moment at which the backlog has caught up with the clock.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np

from simulator.faults import Entry
from simulator.fleet import Fleet, FleetError, SitePlate
from simulator.history import Source
from simulator.senml import CborEncoder, UnitEncoder
from simulator.sensors import Frames
from simulator.site_client import BrokerAddress, SiteClient
from simulator.sparkplug import DeviceEncoder, EdgeNode

__all__ = ["PublishPlan", "Publisher", "encoders", "packs"]

Report = Callable[[str, dict[str, Any]], None]

_PACKS_A_BLOCK = 12
_REPORT_EVERY_S = 1.0


@dataclass(frozen=True)
class PublishPlan:
    """How to publish.

    ``backlog_s`` before now is published first at ``step_s``, ``pack_instants`` instants a message,
    then live at ``live_step_s``. ``speed`` is simulated seconds a second while catching up, 0 for
    as fast as the broker takes it. ``live_s`` ends live running after so many seconds; None goes
    on until told to stop. The
    sites in ``cbor`` send SenML CBOR; those whose files name a Sparkplug edge node send Sparkplug,
    the others SenML JSON.
    """

    backlog_s: float = 0.0
    step_s: float = 60.0
    live_step_s: float = 10.0
    speed: float = 0.0
    pack_instants: int = 10
    live_s: float | None = None
    cbor: frozenset[str] = frozenset()


def packs(frames: Frames, instants: int, n_units: int) -> list[np.ndarray[Any, np.dtype[np.intp]]]:
    """Indices of the frames of each pack: one unit, at most ``instants`` samples, oldest first."""
    key = (frames.sample // instants) * n_units + frames.unit_row
    order = np.argsort(key, kind="stable")
    if not len(order):
        return []
    return np.split(order, np.flatnonzero(np.diff(key[order])) + 1)


Encoder = UnitEncoder | CborEncoder | DeviceEncoder


def encoders(fleet: Fleet, cbor: frozenset[str] = frozenset()) -> list[Encoder]:
    """How each unit of the fleet speaks; :class:`simulator.fleet.FleetError` if it cannot."""
    if unknown := cbor - {s.site for s in fleet.sites}:
        msg = f"no site is called {', '.join(sorted(unknown))}; name sites of the fleet"
        raise FleetError(msg)
    site_of = {s.site: s for s in fleet.sites}
    made: list[Encoder] = []
    for unit in fleet.units:
        site = site_of[unit.site]
        if site.edge is not None and unit.device:
            made.append(DeviceEncoder(unit, site))
        else:
            form = CborEncoder if unit.site in cbor else UnitEncoder
            made.append(form(unit, site.elevation_m))
    return made


def _edge_node(site: SitePlate, made: Sequence[Encoder]) -> EdgeNode | None:
    """The presence of a site that speaks Sparkplug."""
    if site.edge is None:
        return None
    of_site = [e for e in made if isinstance(e, DeviceEncoder) and e.site == site.site]
    return EdgeNode(site, of_site)


class Publisher:
    """Runs a source against a broker until the plan is done or ``stop`` is set."""

    def __init__(
        self,
        source: Source,
        *,
        address: BrokerAddress,
        plan: PublishPlan,
        stop: threading.Event,
        report: Report,
    ) -> None:
        """``report`` is told the progress: an event's name and its fields."""
        self._source = source
        self._plan = plan
        self._stop = stop
        self._report = report
        fleet = source.fleet
        self._encoders = encoders(fleet, plan.cbor)
        self._clients = {
            s.site: SiteClient(s.site, address, stop, presence=_edge_node(s, self._encoders))
            for s in fleet.sites
        }
        self._kept: dict[str, list[tuple[str, bytes]]] = {s.site: [] for s in fleet.sites}
        self._sent = 0
        self._total = 0
        self._reported_s = 0.0

    def run(self) -> int:
        """Publish; returns the number of messages sent. Leaves every connection closed.

        Raises :class:`simulator.site_client.BrokerError` if a site cannot connect.
        """
        try:
            for client in self._clients.values():
                client.connect()
            self._publish()
        finally:
            for client in self._clients.values():
                client.close()
            self._report("stopped", {"sent": self._sent})
        return self._sent

    def _publish(self) -> None:
        plan, source = self._plan, self._source
        now_s = time.time()
        entries = source.scenario.entries(now_s, None)
        count = int(plan.backlog_s // plan.step_s)
        start_s = (now_s // plan.live_step_s) * plan.live_step_s - count * plan.step_s
        self._total = -(-count // plan.pack_instants) * len(source.fleet.units)
        source.spin_up(start_s, entries)
        at_s = self._catch_up(entries, start_s, plan.step_s, count, now_s)
        while not self._stop.is_set():
            missing = int((time.time() - at_s) // plan.live_step_s)
            if missing <= 0:
                break
            # While the backlog went out the clock went on; that rest goes at the live step.
            at_s = self._catch_up(entries, at_s, plan.live_step_s, missing, now_s)
        if self._stop.is_set():
            return
        for client in self._clients.values():
            client.flush(30.0)
        self._report("backlog", {"sent": self._sent, "total": self._sent})
        self._report("caught_up", {"sent": self._sent, "at": _iso(at_s)})
        self._live(source.scenario.entries(now_s, time.time()), at_s)

    def _catch_up(
        self, entries: tuple[Entry, ...], start_s: float, step_s: float, count: int, now_s: float
    ) -> float:
        """Publish ``count`` instants from ``start_s`` on; returns the time of the next one."""
        plan = self._plan
        block = plan.pack_instants * (1 if plan.speed > 0 else _PACKS_A_BLOCK)
        began_s = time.monotonic()
        at_s = start_s
        done = 0
        while done < count and not self._stop.is_set():
            samples = min(block, count - done)
            frames = self._source.measure(entries, at_s, step_s, samples)
            done += samples
            at_s = start_s + done * step_s
            if plan.speed > 0:
                ahead = (at_s - start_s) / plan.speed - (time.monotonic() - began_s)
                if ahead > 0 and self._stop.wait(ahead):
                    break
            self._send(frames, plan.pack_instants, cut=frozenset())
            if time.monotonic() - self._reported_s > _REPORT_EVERY_S:
                self._reported_s = time.monotonic()
                self._total = max(self._total, self._sent)
                share = (at_s - start_s) / max(now_s - start_s, 1.0)
                self._report(
                    "backlog",
                    {
                        "sent": self._sent, "total": self._total,
                        "share": round(min(share, 1.0), 4), "at": _iso(at_s),
                    },
                )  # fmt: skip
        return at_s

    def _live(self, entries: tuple[Entry, ...], at_s: float) -> None:
        """One instant after another, each once the clock has reached it."""
        plan = self._plan
        end_s = None if plan.live_s is None else time.time() + plan.live_s
        while not self._stop.is_set():
            if end_s is not None and at_s > end_s:
                return
            # A frame's time lies up to a sampling offset after its instant; wait for that too.
            wait_s = at_s + min(plan.live_step_s, 10.0) - time.time()
            if wait_s > 0 and self._stop.wait(wait_s):
                return
            frames = self._source.measure(entries, at_s, plan.live_step_s, 1)
            cut = self._cut_sites(entries, at_s)
            self._connect_as(cut)
            self._send(frames, 1, cut)
            at_s += plan.live_step_s
            self._report("live", {"sent": self._sent, "at": _iso(at_s)})

    def _cut_sites(self, entries: Sequence[Entry], at_s: float) -> frozenset[str]:
        return frozenset(
            e.site for e in entries if e.kind.column == "cut_off" and e.start_s <= at_s < e.end_s
        )

    def _connect_as(self, cut: frozenset[str]) -> None:
        for site, client in self._clients.items():
            if site in cut and client.connected:
                client.cut()
                self._report("site_cut_off", {"site": site})
            elif site not in cut and not client.connected:
                client.connect()
                self._report("site_back", {"site": site})

    def _send(self, frames: Frames, instants: int, cut: frozenset[str]) -> None:
        units = self._source.fleet.units
        for pack in packs(frames, instants, len(units)):
            row = int(frames.unit_row[pack[0]])
            site = units[row].site
            encoder = self._encoders[row]
            payload = encoder.encode(frames.time_ms[pack], frames.values[pack])
            if frames.kept_back[pack].any():
                self._kept[site].append((encoder.topic, payload))
            elif site not in cut:
                # Oldest first: what comes after newer readings is stored but judged by nobody.
                if not self._release_kept(site):
                    return
                if not self._clients[site].publish(encoder.topic, payload):
                    return
                self._sent += 1

    def _release_kept(self, site: str) -> bool:
        """Publish what a site kept while it was cut off; False if told to stop."""
        kept = self._kept[site]
        while kept:
            if not self._clients[site].publish(*kept[0]):
                return False
            del kept[0]
            self._sent += 1
        return True


def _iso(time_s: float) -> str:
    return datetime.fromtimestamp(time_s, UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
