"""Sparkplug B 3.0 messages of edge nodes that site files name: to frames, refusals, site status.

Births say what the aliases in later messages mean and carry readings themselves; a death is the
site cut off. What cannot be understood for want of a birth waits for it while messages are missing,
and is refused otherwise. Commands and other hosts' states are seen and passed over.

Chapter numbers are those of the specification 3.0.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from gateway.batch import Reason, Reject, SiteStatus
from gateway.sparkplug_settings import SparkplugSettings
from gateway.wire.advice import explain, printable
from gateway.wire.decoded import (
    MAX_PAYLOAD_BYTES,
    MAX_RECORDS,
    Decoded,
    merged,
    refused,
    too_large,
)
from gateway.wire.edge_nodes import (
    Birth,
    EdgeNode,
    EdgeNodes,
    Held,
    MetricForm,
    expired,
)
from gateway.wire.readings import Window
from gateway.wire.sparkplug_metrics import MetricReader, SparkplugMessage, eng_unit
from gateway.wire.sparkplug_payload import parse, rebirth_request
from gateway.wire.targets import Targets
from gateway.wire.unit_wire import EdgePlace

__all__ = ["NAMESPACE", "SparkplugReader"]

NAMESPACE: Final = "spBv1.0"
"""The first level of every topic (chapter 4)."""

_NODE_TYPES: Final = frozenset({"NBIRTH", "NDATA", "NDEATH", "NCMD"})
_DEVICE_TYPES: Final = frozenset({"DBIRTH", "DDATA", "DDEATH", "DCMD"})
_COMMANDS: Final = frozenset({"NCMD", "DCMD"})
_BD_SEQ: Final = b"bdSeq"


class SparkplugReader:
    """Reads the messages under :data:`NAMESPACE`.

    ``places`` are the known edge nodes by (group, edge node); ``nodes`` is what is remembered of
    them, and outlives this reader; ``targets`` and ``window`` are those of all formats.
    """

    def __init__(
        self,
        places: Mapping[tuple[str, str], EdgePlace],
        nodes: EdgeNodes,
        targets: Targets,
        window: Window,
        settings: SparkplugSettings,
    ) -> None:
        """Nothing is read yet."""
        self._places = places
        self._nodes = nodes
        self._settings = settings
        self._metrics = MetricReader(targets, window)
        self._handlers: Mapping[str, Callable[[SparkplugMessage], Decoded]] = {
            "NBIRTH": self._node_birth, "DBIRTH": self._device_birth, "NDATA": self._data,
            "DDATA": self._data, "NDEATH": self._node_death, "DDEATH": self._device_death,
        }  # fmt: skip

    def read(self, topic: str, payload: bytes, received_ms: int) -> Decoded:  # noqa: PLR0911  # one return a reason
        """What the message says. ``received_ms`` is UTC, ms since 1970."""
        _, *levels = topic.split("/")
        if len(levels) == 2 and levels[0] == "STATE":
            return Decoded()  # another host says whether it is there
        group, kind, edge, device = (*levels, "", "", "", "")[:4]
        forms = {3: _NODE_TYPES, 4: _DEVICE_TYPES}.get(len(levels), frozenset())
        if kind not in forms or not all(levels):
            what = f"'{topic[:120]}' is no topic of Sparkplug B."
            return refused(topic, payload, received_ms, Reason.TOPIC, what)
        place = self._places.get((group, edge))
        if place is None:
            self._nodes.forget(group, edge)
            what = f"No site file names the edge node '{edge[:60]}' of group '{group[:60]}'."
            return refused(topic, payload, received_ms, Reason.UNREGISTERED, what)
        if kind in _COMMANDS:
            return Decoded()
        if len(payload) > MAX_PAYLOAD_BYTES:
            return too_large(topic, payload, received_ms, site=place.site)
        try:
            body = parse(payload)
        except ValueError as error:
            reason = Reason.NOT_SPARKPLUG
            return refused(topic, payload, received_ms, reason, str(error), site=place.site)
        node = self._nodes.get(group, edge)
        message = SparkplugMessage(topic, payload, received_ms, place, node, kind, device, body)
        if len(body.metrics) > MAX_RECORDS:
            what = f"The message holds {len(body.metrics)} metrics; the limit is {MAX_RECORDS}."
            return message.refused(Reason.TOO_LARGE, what)
        if kind not in {"NBIRTH", "NDEATH"} and body.HasField("seq"):
            node.saw(body.seq, received_ms)
            self._nodes.counted(node)
        if device and device not in place.devices:
            what = f"Site {place.site} has no unit with sparkplug_device = '{device[:60]}'."
            return refused(
                topic, payload, received_ms, Reason.UNREGISTERED, what,
                site=place.site, unit=printable(device, 64),
            )  # fmt: skip
        return self._handlers[kind](message)

    def overdue(self, now_ms: int) -> Decoded:
        """What is to be said of messages that did not come in time (chapter 5.9)."""
        wait_s = self._settings.reorder_wait_s
        parts = []
        for node in self._nodes.waiting():
            place = self._places.get((node.group, node.edge))
            if place is None:
                self._nodes.forget(node.group, node.edge)
                continue
            if node.missing and expired(node.missing_since_ms, now_ms, wait_s):
                parts.append(Decoded(lost=(_lost(node, place, now_ms),)))
                node.missing.clear()
                self._nodes.counted(node)
                self._ask(node, now_ms)
            # With nothing missing any more, what they wait for will not come.
            late = [
                h for h in node.held if not node.missing or expired(h.received_ms, now_ms, wait_s)
            ]
            parts += [self._data(m, waits=False) for m in self._take(node, late)]
        return merged(parts) if parts else Decoded()

    def requests(self, now_ms: int) -> list[tuple[str, bytes]]:
        """Topics and payloads that ask edge nodes for their births, to be sent with QoS 0."""
        return [
            (f"{NAMESPACE}/{group}/NCMD/{edge}", rebirth_request(now_ms))
            for group, edge in self._nodes.to_ask()
        ]

    def _ask(self, node: EdgeNode, now_ms: int) -> None:
        if self._settings.request_rebirth:
            self._nodes.ask(node, now_ms)

    # --- births and deaths -----------------------------------------------------------------------

    def _node_birth(self, message: SparkplugMessage) -> Decoded:
        node, body = message.node, message.body
        # What waited from before this birth speaks of the session before it.
        stale = [h for h in node.held if not 0 < body.timestamp <= h.sent_ms]
        before = [self._data(m, waits=False) for m in self._take(node, stale)]
        seq = body.seq if body.HasField("seq") else None
        node.begin(seq, _bd_seq(body), _birth(body))
        self._nodes.changed(node)
        status = SiteStatus(message.received_ms, message.place.site, online=True)
        found = self._metrics.read(message)
        return merged([*before, found, *self._again(node), Decoded(status=status)])

    def _device_birth(self, message: SparkplugMessage) -> Decoded:
        node = message.node
        node.births[message.device] = _birth(message.body)
        self._nodes.changed(node)
        return merged([self._metrics.read(message), *self._again(node)])

    def _node_death(self, message: SparkplugMessage) -> Decoded:
        node, count = message.node, len(message.body.metrics)
        bd_seq = _bd_seq(message.body)
        if bd_seq is None:
            what = "A death without bdSeq does not say which birth it ends."
            return message.refused(Reason.NOT_SPARKPLUG, what)
        if node.bd_seq is not None and node.bd_seq != bd_seq:
            # The will of a connection before the present one (chapter 5).
            return Decoded(records=count, carriers=count)
        held = [self._data(m, waits=False) for m in self._take(node, node.held)]
        node.end()
        self._nodes.changed(node)
        status = SiteStatus(message.received_ms, message.place.site, online=False)
        return merged([*held, Decoded(status=status, records=count, carriers=count)])

    def _device_death(self, message: SparkplugMessage) -> Decoded:
        message.node.births.pop(message.device, None)
        self._nodes.changed(message.node)
        count = len(message.body.metrics)
        return Decoded(records=count, carriers=count)

    # --- data ------------------------------------------------------------------------------------

    def _data(self, message: SparkplugMessage, *, waits: bool = True) -> Decoded:
        """Readings; ``waits`` says whether the message may wait for a birth that is missing."""
        node = message.node
        if waits and node.missing and not self._understood(message):
            sent_ms = message.body.timestamp
            held = Held(message.topic, message.payload, message.received_ms, sent_ms)
            if node.may_hold(held):
                node.held.append(held)
                self._nodes.changed(node)
                return Decoded()
        found = self._metrics.read(message)
        if any(reject.reason is Reason.NO_BIRTH for reject in found.rejects):
            self._ask(node, message.received_ms)
        return found

    @staticmethod
    def _understood(message: SparkplugMessage) -> bool:
        birth = message.node.births.get(message.device)
        if birth is None:
            return all(m.name for m in message.body.metrics)
        known = birth.by_alias
        return all(m.alias in known or m.name for m in message.body.metrics)

    def _again(self, node: EdgeNode) -> list[Decoded]:
        """Try once more what waited; what still is not understood goes on waiting."""
        ready = [
            h
            for h, m in zip(node.held, self._read_again(node.held), strict=True)
            if self._understood(m)
        ]
        return [self._data(m, waits=False) for m in self._take(node, ready)]

    def _take(self, node: EdgeNode, which: list[Held]) -> list[SparkplugMessage]:
        """Take messages out of those that wait."""
        if not which:
            return []
        node.held = [h for h in node.held if h not in which]
        self._nodes.changed(node)
        return self._read_again(which)

    def _read_again(self, held: list[Held]) -> list[SparkplugMessage]:
        messages = []
        for h in held:
            _, group, kind, edge, *device = h.topic.split("/")
            place, node = self._places[group, edge], self._nodes.get(group, edge)
            messages.append(
                SparkplugMessage(
                    h.topic, h.payload, h.received_ms, place, node, kind, "".join(device),
                    parse(h.payload),
                )
            )  # fmt: skip
        return messages


def _birth(body: Any) -> Birth:
    """What a birth says of its metrics; an alias given to several of them means none."""
    by_alias: dict[int, MetricForm] = {}
    by_name: dict[str, MetricForm] = {}
    doubtful: set[int] = set()
    for metric in body.metrics:
        try:
            name = metric.name.decode()
        except UnicodeDecodeError:
            continue
        if name:
            form = by_name[name] = MetricForm(name, metric.datatype, eng_unit(metric))
            if metric.HasField("alias") and by_alias.setdefault(metric.alias, form).name != name:
                doubtful.add(metric.alias)
    for alias in doubtful:
        del by_alias[alias]
    return Birth(by_alias, by_name)


def _bd_seq(body: Any) -> int | None:
    """The number that a birth and its death share (chapter 5)."""
    for metric in body.metrics:
        if metric.name == _BD_SEQ and metric.WhichOneof("value") in {"long_value", "int_value"}:
            return int(getattr(metric, metric.WhichOneof("value")))
    return None


def _lost(node: EdgeNode, place: EdgePlace, now_ms: int) -> Reject:
    """That messages of an edge node were missed."""
    numbers = list(node.missing)
    shown = ", ".join(str(n) for n in numbers[:5]) + (", …" if len(numbers) > 5 else "")
    what = (
        f"At least {len(numbers)} message{'s' * (len(numbers) > 1)} of the edge node '{node.edge}' "
        f"did not come (sequence number{'s' * (len(numbers) > 1)} {shown})."
    )
    return Reject(
        received_ms=now_ms,
        topic=printable(f"{NAMESPACE}/{node.group}/+/{node.edge}/#"),
        reason=Reason.MISSING,
        detail=printable(explain(Reason.MISSING, what), 1000),
        site=place.site,
        count=len(numbers),
    )
