"""SenML packs of units whose topic is known: to frames and refusals.

Ordinary packs take a fast path through typed structs and remembered names; whatever that path
cannot vouch for goes, from the start, through the exact one (:mod:`gateway.wire.senml`), so both
give the same answer. The encodings differ only in how the records are read.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

import msgspec

from gateway.batch import Frame, Reason
from gateway.wire import senml
from gateway.wire.decoded import MAX_RECORDS, Decoded, Refusals, frames_of, of_unit, refused
from gateway.wire.readings import (
    CONDUCTIVITY,
    MAX_AHEAD_MS,
    Sent,
    Window,
    is_flag,
    judge,
    refer,
    refer_late,
)
from gateway.wire.senml_cbor import LABELS, load_cbor, parse_cbor
from gateway.wire.senml_items import Fault
from gateway.wire.senml_json import parse_json
from gateway.wire.targets import Refusal, Target, Targets
from gateway.wire.unit_wire import UnitWire
from rules.signals import SIGNALS

__all__ = ["FORMATS", "PackReader", "UnitState"]

_MAX_BASES: Final = 16
_MAX_NAMES: Final = 512


class _Record(msgspec.Struct, forbid_unknown_fields=True, gc=False):
    """A SenML record as ordinary sensors send it; anything more takes the exact path."""

    bn: str | None = None
    bt: float | None = None
    bu: str | None = None
    bver: float | None = None
    n: str | None = None
    u: str | None = None
    v: float | None = None
    vb: bool | None = None
    t: float | None = None


_EMPTY: Final = _Record()

_Key = str | None | tuple[str | None, str] | tuple[str, str | None, str | None]
"""Name; or (name, unit); or ("vb", name, unit) where the value is a boolean."""

_Names = dict[_Key, Target]
"""What was learned under one base name and base unit."""


@dataclass(frozen=True)
class _Format:
    """How the payload under a topic suffix is read.

    ``plain`` is the fast path; it may raise ValueError for whatever it does not take. ``items``
    takes anything, and gives the records as :func:`gateway.wire.senml.resolve` wants them.
    ``quoted`` says that the fast path does not see it when a field comes twice, but that each field
    has a fixed number of quotes in the text.
    """

    plain: Callable[[bytes], list[_Record]]
    items: Callable[[bytes], list[object] | Fault]
    quoted: bool


_read_json: Final = msgspec.json.Decoder(list[_Record]).decode


def _plain_json(payload: bytes) -> list[_Record]:
    if b"\\" in payload:
        msg = "an escape may hide a quote"
        raise ValueError(msg)
    return _read_json(payload)


_INTEGER_LABELS: Final = {k: v for k, v in LABELS.items() if v in _Record.__struct_fields__}


def _plain_cbor(payload: bytes) -> list[_Record]:
    label = _INTEGER_LABELS
    try:
        items = [{label[k]: v for k, v in item.items()} for item in load_cbor(payload)]
    except (KeyError, TypeError, AttributeError):
        msg = "not an array of maps with the ordinary labels"
        raise ValueError(msg) from None
    if any(None in item.values() for item in items):
        msg = "a null, which stands for no field"
        raise ValueError(msg)
    return msgspec.convert(items, list[_Record])


FORMATS: Final[Mapping[str, _Format]] = {
    "senml": _Format(_plain_json, parse_json, quoted=True),
    "senml-cbor": _Format(_plain_cbor, parse_cbor, quoted=False),
}
"""By the last level of the topic."""


class UnitState:
    """A unit, and what was learned of the names that it uses."""

    __slots__ = ("bases", "format", "wire")

    def __init__(self, wire: UnitWire, form: _Format) -> None:
        """``form`` is how its packs are encoded."""
        self.wire = wire
        self.format = form
        self.bases: dict[tuple[str, str | None], _Names] = {}

    def names(self, base_name: str, base_unit: str | None) -> _Names:
        """What was learned under this base name and unit, to be added to."""
        key = (base_name, base_unit)
        names = self.bases.get(key)
        if names is None:
            if len(self.bases) >= _MAX_BASES:
                self.bases.clear()  # a base name that changes all the time is not worth keeping
            names = self.bases[sys.intern(base_name), base_unit] = {}
        return names


class PackReader:
    """Reads packs; ``targets`` says where their readings go, ``window`` which times are taken."""

    def __init__(self, targets: Targets, window: Window) -> None:
        """Both are shared with the other formats."""
        self._targets = targets
        self._window = window

    def read(self, state: UnitState, topic: str, payload: bytes, received_ms: int) -> Decoded:
        """What the pack says of the unit of ``state``. ``received_ms`` is UTC, ms since 1970."""
        plain = self.plain(state, payload, received_ms)
        return plain if plain is not None else self._exact(state, topic, payload, received_ms)

    # --- the fast path ---------------------------------------------------------------------------

    def plain(self, state: UnitState, payload: bytes, received_ms: int) -> Decoded | None:  # noqa: PLR0911, PLR0912, PLR0915 - one loop without calls: it runs for every sample
        """The message, if nothing at all is unusual about it; else None."""
        try:
            records = state.format.plain(payload)
        except ValueError:
            return None
        if not 0 < len(records) <= MAX_RECORDS:
            return None
        base_name, base_unit, base_time_s = "", None, 0.0
        names = state.names("", None)
        received_s = received_ms / 1000.0
        base_ms = received_ms
        earliest_ms = self._window.earliest_ms(received_ms)
        latest_ms = received_ms + MAX_AHEAD_MS
        now_ms: int | None = None
        values: dict[int, float] = {}
        by_time: dict[int, dict[int, float]] = {}
        carriers = 0
        # Quotes that the fields seen account for; more in the text means a field came twice.
        quotes = 0
        for record in records:
            n, u, v, t = record.n, record.u, record.v, record.t
            bn, bt, bu = record.bn, record.bt, record.bu
            if bn is not None or bu is not None:
                if bn is not None:
                    base_name = bn
                    quotes += 4
                if bu is not None:
                    base_unit = bu
                    quotes += 4
                names = state.names(base_name, base_unit)
            if bt is not None:
                if not math.isfinite(bt):
                    return None
                base_time_s = bt
                base_ms = _instant_ms(bt, received_s)
                quotes += 2
            if record.bver is not None:
                if record.bver != senml.VERSION:
                    return None
                quotes += 2
            if v is None:
                if record.vb is None:
                    if n is not None or u is not None or t is not None or record == _EMPTY:
                        return None
                    carriers += 1
                    continue
                v = float(record.vb)
                key: _Key = ("vb", n, u)
            elif record.vb is not None:
                return None
            elif u is None:
                key = n
            else:
                key = (n, u)
            quotes += 2
            if n is not None:
                quotes += 4
            if u is not None:
                quotes += 4
            if t is None:
                time_ms = base_ms
            else:
                quotes += 2
                time_ms = _instant_ms(base_time_s + t, received_s)
            target = names.get(key)
            if target is None:
                unit = u if u is not None else base_unit
                name = base_name + (n or "")
                target = self._learn(state.wire, name, unit, boolean=record.vb is not None)
                if target is None:
                    return None
                if len(names) >= _MAX_NAMES:
                    names.clear()
                # Thousands of units use the same few names: keep one copy of each.
                names[sys.intern(key) if isinstance(key, str) else key] = target
            column, scale, offset, low, high, whole = target
            v = v * scale + offset
            if not low <= v <= high or (whole and v != int(v)):
                return None
            if time_ms != now_ms:
                if not earliest_ms <= time_ms <= latest_ms:
                    return None
                now_ms = time_ms
                found = by_time.get(time_ms)
                if found is None:
                    found = by_time[time_ms] = {}
                values = found
            values[column] = v
        if state.format.quoted and quotes != payload.count(b'"'):
            return None
        wire = state.wire
        if wire.refer_conductivity is not None:
            for values in by_time.values():
                if not isinstance(refer(wire, values), bool):
                    return None
        if now_ms is not None and len(by_time) == 1:
            frames: tuple[Frame, ...] = (Frame(wire.row, now_ms, values),)
        else:
            frames = frames_of(wire, by_time)
        count = len(records)
        return Decoded(frames, (), None, count, count - carriers, carriers)

    def _learn(
        self, wire: UnitWire, name: str, unit: str | None, *, boolean: bool
    ) -> Target | None:
        """Where a name not seen before goes; None if it goes nowhere."""
        if len(name) > senml.MAX_NAME or not senml.NAME.fullmatch(name):
            return None
        target = self._targets.find(wire, name, unit)
        if isinstance(target, Refusal) or (boolean and not is_flag(target)):
            return None
        return target

    # --- the exact path --------------------------------------------------------------------------

    def _exact(self, state: UnitState, topic: str, payload: bytes, received_ms: int) -> Decoded:
        wire = state.wire
        items = state.format.items(payload)
        if isinstance(items, Fault):
            return refused(topic, payload, received_ms, items.reason, items.what, **of_unit(wire))
        if len(items) > MAX_RECORDS:
            what = f"The pack holds {len(items)} records; the limit is {MAX_RECORDS}."
            return refused(topic, payload, received_ms, Reason.TOO_LARGE, what, **of_unit(wire))
        pack = senml.resolve(items, received_ms / 1000.0)
        if isinstance(pack, Fault):
            return refused(topic, payload, received_ms, pack.reason, pack.what, **of_unit(wire))
        refusals = Refusals(items)
        for fault in pack.faults:
            refusals.add(fault.index or 0, Refusal(fault.reason, "", fault.what))
        by_time: dict[int, dict[int, float]] = {}
        raw: list[tuple[int, int, float]] = []
        # In the order of the message, as on the fast path: of two values within a millisecond the
        # later in the message counts.
        for record in sorted(pack.records, key=lambda record: record.index):
            found = self._sample(wire, record, received_ms)
            if isinstance(found, Refusal):
                refusals.add(record.index, found)
                continue
            time_ms, column, value = found
            if column == CONDUCTIVITY and wire.refer_conductivity is not None:
                raw.append((record.index, time_ms, value))
            else:
                by_time.setdefault(time_ms, {})[column] = value
        for index, time_ms, value in raw:
            if refusal := refer_late(wire, by_time, time_ms, value):
                refusals.add(index, refusal)
        return Decoded(
            frames=frames_of(wire, by_time),
            rejects=refusals.rejects(topic, received_ms, **of_unit(wire)),
            records=pack.count,
            samples=pack.count - pack.carriers - refusals.count,
            carriers=pack.carriers,
        )

    def _sample(
        self, wire: UnitWire, record: senml.Record, received_ms: int
    ) -> tuple[int, int, float] | Refusal:
        """Time [ms], column and value of one record."""
        target = self._targets.find(wire, record.name, record.unit)
        if isinstance(target, Refusal):
            return target
        signal = SIGNALS[target.column]
        if record.value is not None:
            sent = record.value
        elif record.flag is not None and is_flag(target):
            sent = float(record.flag)
        else:
            what = f"{signal.name} came as {_kind_of_value(record)}, not as a number."
            return Refusal(Reason.NOT_A_NUMBER, signal.name, what)
        time_ms = _instant_ms(record.time_s, 0.0)
        value = judge(target, Sent(sent, record.unit, time_ms), self._window, received_ms)
        return value if isinstance(value, Refusal) else (time_ms, target.column, value)


def _kind_of_value(record: senml.Record) -> str:
    if record.flag is not None:
        return "a boolean"
    if record.text is not None:
        return "text"
    return "data" if record.data is not None else "a sum only"


def _instant_ms(time_s: float, received_s: float) -> int:
    """Milliseconds since 1970; far outside any clock is brought within an integer's reach."""
    absolute_s = senml.instant_s(time_s, received_s)
    return round(max(-1e12, min(1e12, absolute_s)) * 1000.0)
