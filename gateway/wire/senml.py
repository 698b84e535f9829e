"""SenML packs (RFC 8428): records as plain data, however encoded, resolved (section 4.6).

Pure: plain data in, frozen data out, never an exception. What is wrong with one record is a
:class:`Fault` of that record, and the rest of the pack lives; what is wrong with the whole pack is
a :class:`Fault` instead of a :class:`Pack`. Knows nothing of signals, sites or units of the trade.
"""

from __future__ import annotations

import base64
import binascii
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from gateway.batch import Reason
from gateway.wire.senml_items import Fault, Repeated, Unusable, kind_of

__all__ = [
    "NAME",
    "RELATIVE_BELOW_S",
    "VERSION",
    "Pack",
    "Record",
    "instant_s",
    "resolve",
]

VERSION: Final = 10
"""The version that RFC 8428 defines, and the default of ``bver`` (section 4.1)."""

RELATIVE_BELOW_S: Final = float(2**28)
"""A resolved time below this is relative to the time of receipt (section 4.5.3)."""

MAX_NAME: Final = 1_000
"""Characters of a resolved name that are read: a base name counts anew with every record."""

NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")
"""What a resolved name may look like (section 4.5.1)."""

_BASE64URL: Final = re.compile(r"[A-Za-z0-9_-]*")
_BASE_LABELS: Final = ("bn", "bt", "bu", "bv", "bs")
_TEXT_LABELS: Final = frozenset({"bn", "bu", "n", "u", "vs"})
_NUMBER_LABELS: Final = frozenset({"bt", "bv", "bs", "v", "s", "t", "ut"})
_LABELS: Final = _TEXT_LABELS | _NUMBER_LABELS | {"bver", "vb", "vd"}
_BASE_TITLES: Final = {
    "bn": "base name",
    "bt": "base time",
    "bu": "base unit",
    "bv": "base value",
    "bs": "base sum",
}


@dataclass(frozen=True)
class Record:
    """One resolved record: no bases, no relative time.

    ``time_s`` is seconds since 1970 (UTC). ``unit`` is None where neither record nor base gave
    one. At most one of ``value``, ``text`` (vs), ``flag`` (vb) and ``data`` (vd) is set; none may
    be set where ``total`` (s) is. ``index`` is the record's place in the pack, from 0.
    """

    index: int
    name: str
    time_s: float
    unit: str | None = None
    value: float | None = None
    text: str | None = None
    flag: bool | None = None
    data: bytes | None = None
    total: float | None = None
    update_s: float | None = None
    version: int = VERSION


@dataclass(frozen=True)
class Pack:
    """A pack, resolved: ``records`` in order of time, and the ``faults`` of the others.

    ``count`` is how many records the pack held and ``carriers`` how many of them held base fields
    only: ``count == len(records) + len(faults) + carriers``.
    """

    records: tuple[Record, ...]
    faults: tuple[Fault, ...]
    carriers: int
    count: int


def instant_s(time_s: float, received_s: float) -> float:
    """Seconds since 1970 of a sum of base time and time (RFC 8428, section 4.5.3)."""
    return received_s + time_s if time_s < RELATIVE_BELOW_S else time_s


# --- resolving -----------------------------------------------------------------------------------


def resolve(items: Sequence[object], received_s: float) -> Pack | Fault:
    """Resolve the records of one pack (RFC 8428, section 4.6).

    ``items`` are records as plain mappings from label to value, in the order of the pack, however
    they were encoded. ``received_s`` is "now" for relative times, in seconds since 1970.
    """
    version = _version(items)
    if isinstance(version, Fault):
        return version
    resolver = _Resolver(received_s, version)
    for index, item in enumerate(items):
        resolver.take(index, item)
    resolver.records.sort(key=lambda record: record.time_s)
    return Pack(tuple(resolver.records), tuple(resolver.faults), resolver.carriers, len(items))


def _version(items: Sequence[object]) -> int | Fault:
    """The pack's one version (sections 4.1 and 4.4)."""
    version: int | None = None
    for index, item in enumerate(items):
        if not isinstance(item, dict) or "bver" not in item:
            continue
        given = item["bver"]
        repeated = isinstance(item, Repeated) and "bver" in item.keys_twice
        if repeated or not _is_positive_whole(given):
            what = f"bver in record {index + 1} is not one positive whole number."
            return Fault(None, Reason.VERSION, what, item)
        if given > VERSION:
            shown = f"{given:g}" if given < 1_000_000 else "above a million"
            what = f"The pack is of SenML version {shown}; {VERSION} is understood."
            return Fault(None, Reason.VERSION, what, item)
        known = version if version is not None else (VERSION if index else int(given))
        if given != known:
            what = f"Record {index + 1} says version {given:g}, records before it {known}."
            return Fault(None, Reason.VERSION, what, item)
        version = int(given)
    return VERSION if version is None else version


def _is_positive_whole(value: object) -> bool:
    if isinstance(value, float):
        return value >= 1 and value.is_integer()
    return isinstance(value, int) and not isinstance(value, bool) and value >= 1


class _BadRecord(Exception):
    def __init__(self, reason: Reason, what: str) -> None:
        super().__init__(what)
        self.reason = reason
        self.what = what


class _Resolver:
    """The bases in force while walking through a pack.

    A base field that cannot be read spoils the records after it, until the next one like it:
    they must not be put under the base before.
    """

    def __init__(self, received_s: float, version: int) -> None:
        self.records: list[Record] = []
        self.faults: list[Fault] = []
        self.carriers = 0
        self._received_s = received_s
        self._version = version
        self._base: dict[str, Any] = {}
        self._spoiled: dict[str, int] = {}
        self._not_understood: str | None = None

    def take(self, index: int, item: object) -> None:
        if not isinstance(item, dict):
            what = f"Record {index + 1} is a {kind_of(item)}, not an object."
            self.faults.append(Fault(index, Reason.RECORD, what, item))
            return
        try:
            # Bases first and all of them: a record's own fault must not take its bases away.
            self._take_bases(index, item)
            self._check_labels(item)
            if item and all(label.startswith("b") for label in item):
                self.carriers += 1
                return
            self.records.append(self._record(index, item))
        except _BadRecord as bad:
            self.faults.append(Fault(index, bad.reason, bad.what, item))

    def _take_bases(self, index: int, item: dict[str, Any]) -> None:
        fault: _BadRecord | None = None
        repeated = item.keys_twice if isinstance(item, Repeated) else frozenset[str]()
        for label in _BASE_LABELS:
            if label not in item:
                continue
            try:
                self._base[label] = _field(item, label, repeated)
                self._spoiled.pop(label, None)
            except _BadRecord as bad:
                self._spoiled[label] = index
                fault = fault or bad
        for label in item:
            if label.startswith("b") and label.endswith("_"):
                self._not_understood = label
        if fault:
            raise fault

    def _check_labels(self, item: dict[str, Any]) -> None:
        """Labels ending in '_' must be understood, and we know none (section 4.4)."""
        for label in item:
            if label.endswith("_") and label not in _LABELS:
                raise _BadRecord(
                    Reason.RECORD,
                    f"Field '{label[:40]}' must be understood to use the record (its name ends "
                    "with '_'), and it is not known here.",
                )
        if self._not_understood:
            raise _BadRecord(
                Reason.RECORD,
                f"Base field '{self._not_understood[:40]}' of a record before must be understood "
                "to use this one, and it is not known here.",
            )
        if isinstance(item, Repeated) and (both := item.keys_twice & _LABELS):
            raise _BadRecord(
                Reason.RECORD, f"Field '{min(both)}' appears twice, so its value is not certain."
            )

    def _based(self, label: str) -> Any:
        """The base in force; a spoiled one makes the record unusable."""
        if label in self._spoiled:
            raise _BadRecord(
                Reason.RECORD,
                f"The {_BASE_TITLES[label]} in force came with record {self._spoiled[label] + 1} "
                "and cannot be used.",
            )
        return self._base.get(label)

    def _record(self, index: int, item: dict[str, Any]) -> Record:
        base, own = self._based("bn") or "", _field(item, "n") or ""
        if len(base) + len(own) > MAX_NAME:
            what = f"The name has {len(base) + len(own)} characters; the limit is {MAX_NAME}."
            raise _BadRecord(Reason.RECORD, what)
        name = base + own
        if not name:
            raise _BadRecord(Reason.RECORD, "The record has no name, and there is no base name.")
        if not NAME.fullmatch(name):
            raise _BadRecord(
                Reason.RECORD,
                f"The name '{name[:60]}' must start with a letter or digit and hold only letters, "
                "digits and - : . / _ (RFC 8428, section 4.5.1).",
            )
        time_s = (self._based("bt") or 0.0) + (_field(item, "t") or 0.0)
        if not math.isfinite(time_s):
            raise _BadRecord(
                Reason.RECORD, "Base time and time add up to more than a number holds."
            )
        unit = _field(item, "u")
        given = [label for label in ("v", "vs", "vb", "vd") if label in item]
        if len(given) > 1:
            raise _BadRecord(
                Reason.RECORD, f"The record has more than one value: {', '.join(given)}."
            )
        total = self._sum(item)
        value = self._value(item) if not given or given == ["v"] else None
        if not given and value is None and total is None:
            raise _BadRecord(Reason.RECORD, "The record has no value (v, vs, vb or vd) and no sum.")
        return Record(
            index=index,
            name=name,
            time_s=instant_s(time_s, self._received_s),
            unit=unit if unit is not None else self._based("bu"),
            value=value,
            text=_field(item, "vs"),
            flag=_field(item, "vb"),
            data=_field(item, "vd"),
            total=total,
            update_s=_field(item, "ut"),
            version=self._version,
        )

    def _value(self, item: dict[str, Any]) -> float | None:
        base = self._based("bv")
        if "v" not in item:
            return None if base is None else float(base)
        value: float = _field(item, "v") + (base or 0.0)
        if not math.isfinite(value):
            raise _BadRecord(
                Reason.NOT_A_NUMBER, "Base value and value add up to more than a number holds."
            )
        return value

    def _sum(self, item: dict[str, Any]) -> float | None:
        base = self._based("bs")
        if "s" not in item:
            return None if base is None else float(base)
        return float(_field(item, "s") + (base or 0.0))


def _field(item: dict[str, Any], label: str, repeated: frozenset[str] = frozenset()) -> Any:
    """The value of ``label``, checked for its type; None where the record has no such field."""
    if label not in item:
        return None
    value = item[label]
    if label in repeated:
        raise _BadRecord(
            Reason.RECORD, f"Field '{label}' appears twice, so its value is not certain."
        )
    if label in _TEXT_LABELS:
        if not isinstance(value, str):
            raise _BadRecord(Reason.RECORD, f"Field '{label}' is a {kind_of(value)}, not a string.")
        return value
    if label == "vd":
        return _data(value)
    if label == "vb":
        if not isinstance(value, bool):
            raise _BadRecord(Reason.RECORD, f"Field 'vb' is a {kind_of(value)}, not a boolean.")
        return value
    reason = Reason.NOT_A_NUMBER if label == "v" else Reason.RECORD
    if isinstance(value, Unusable):
        raise _BadRecord(reason, f"Field '{label}' is {value}, which is no finite number.")
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise _BadRecord(reason, f"Field '{label}' is a {kind_of(value)}, not a number.")
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise _BadRecord(reason, f"Field '{label}' is {number}, which is no finite number.")
    return number


def _data(value: object) -> bytes:
    """The octets of a Data Value: in CBOR as they are (section 6); in JSON as base64 with the URL
    alphabet, without padding (section 5)."""
    if isinstance(value, bytes):
        return value
    if not isinstance(value, str):
        raise _BadRecord(Reason.RECORD, f"Field 'vd' is a {kind_of(value)}, not a string.")
    if _BASE64URL.fullmatch(value):
        try:
            return base64.urlsafe_b64decode(value + "=" * (-len(value) % 4))
        except binascii.Error:
            pass
    raise _BadRecord(Reason.RECORD, "Field 'vd' is not base64url without padding.")
