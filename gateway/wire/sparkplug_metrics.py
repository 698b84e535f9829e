"""The metrics of one Sparkplug message, each as a reading, a refusal, or a metric without reading.

What a metric means follows from the birth in force (name, datatype, engineering unit) and the site
file (which device is which unit, names and units of its own).

Chapter numbers are those of the specification 3.0.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final, NamedTuple, overload

from gateway.batch import Frame, Reason, Reject
from gateway.wire.decoded import Decoded, Refusals, frames_of, refused
from gateway.wire.edge_nodes import Birth, EdgeNode, MetricForm
from gateway.wire.readings import (
    CONDUCTIVITY,
    MAX_AHEAD_MS,
    ByTime,
    Sent,
    Window,
    is_flag,
    judge,
    refer_late,
)
from gateway.wire.sparkplug_values import FLOAT_FIELDS, FLOATS, Mismatch, number_of, type_name
from gateway.wire.targets import Refusal, Target, Targets
from gateway.wire.unit_wire import EdgePlace, UnitWire
from rules.signals import SIGNALS

__all__ = ["MetricReader", "SparkplugMessage", "eng_unit"]

_CONTROLS: Final = ("Node Control/", "Device Control/")
"""Folders of metrics that are there to be written to (chapter 5.17)."""

_QUALITY: Final = b"Quality"
_ENG_UNIT: Final = b"engUnit"
_GOOD: Final = 192
"""Of the property Quality; 0 is bad and 500 stale (from memory)."""

_LATEST_MS: Final = 10**15
"""Later times are as good as this one: far beyond any clock, within an integer's reach."""


class SparkplugMessage(NamedTuple):
    """One message of a known edge node; ``device`` is empty for the node itself."""

    topic: str
    payload: bytes
    received_ms: int
    place: EdgePlace
    node: EdgeNode
    kind: str
    device: str
    body: Any

    def refused(self, reason: Reason, what: str) -> Decoded:
        """The message, refused whole."""
        wire = self.place.devices.get(self.device)
        return refused(
            self.topic, self.payload, self.received_ms, reason, what,
            site=self.place.site, unit=wire.unit if wire else "",
        )  # fmt: skip


class _Known(NamedTuple):
    """What a metric of a birth means here: where its number goes, and what it was said to be."""

    wire: UnitWire
    target: Target
    form: MetricForm


class _Mark:
    """A metric without reading."""


_NO_READING: Final = _Mark()
_Meaning = _Known | Refusal | _Mark


class _Times(NamedTuple):
    """The times of one message: of metrics without their own, of receipt, and what is accepted."""

    default_ms: int
    received_ms: int
    earliest_ms: int
    latest_ms: int


class _Learned:
    """What the metrics of one birth mean, by alias or name; ``plain`` are those read at once."""

    __slots__ = ("birth", "meanings", "plain")

    def __init__(self, birth: Birth | None) -> None:
        self.birth = birth
        self.meanings: dict[int | bytes, _Meaning] = {}
        self.plain: dict[int, _Known] = {}


def _is_plain(known: _Known) -> bool:
    """Whether a number of this metric needs no more than its conversion and its limits."""
    wire, target, form = known
    raw = target.column == CONDUCTIVITY and wire.refer_conductivity is not None
    return form.datatype in FLOATS and not raw


class MetricReader:
    """Reads metrics; ``targets`` says where they go, ``window`` which times are taken."""

    def __init__(self, targets: Targets, window: Window) -> None:
        """Remembers what metrics mean while their birth is in force."""
        self._targets = targets
        self._window = window
        self._learned: dict[tuple[str, str], _Learned] = {}

    def read(self, message: SparkplugMessage) -> Decoded:
        """All metrics of a message."""
        metrics, received_ms = message.body.metrics, message.received_ms
        birth = message.node.births.get(message.device)
        learned = self._meanings(message, birth)
        plain = learned.plain
        default_ms = message.body.timestamp or received_ms
        earliest_ms = self._window.earliest_ms(received_ms)
        latest_ms = received_ms + MAX_AHEAD_MS
        times = _Times(default_ms, received_ms, earliest_ms, latest_ms)
        gathered = _Gathered(message)
        now: tuple[UnitWire, int] | None = None
        values: dict[int, float] = {}
        for index, metric in enumerate(metrics):
            found = plain.get(metric.alias)
            if found is not None:
                # What most metrics are, at every sample: few looks into the message, no call.
                field = metric.WhichOneof("value")
                if field in FLOAT_FIELDS and not metric.HasField("properties"):
                    wire, (column, scale, offset, low, high, whole), _ = found
                    value = getattr(metric, field) * scale + offset
                    time_ms = metric.timestamp or default_ms
                    if (
                        low <= value <= high
                        and earliest_ms <= time_ms <= latest_ms
                        and not (whole and value != int(value))
                    ):
                        if now != (wire, time_ms):
                            now, values = (wire, time_ms), gathered.values(wire, time_ms)
                        values[column] = value
                        continue
            known = self._meaning(message, birth, learned, metric)
            if isinstance(known, _Known):
                gathered.add(index, known.wire, self._reading(known, metric, times))
            else:
                gathered.pass_over(index, known)
        return gathered.decoded()

    def _meanings(self, message: SparkplugMessage, birth: Birth | None) -> _Learned:
        """What was learned of the metrics of this birth, to be added to."""
        if birth is None:
            return _Learned(None)
        key = (message.place.site, message.device)
        learned = self._learned.get(key)
        if learned is None or learned.birth is not birth:
            learned = self._learned[key] = _Learned(birth)
        return learned

    def _meaning(
        self,
        message: SparkplugMessage,
        birth: Birth | None,
        learned: _Learned,
        metric: Any,
    ) -> _Meaning:
        """Where the metric's number goes, by its alias or its name."""
        name: bytes = metric.name
        key: int | bytes = name or metric.alias
        known = learned.meanings.get(key) if name or metric.HasField("alias") else None
        if known is not None:
            return known
        if name:
            try:
                text = name.decode()
            except UnicodeDecodeError:
                return Refusal(Reason.RECORD, "", "The metric's name is not UTF-8.")
            form = birth.by_name.get(text) if birth else None
            if form is None:
                return self._learn(message, MetricForm(text, 0, eng_unit(metric)))
        else:
            form = birth.by_alias.get(metric.alias) if birth else None
            if form is None or not metric.HasField("alias"):
                return _not_understood(message, metric)
        known = learned.meanings[key] = self._learn(message, form)
        # A metric without alias has the number 0 too.
        if isinstance(known, _Known) and isinstance(key, int) and key and _is_plain(known):
            learned.plain[key] = known
        return known

    def _learn(self, message: SparkplugMessage, form: MetricForm) -> _Meaning:
        name, place = form.name, message.place
        if name == "bdSeq" or name.startswith(_CONTROLS):
            return _NO_READING
        wire = place.devices.get(message.device)
        if wire is None:
            folder, _, rest = name.partition("/")
            wire = place.units.get(folder)
            if wire is not None and rest:
                name = rest
            elif len(place.units) == 1:
                (wire,) = place.units.values()
            else:
                what = (
                    f"The edge node's own metric '{name[:80]}' does not begin with a unit's id and "
                    f"'/', and site {place.site} has several units."
                )
                return Refusal(Reason.UNKNOWN_SIGNAL, name[:80], what)
        target = self._targets.find(wire, name, form.unit, folders=True)
        return target if isinstance(target, Refusal) else _Known(wire, target, form)

    def _reading(  # noqa: PLR0911  # one return a reason
        self, known: _Known, metric: Any, times: _Times
    ) -> tuple[int, int, float] | Refusal | _Mark:
        """Time [ms], column and value of one metric."""
        _, target, form = known
        field = metric.WhichOneof("value")
        if field is None:
            return _NO_READING if metric.is_null else _without_value(target)
        if metric.HasField("properties") and (refusal := _bad_quality(target, metric)):
            return refusal
        datatype = metric.datatype or form.datatype
        sent = number_of(field, getattr(metric, field), datatype)
        if isinstance(sent, Mismatch):
            reason = Reason.NOT_A_NUMBER if sent.is_other_type else Reason.RECORD
            name = SIGNALS[target.column].name
            return Refusal(reason, name, f"{name} came as {sent.what}.")
        if isinstance(sent, bool) and not is_flag(target):
            return _not_a_number(target, f"came as a {type_name(datatype)}, not as a number")
        if not math.isfinite(sent):
            return _not_a_number(target, f"is {sent}, which is no finite number")
        time_ms = min(metric.timestamp or times.default_ms, _LATEST_MS)
        column, scale, offset, low, high, whole = target
        value = sent * scale + offset
        if (
            low <= value <= high
            and times.earliest_ms <= time_ms <= times.latest_ms
            and not (whole and value != int(value))
        ):
            return time_ms, column, value
        judged = judge(
            target, Sent(float(sent), form.unit, time_ms), self._window, times.received_ms
        )
        return judged if isinstance(judged, Refusal) else (time_ms, column, judged)


class _Gathered:
    """What the metrics of one message said, by unit."""

    def __init__(self, message: SparkplugMessage) -> None:
        self._message = message
        self._items = _Shown(message.body.metrics)
        self._device = message.place.devices.get(message.device)
        self._found: dict[str, tuple[UnitWire, ByTime]] = {}
        self._refusals: dict[str, Refusals] = {}
        self._raw: list[tuple[int, UnitWire, int, float]] = []
        self._carriers = 0

    def add(
        self, index: int, wire: UnitWire, reading: tuple[int, int, float] | Refusal | _Mark
    ) -> None:
        """What the metric at ``index`` said of a unit."""
        if isinstance(reading, tuple):
            time_ms, column, value = reading
            if column == CONDUCTIVITY and wire.refer_conductivity is not None:
                self._raw.append((index, wire, time_ms, value))
            else:
                self.values(wire, time_ms)[column] = value
        elif isinstance(reading, Refusal):
            self._refuse(index, wire, reading)
        else:
            self._carriers += 1

    def pass_over(self, index: int, why: Refusal | _Mark) -> None:
        """The metric at ``index`` means nothing here."""
        if isinstance(why, Refusal):
            self._refuse(index, self._device, why)
        else:
            self._carriers += 1

    def decoded(self) -> Decoded:
        """All of it, with raw conductivity referred to 25 °C."""
        for index, wire, time_ms, value in self._raw:
            if refusal := refer_late(wire, self._of(wire), time_ms, value):
                self._refuse(index, wire, refusal)
        message = self._message
        frames: list[Frame] = []
        for wire, by_time in self._found.values():
            frames += frames_of(wire, by_time)
        rejects: list[Reject] = []
        for unit, refusals in self._refusals.items():
            rejects += refusals.rejects(
                message.topic, message.received_ms, site=message.place.site, unit=unit
            )
        count = len(message.body.metrics)
        return Decoded(
            frames=tuple(frames),
            rejects=tuple(rejects),
            records=count,
            samples=count - self._carriers - sum(r.count for r in rejects),
            carriers=self._carriers,
        )

    def values(self, wire: UnitWire, time_ms: int) -> dict[int, float]:
        """The values of a unit at an instant, to be added to."""
        return self._of(wire).setdefault(time_ms, {})

    def _of(self, wire: UnitWire) -> ByTime:
        found = self._found.get(wire.unit)
        if found is None:
            found = self._found[wire.unit] = (wire, {})
        return found[1]

    def _refuse(self, index: int, wire: UnitWire | None, refusal: Refusal) -> None:
        unit = wire.unit if wire else ""
        if unit not in self._refusals:
            self._refusals[unit] = Refusals(self._items)
        self._refusals[unit].add(index, refusal)


class _Shown(Sequence[object]):
    """Metrics as plain data, for the excerpts of refusals."""

    def __init__(self, metrics: Any) -> None:
        self._metrics = metrics

    def __len__(self) -> int:
        return len(self._metrics)

    @overload
    def __getitem__(self, index: int) -> object: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[object]: ...
    def __getitem__(self, index: int | slice) -> object:
        metric = self._metrics[index]
        return {
            field.name: value.decode("utf-8", "backslashreplace")
            if isinstance(value, bytes)
            else value
            for field, value in metric.ListFields()
            if field.name != "properties"
        }


def eng_unit(metric: Any) -> str | None:
    """The metric's engineering unit, a property that many edge nodes add to their births."""
    value = _property(metric, _ENG_UNIT)
    text = value.string_value.decode("utf-8", "replace").strip() if value is not None else ""
    return text[:40] or None


def _property(metric: Any, key: bytes) -> Any:
    """The value of a property; None where the metric has none."""
    if not metric.HasField("properties"):
        return None
    properties = metric.properties
    for name, value in zip(properties.keys, properties.values, strict=False):
        if name == key and not value.is_null:
            return value
    return None


def _bad_quality(target: Target, metric: Any) -> Refusal | None:
    value = _property(metric, _QUALITY)
    if value is None:
        return None
    quality = value.int_value or value.long_value
    if quality == _GOOD:
        return None
    return _not_a_number(target, f"came with Quality {quality}; {_GOOD} is good")


def _not_a_number(target: Target, what: str) -> Refusal:
    name = SIGNALS[target.column].name
    return Refusal(Reason.NOT_A_NUMBER, name, f"{name} {what}.")


def _without_value(target: Target) -> Refusal:
    name = SIGNALS[target.column].name
    what = f"{name} came without a value, and without saying that it is null."
    return Refusal(Reason.RECORD, name, what)


def _not_understood(message: SparkplugMessage, metric: Any) -> Refusal:
    if not metric.HasField("alias"):
        return Refusal(Reason.RECORD, "", "The metric has neither name nor alias.")
    whose = f"device '{message.device[:60]}'" if message.device else "the edge node"
    what = f"Alias {metric.alias} of {whose} means nothing here: " + (
        "its last birth gave it to no metric, or to several."
        if message.device in message.node.births
        else "no birth of it has come, or it has died since."
    )
    return Refusal(Reason.NO_BIRTH, f"alias {metric.alias}", what)
