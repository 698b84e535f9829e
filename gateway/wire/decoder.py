"""Topic and payload to frames, refusals or a site's status. Pure, and never an exception.

Every message ends as samples, as quarantine entries with a reason a person can act on, or both, and
the counts add up (see :class:`Decoded`). Identity is the topic. Ordinary packs take a fast path
through typed structs and remembered names; whatever that path cannot vouch for goes, from the
start, through the exact one (:mod:`gateway.wire.senml`), so both give the same answer.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

import msgspec

from gateway.batch import Frame, Reason, RefusedReading, Reject, SiteStatus
from gateway.wire import senml
from gateway.wire.advice import excerpt, explain, printable
from gateway.wire.targets import Refusal, Target, Targets
from gateway.wire.unit_wire import UnitWire
from rules.equipment import ID_PATTERN
from rules.signals import INDEX, SIGNALS

__all__ = [
    "DEFAULT_RETENTION_DAYS",
    "MAX_AHEAD_MS",
    "MAX_PAYLOAD_BYTES",
    "MAX_RECORDS",
    "Decoded",
    "Decoder",
]

MAX_PAYLOAD_BYTES: Final = 256 * 1024
MAX_RECORDS: Final = 10_000
MAX_AHEAD_MS: Final = 5 * 60 * 1000
"""A time further ahead of the receiver is the sender's clock being wrong."""

DEFAULT_RETENTION_DAYS: Final = 400.0

_DAY_MS: Final = 86_400_000
_CONDUCTIVITY: Final = INDEX["conductivity"]
_BASIN_TEMPERATURE: Final = INDEX["basin_temperature"]
_MAX_BASES: Final = 16
_MAX_NAMES: Final = 512
_SUBJECTS_TOLD: Final = 5


@dataclass(frozen=True)
class Decoded:
    """What one message said.

    ``frames`` are in order of time, one an instant. ``records`` counts the records of a pack that
    was read, ``samples`` those that became a value of a frame, ``carriers`` those that held base
    fields only. Unless the message was refused whole (then ``records`` is 0 and there is one
    reject), ``records == samples + carriers + sum(r.count for r in rejects)``. A signal that came
    twice for an instant counts as two samples and one value, the later.
    """

    frames: tuple[Frame, ...] = ()
    rejects: tuple[Reject, ...] = ()
    status: SiteStatus | None = None
    records: int = 0
    samples: int = 0
    carriers: int = 0


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
_read_plain: Final = msgspec.json.Decoder(list[_Record]).decode

_Key = str | None | tuple[str | None, str] | tuple[str, str | None, str | None]
"""Name; or (name, unit); or ("vb", name, unit) where the value is a boolean."""

_Names = dict[_Key, Target]
"""What was learned under one base name and base unit."""


@dataclass(frozen=True)
class _Format:
    """How the payload under a topic suffix is read.

    ``plain`` is the fast path; it may raise ValueError for whatever it does not take. ``items``
    takes anything, and gives the records as :func:`gateway.wire.senml.resolve` wants them.
    """

    plain: Callable[[bytes], list[_Record]]
    items: Callable[[bytes], list[object] | senml.Fault]


_FORMATS: Final[Mapping[str, _Format]] = {"senml": _Format(_read_plain, senml.parse_json)}


class _UnitState:
    """A unit, and what was learned of the names that it uses."""

    __slots__ = ("bases", "format", "wire")

    def __init__(self, wire: UnitWire, form: _Format) -> None:
        self.wire = wire
        self.format = form
        self.bases: dict[tuple[str, str | None], _Names] = {}

    def names(self, base_name: str, base_unit: str | None) -> _Names:
        key = (base_name, base_unit)
        names = self.bases.get(key)
        if names is None:
            if len(self.bases) >= _MAX_BASES:
                self.bases.clear()  # a base name that changes all the time is not worth keeping
            names = self.bases[sys.intern(base_name), base_unit] = {}
        return names


class Decoder:
    """Decodes the messages of the known ``units``, given by (site, unit).

    ``retention_days`` is how far back samples are kept: what is older is refused, and counted.
    """

    def __init__(
        self,
        units: Mapping[tuple[str, str], UnitWire],
        retention_days: float = DEFAULT_RETENTION_DAYS,
    ) -> None:
        """Remembers what the units send as it comes, so keep one decoder for the process."""
        self._targets = Targets(units)
        self._sites = frozenset(site for site, _ in units)
        self._retention_days = retention_days
        self._retention_ms = round(retention_days * _DAY_MS)
        self._by_topic = {
            f"sites/{site}/{unit}/{suffix}": _UnitState(wire, form)
            for (site, unit), wire in units.items()
            for suffix, form in _FORMATS.items()
        }

    def decode(self, topic: str, payload: bytes, received_ms: int) -> Decoded:
        """What the message says. ``received_ms`` is UTC, ms since 1970."""
        try:
            return self._decode(topic, payload, received_ms)
        except Exception as error:  # noqa: BLE001 - one message must not stop all sites: it would be redelivered for ever
            what = f"The decoder failed on this message ({type(error).__name__}: {error})."
            text = f"{what} Report it with the excerpt: this is a defect of basinward."
            return _refused(topic, payload, received_ms, Reason.RECORD, printable(text, 500))

    def _decode(self, topic: str, payload: bytes, received_ms: int) -> Decoded:
        state = self._by_topic.get(topic)
        if state is None:
            return self._other(topic, payload, received_ms)
        if len(payload) > MAX_PAYLOAD_BYTES:
            what = f"The message has {len(payload)} bytes; the limit is {MAX_PAYLOAD_BYTES}."
            return _refused(topic, payload, received_ms, Reason.TOO_LARGE, what, **_of(state.wire))
        plain = self._plain(state, payload, received_ms)
        return plain if plain is not None else self._exact(state, topic, payload, received_ms)

    # --- topics that are no unit's ---------------------------------------------------------------

    def _other(self, topic: str, payload: bytes, received_ms: int) -> Decoded:
        parts = topic.split("/")
        if parts[0] == "sites" and all(ID_PATTERN.fullmatch(p) for p in parts[1:-1]):
            if len(parts) == 3 and parts[2] == "status":
                return self._status(topic, parts[1], payload, received_ms)
            if len(parts) == 4 and parts[3] in _FORMATS:
                site, unit = parts[1:3]
                what = (
                    f"Site {site} has no unit '{unit}' in its file."
                    if site in self._sites
                    else f"No site file describes site '{site}'."
                )
                return _refused(
                    topic, payload, received_ms, Reason.UNREGISTERED, what, site=site, unit=unit
                )
        what = f"Nothing is expected under the topic '{topic[:120]}'."
        return _refused(topic, payload, received_ms, Reason.TOPIC, what)

    def _status(self, topic: str, site: str, payload: bytes, received_ms: int) -> Decoded:
        if site not in self._sites:
            what = f"No site file describes site '{site}'."
            return _refused(topic, payload, received_ms, Reason.UNREGISTERED, what, site=site)
        if payload not in (b"online", b"offline"):
            what = "A site's status is 'online' or 'offline', without quotes."
            return _refused(topic, payload, received_ms, Reason.RECORD, what, site=site)
        return Decoded(status=SiteStatus(received_ms, site, payload == b"online"))

    # --- the fast path ---------------------------------------------------------------------------

    def _plain(self, state: _UnitState, payload: bytes, received_ms: int) -> Decoded | None:  # noqa: PLR0911, PLR0912, PLR0915 - one loop without calls: it runs for every sample
        """The message, if nothing at all is unusual about it; else None."""
        if b"\\" in payload:
            return None
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
        earliest_ms = max(received_ms - self._retention_ms, 0)
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
        if quotes != payload.count(b'"'):
            return None
        wire = state.wire
        if wire.refer_conductivity is not None:
            for values in by_time.values():
                if not isinstance(_referred(wire, values), bool):
                    return None
        if now_ms is not None and len(by_time) == 1:
            frames: tuple[Frame, ...] = (Frame(wire.row, now_ms, values),)
        else:
            frames = _frames(wire, by_time)
        count = len(records)
        return Decoded(frames, (), None, count, count - carriers, carriers)

    def _learn(
        self, wire: UnitWire, name: str, unit: str | None, *, boolean: bool
    ) -> Target | None:
        """Where a name not seen before goes; None if it goes nowhere."""
        if not senml.NAME.fullmatch(name):
            return None
        target = self._targets.find(wire, name, unit)
        if isinstance(target, Refusal) or (boolean and not _is_flag(target)):
            return None
        return target

    # --- the exact path --------------------------------------------------------------------------

    def _exact(self, state: _UnitState, topic: str, payload: bytes, received_ms: int) -> Decoded:
        wire = state.wire
        items = state.format.items(payload)
        if isinstance(items, senml.Fault):
            return _refused(topic, payload, received_ms, items.reason, items.what, **_of(wire))
        if len(items) > MAX_RECORDS:
            what = f"The pack holds {len(items)} records; the limit is {MAX_RECORDS}."
            return _refused(topic, payload, received_ms, Reason.TOO_LARGE, what, **_of(wire))
        pack = senml.resolve(items, received_ms / 1000.0)
        if isinstance(pack, senml.Fault):
            return _refused(topic, payload, received_ms, pack.reason, pack.what, **_of(wire))
        refusals = _Refusals(items)
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
            if column == _CONDUCTIVITY and wire.refer_conductivity is not None:
                raw.append((record.index, time_ms, value))
            else:
                by_time.setdefault(time_ms, {})[column] = value
        for index, time_ms, value in raw:
            values = {**by_time.get(time_ms, {}), _CONDUCTIVITY: value}
            referred = _referred(wire, values)
            if isinstance(referred, Refusal):
                refusals.add(index, referred)
            else:
                by_time[time_ms] = values
        return Decoded(
            frames=_frames(wire, by_time),
            rejects=refusals.rejects(topic, wire, received_ms),
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
        elif record.flag is not None and _is_flag(target):
            sent = float(record.flag)
        else:
            what = f"{signal.name} came as {_kind_of_value(record)}, not as a number."
            return Refusal(Reason.NOT_A_NUMBER, signal.name, what)
        time_ms = _instant_ms(record.time_s, 0.0)
        value = sent * target.scale + target.offset
        reading = RefusedReading(signal.name, value, time_ms)
        if refusal := self._time_refusal(reading, received_ms):
            return refusal
        if not target.low <= value <= target.high or (target.whole and value != int(value)):
            return _out_of_range(target, record, sent, reading)
        return time_ms, target.column, value

    def _time_refusal(self, reading: RefusedReading, received_ms: int) -> Refusal | None:
        subject, time_ms = reading.signal, reading.time_ms
        if time_ms > received_ms + MAX_AHEAD_MS:
            what = (
                f"The time {_utc(time_ms)} is {(time_ms - received_ms) / 1000:.0f} s ahead of the "
                f"receiver's clock; {MAX_AHEAD_MS // 1000} s is accepted."
            )
            return Refusal(Reason.CLOCK_AHEAD, subject, what, reading)
        if time_ms < max(received_ms - self._retention_ms, 0):
            what = (
                f"The time {_utc(time_ms)} is older than the {self._retention_days:g} days that "
                "samples are kept."
            )
            return Refusal(Reason.TOO_OLD, subject, what, reading)
        return None


class _Refusals:
    """The refused records of one message, gathered by reason."""

    def __init__(self, items: list[object]) -> None:
        self._items = items
        self._first: dict[Reason, tuple[int, Refusal]] = {}
        self._counts: dict[Reason, int] = {}
        self._subjects: dict[Reason, dict[str, None]] = {}
        self._readings: dict[Reason, dict[str, RefusedReading]] = {}
        self.count = 0

    def add(self, index: int, refusal: Refusal) -> None:
        reason = refusal.reason
        self.count += 1
        self._counts[reason] = self._counts.get(reason, 0) + 1
        self._first.setdefault(reason, (index, refusal))
        subjects = self._subjects.setdefault(reason, {})
        if refusal.subject and len(subjects) <= _SUBJECTS_TOLD:
            subjects[refusal.subject] = None
        if (reading := refusal.reading) is not None:
            newest = self._readings.setdefault(reason, {})
            if reading.signal not in newest or reading.time_ms >= newest[reading.signal].time_ms:
                newest[reading.signal] = reading

    def rejects(self, topic: str, wire: UnitWire, received_ms: int) -> tuple[Reject, ...]:
        return tuple(
            Reject(
                received_ms=received_ms,
                topic=printable(topic),
                reason=reason,
                detail=printable(explain(reason, refusal.what + self._more(reason)), 1000),
                excerpt=excerpt(self._items[index]),
                site=wire.site,
                unit=wire.unit,
                count=self._counts[reason],
                readings=tuple(self._readings.get(reason, {}).values()),
            )
            for reason, (index, refusal) in self._first.items()
        )

    def _more(self, reason: Reason) -> str:
        """How many other records there were, and of what."""
        others = self._counts[reason] - 1
        if not others:
            return ""
        subjects = [s[:40] for s in self._subjects[reason]][1:]
        about = ""
        if subjects:
            told = ", ".join(subjects[: _SUBJECTS_TOLD - 1])
            about = f" ({told}{', …' if len(subjects) >= _SUBJECTS_TOLD else ''})"
        return f" The same holds for {others} more record{'s' * (others > 1)}{about}."


def _refused(
    topic: str,
    payload: bytes,
    received_ms: int,
    reason: Reason,
    what: str,
    *,
    site: str = "",
    unit: str = "",
) -> Decoded:
    """A message refused whole."""
    reject = Reject(
        received_ms=received_ms,
        topic=printable(topic),
        reason=reason,
        detail=printable(explain(reason, what), 1000),
        excerpt=excerpt(payload),
        site=site,
        unit=unit,
    )
    return Decoded(rejects=(reject,))


def _of(wire: UnitWire) -> dict[str, str]:
    """The site and unit of a refusal."""
    return {"site": wire.site, "unit": wire.unit}


def _frames(wire: UnitWire, by_time: Mapping[int, dict[int, float]]) -> tuple[Frame, ...]:
    return tuple(Frame(wire.row, time_ms, by_time[time_ms]) for time_ms in sorted(by_time))


def _referred(wire: UnitWire, values: dict[int, float]) -> Refusal | bool:
    """Refer the raw conductivity among ``values``, if there is one, to 25 °C, in place."""
    if wire.refer_conductivity is None or _CONDUCTIVITY not in values:
        return False
    signal = SIGNALS[_CONDUCTIVITY]
    raw_us_cm = values[_CONDUCTIVITY]
    if _BASIN_TEMPERATURE not in values:
        what = (
            f"The site file says that the probe gives raw conductivity ({raw_us_cm:g} µS/cm), and "
            "no basin_temperature came for the same time."
        )
        return Refusal(Reason.NO_TEMPERATURE, signal.name, what)
    water_degc = values[_BASIN_TEMPERATURE]
    referred_us_cm = wire.refer_conductivity(raw_us_cm, water_degc)
    if not signal.low <= referred_us_cm <= signal.high:
        what = (
            f"{signal.name} is {raw_us_cm:g} µS/cm at {water_degc:g} °C, and cannot be referred to "
            f"25 °C within {signal.low:g} to {signal.high:g} µS/cm."
        )
        return Refusal(Reason.OUT_OF_RANGE, signal.name, what)
    values[_CONDUCTIVITY] = referred_us_cm
    return True


def _out_of_range(
    target: Target, record: senml.Record, sent: float, reading: RefusedReading
) -> Refusal:
    signal, value = SIGNALS[target.column], reading.value
    if target.whole and not (math.isfinite(value) and value == int(value)):
        what = f"{signal.name} is {value:g}; it is a whole number."
        return Refusal(Reason.OUT_OF_RANGE, signal.name, what, reading)
    unit = f" {signal.unit}" if signal.unit else ""
    what = (
        f"{signal.name} is {value:g}{unit}; possible are {signal.low:g} to {signal.high:g}{unit} "
        f"(sent: {sent:g}{' ' + record.unit[:20] if record.unit else ''})."
    )
    if signal.unit == "%" and record.unit in ("%", "/"):
        what += " In SenML '%' and '/' are ratios of 0 to 1; the symbol for 0 to 100 is " + (
            "'%RH'." if signal.name == "relative_humidity" else "'/100'."
        )
    return Refusal(Reason.OUT_OF_RANGE, signal.name, what, reading)


def _is_flag(target: Target) -> bool:
    return SIGNALS[target.column].kind == "flag"


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


def _utc(time_ms: int) -> str:
    try:
        return datetime.fromtimestamp(time_ms / 1000.0, UTC).isoformat(" ", "seconds")
    except (OverflowError, ValueError, OSError):
        return f"{time_ms / 1000.0:.4g} s after 1970"
