"""What must be remembered of Sparkplug edge nodes: births, sequence numbers, messages that wait.

A birth says what the numbers in later messages mean. Births are sent once, so they are handed to
the journal as notes, in the same transaction as the samples, and a new start goes on with them.
Nothing here knows what a metric means; that is :mod:`gateway.wire.sparkplug`.

Section numbers are those of the Sparkplug specification 3.0.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import msgspec

__all__ = ["Birth", "EdgeNode", "EdgeNodes", "Held", "MetricForm", "expired"]

log = logging.getLogger(__name__)

SEQUENCE: Final = 256
"""Sequence numbers go from 0 to 255 and begin anew."""

MAX_HELD: Final = 200
MAX_HELD_BYTES: Final = 1_000_000
"""Of one edge node's messages that wait for a birth."""

LATE: Final = 32
"""A number so far behind is a message that came late or twice; further behind, many are missing."""

ASK_EVERY_MS: Final = 60_000
"""An edge node that does not answer is not asked for its births more often."""

_PREFIX: Final = "sparkplug"


class MetricForm(msgspec.Struct, frozen=True):
    """What a birth says of a metric; ``unit`` is its engUnit, None where it has none."""

    name: str
    datatype: int
    unit: str | None = None


class Birth(msgspec.Struct, frozen=True):
    """The metrics of an edge node or of one of its devices."""

    by_alias: dict[int, MetricForm]
    by_name: dict[str, MetricForm]


class Held(msgspec.Struct, frozen=True):
    """A message that waits for a birth. ``sent_ms`` is its own time, 0 where it has none."""

    topic: str
    payload: bytes
    received_ms: int
    sent_ms: int


class _Session(msgspec.Struct):
    """What a birth of the edge node began; devices under their id, the node itself under ``""``."""

    births: dict[str, Birth] = {}
    bd_seq: int | None = None
    held: list[Held] = []


class _Count(msgspec.Struct):
    """Where an edge node's numbering has come to."""

    next_seq: int | None
    missing: list[int]
    missing_since_ms: int


@dataclass
class EdgeNode:
    """One edge node, as far as its messages have told."""

    group: str
    edge: str
    births: dict[str, Birth] = field(default_factory=dict)
    bd_seq: int | None = None
    held: list[Held] = field(default_factory=list)
    next_seq: int | None = None
    missing: dict[int, None] = field(default_factory=dict)
    missing_since_ms: int = 0
    asked_ms: int | None = None

    def saw(self, seq: int, received_ms: int) -> None:
        """Note the sequence number of a message (chapter 5.9)."""
        seq %= SEQUENCE
        if seq in self.missing:
            del self.missing[seq]
            return
        if self.next_seq is not None:
            ahead = (seq - self.next_seq) % SEQUENCE
            if ahead >= SEQUENCE - LATE:
                return
            if ahead and not self.missing:
                self.missing_since_ms = received_ms
            for step in range(ahead):
                self.missing[(self.next_seq + step) % SEQUENCE] = None
        self.next_seq = (seq + 1) % SEQUENCE

    def begin(self, seq: int | None, bd_seq: int | None, birth: Birth) -> None:
        """The edge node is born: nothing of before holds, and its devices are born after it."""
        self.births = {"": birth}
        self.bd_seq = bd_seq
        self.next_seq = None if seq is None else (seq + 1) % SEQUENCE
        self.missing.clear()

    def end(self) -> None:
        """The edge node has died."""
        self.births = {}
        self.bd_seq = None
        self.next_seq = None
        self.missing.clear()

    def may_hold(self, message: Held) -> bool:
        """Whether one more message may wait."""
        size = sum(len(h.payload) for h in self.held) + len(message.payload)
        return len(self.held) < MAX_HELD and size <= MAX_HELD_BYTES


class EdgeNodes:
    """All edge nodes that have spoken; only the thread that decodes may use it.

    ``notes`` are those that an earlier process left, by name.
    """

    def __init__(self, notes: Mapping[str, bytes] | None = None) -> None:
        """A note that cannot be read is as good as none: the edge node must be born anew."""
        self._nodes: dict[tuple[str, str], EdgeNode] = {}
        self._changed: set[tuple[str, str]] = set()
        self._counted: set[tuple[str, str]] = set()
        self._forgotten: set[tuple[str, str]] = set()
        self._waiting: set[tuple[str, str]] = set()
        self._to_ask: dict[tuple[str, str], None] = {}
        for name, value in (notes or {}).items():
            self._recall(name, value)

    def __contains__(self, key: tuple[str, str]) -> bool:
        """Whether the edge node (group, edge node) has spoken."""
        return key in self._nodes

    def get(self, group: str, edge: str) -> EdgeNode:
        """The edge node, a new one if it has not spoken before."""
        key = (group, edge)
        node = self._nodes.get(key)
        if node is None:
            node = self._nodes[key] = EdgeNode(group, edge)
        return node

    def forget(self, group: str, edge: str) -> None:
        """Drop all that is known of an edge node: what it says from now on is not followed."""
        key = (group, edge)
        if self._nodes.pop(key, None) is not None:
            for marks in (self._changed, self._counted, self._waiting):
                marks.discard(key)
            self._forgotten.add(key)

    def changed(self, node: EdgeNode) -> None:
        """Its births or waiting messages are others now."""
        self._changed.add((node.group, node.edge))
        self.counted(node)

    def counted(self, node: EdgeNode) -> None:
        """Its sequence number went on."""
        key = (node.group, node.edge)
        self._counted.add(key)
        if node.missing or node.held:
            self._waiting.add(key)

    def ask(self, node: EdgeNode, now_ms: int) -> None:
        """Its births are needed again. Asked now and then, not at every message."""
        if node.asked_ms is None or not 0 <= now_ms - node.asked_ms < ASK_EVERY_MS:
            node.asked_ms = now_ms
            self._to_ask[node.group, node.edge] = None

    def to_ask(self) -> list[tuple[str, str]]:
        """The edge nodes (group, edge node) to be asked since this was last called."""
        asked = list(self._to_ask)
        self._to_ask.clear()
        return asked

    def waiting(self) -> list[EdgeNode]:
        """The edge nodes of which messages are missing or held."""
        for key in [k for k in self._waiting if not self._still_waiting(k)]:
            self._waiting.discard(key)
        return [self._nodes[key] for key in sorted(self._waiting)]

    def stop_waiting(self) -> None:
        """Drop what is missing or held; for when it cannot be dealt with."""
        for node in self.waiting():
            node.missing.clear()
            node.held = []
            self.changed(node)

    def _still_waiting(self, key: tuple[str, str]) -> bool:
        node = self._nodes.get(key)
        return node is not None and bool(node.missing or node.held)

    # --- notes -----------------------------------------------------------------------------------

    def notes(self) -> dict[str, bytes | None]:
        """What is to be kept since this was last called: notes by name, None for one to drop."""
        notes: dict[str, bytes | None] = {}
        for key in self._forgotten - set(self._nodes):
            notes[_name(*key, "session")] = notes[_name(*key, "seq")] = None
        for key in self._changed:
            node = self._nodes[key]
            session = _Session(node.births, node.bd_seq, node.held)
            notes[_name(*key, "session")] = msgspec.msgpack.encode(session)
        for key in self._counted:
            node = self._nodes[key]
            count = _Count(node.next_seq, list(node.missing), node.missing_since_ms)
            notes[_name(*key, "seq")] = msgspec.msgpack.encode(count)
        for marks in (self._forgotten, self._changed, self._counted):
            marks.clear()
        return notes

    def _recall(self, name: str, value: bytes) -> None:
        prefix, *levels = name.split("/")
        if prefix != _PREFIX or len(levels) != 3:
            return
        group, edge, part = levels
        try:
            if part == "seq":
                count = msgspec.msgpack.decode(value, type=_Count)
                node = self.get(group, edge)
                node.next_seq, node.missing_since_ms = count.next_seq, count.missing_since_ms
                node.missing = dict.fromkeys(count.missing)
            elif part == "session":
                session = msgspec.msgpack.decode(value, type=_Session)
                node = self.get(group, edge)
                node.births, node.bd_seq, node.held = session.births, session.bd_seq, session.held
            self._waiting.add((group, edge))
        except (msgspec.MsgspecError, ValueError) as error:
            log.warning("What was noted of edge node %s/%s is unreadable: %s", group, edge, error)


def _name(group: str, edge: str, part: str) -> str:
    return f"{_PREFIX}/{group}/{edge}/{part}"


def expired(since_ms: int, now_ms: int, wait_s: float) -> bool:
    """Whether a wait is over. A clock that was set back ends it too."""
    return not 0 <= now_ms - since_ms < wait_s * 1000.0
