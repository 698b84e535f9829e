"""The table of what is fuzzed: each takes any bytes and must keep its promises about them.

A target raises nothing but what breaks a promise: an exception that is not documented, counts that
do not add up, a message to a person that is endless, cannot be printed, or shows a secret. To add
one, write a function of bytes, add a line to :data:`TARGETS`, and put a few small inputs, good and
bad, into ``corpus/<name>/``.
"""

from __future__ import annotations

import os
import tempfile
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np

from gateway.config import ConfigurationFaults, load
from gateway.journal.codec import KINDS, VERSION, decode, encode
from gateway.journal.entries import DamagedEntryError
from gateway.wire import Decoded
from rules.own_rules.compiled import compile_condition
from rules.own_rules.errors import ExpressionError
from rules.own_rules.syntax import parse, written
from tests.fuzz import from_browsers, from_edge_nodes
from tests.gateway import config_fleet, decoding

__all__ = ["CORPUS", "TARGETS", "Target", "kept"]

CORPUS: Final = Path(__file__).parent / "corpus"
MESSAGE_LIMIT: Final = 3_500
"""Characters that a person is told about one problem, at the very most."""


@dataclass(frozen=True)
class Target:
    """One entry to the program.

    ``words`` are pieces of its language that a fuzzer may try. ``longest`` is the length of its
    inputs in bytes. ``growing`` makes inputs of a size, by shape, whose effort must not grow faster
    than they do.
    """

    name: str
    run: Callable[[bytes], None]
    words: tuple[bytes, ...] = ()
    longest: int = 2_000
    runs: int = 4_000
    """Inputs tried in a short run."""
    growing: Mapping[str, Callable[[int], bytes]] = field(default_factory=dict)


def kept(name: str) -> list[Path]:
    """The inputs that are kept for a target."""
    return sorted((CORPUS / name).iterdir())


# --- the wire -------------------------------------------------------------------------------------


def _message(topic: str) -> Callable[[bytes], None]:
    """A payload under a known unit's topic: both paths agree, and the counts add up."""

    def run(data: bytes) -> None:
        found = decoding.decode(decoding.Strict(decoding.UNITS), data, topic=topic)
        assert found == decoding.decode(decoding.ExactOnly(decoding.UNITS), data, topic=topic)
        _check_refusals(found)

    return run


def _topic(data: bytes) -> None:
    """The first line is the topic, the rest the payload."""
    topic, _, payload = data.partition(b"\n")
    _check_refusals(
        decoding.decode(
            decoding.Strict(decoding.UNITS), payload, topic=topic.decode("utf-8", "replace")
        )
    )


def _check_refusals(found: Decoded) -> None:
    for reject in found.rejects:
        _check_message(reject.detail)
        assert len(reject.topic) <= 200


# --- configuration --------------------------------------------------------------------------------


_MEMORY: Final = "/dev/shm"  # noqa: S108 - a directory of its own is made in it
_SCRATCH: Final = tempfile.TemporaryDirectory(
    prefix="fuzz-", dir=_MEMORY if os.access(_MEMORY, os.W_OK) else None
)


def _file(key: str) -> Callable[[bytes], None]:
    """The bytes in place of one file: a configuration, or all that is wrong with it."""

    def run(data: bytes) -> None:
        directory = Path(_SCRATCH.name) / key
        config_fleet.write(directory, **{key: data})
        try:
            load(directory, config_fleet.ENVIRON, catalogue=config_fleet.CATALOGUE)
        except ConfigurationFaults as faults:
            _check_problems(faults, data)

    return run


def _check_problems(faults: ConfigurationFaults, data: bytes) -> None:
    assert faults.problems
    for problem in faults.problems:
        _check_message(str(problem))
        for secret in config_fleet.ENVIRON.values():
            assert secret.encode() in data or secret not in str(problem)


def _expression(data: bytes) -> None:
    """A condition: what it says, or where it is wrong; written plainly it says the same."""
    text = data.decode("utf-8", "replace")
    try:
        condition = compile_condition(text)
    except ExpressionError as error:
        _check_place(error)
        return
    tree = parse(text)
    assert written(parse(written(tree))) == written(tree) == condition.written
    answer = condition.holds_of(_any_value)
    again = compile_condition(condition.written).holds_of(_any_value)
    for one, other in zip(_arrays(answer), _arrays(again), strict=True):
        np.testing.assert_array_equal(one, other)


def _check_place(error: ExpressionError) -> None:
    _check_message(str(error))
    assert 0 <= error.start <= error.end <= len(error.text)
    assert len(error.excerpt()) <= 200


def _any_value(_key: str) -> np.ndarray[Any, np.dtype[np.float64]]:
    return np.array([np.nan, 0.0, 1.0, 1e12])


def _arrays(answer: Any) -> list[Any]:
    return [np.asarray(part) for part in answer]


# --- what lies on disk ----------------------------------------------------------------------------


def _entry(data: bytes) -> None:
    """A journal entry of any kind whose checksum is right and whose contents are anything."""
    kind = data[0] if data else 0
    body = zlib.compress(data[1:])
    checksum = zlib.crc32(body, zlib.crc32(bytes((VERSION, kind))))
    payload = bytes((VERSION, kind)) + checksum.to_bytes(4, "little") + body
    for given in (data, payload):
        try:
            entry = decode(given)
        except DamagedEntryError as error:
            _check_message(str(error))
        else:
            assert encode(entry).kind in KINDS


# --- what is common -------------------------------------------------------------------------------


def _check_message(text: str) -> None:
    assert text.strip()
    assert len(text) <= MESSAGE_LIMIT, f"{len(text)} characters: {text[:300]}"
    text.encode()  # no half of a surrogate pair: such a text cannot be written anywhere
    assert text.isprintable(), ascii(text[:300])


def _repeat(piece: bytes, before: bytes = b"", after: bytes = b"") -> Callable[[int], bytes]:
    return lambda n: before + piece * (n // len(piece)) + after


_SENML_WORDS: Final = tuple(
    word.encode()
    for word in (
        '{"n":"basin_level","u":"mm","v":1}', '"bn":"', '"bt":', '"bu":"', '"bver":10', '"vb":true',
        '"vs":""', '"vd":""', '"s":', '"t":', '"ut":', "1e308", "NaN", "-Infinity", "\\u0000",
        "\\ud800", "1e-400", '"n":"conductivity","u":"S/m"', '"bv":', '"bs":', "sites/quay/ac-1/",
        '"n":"basin_temperature","u":"Cel"', '"x_":1', "1700000000", "[[", "}]",
    )
)  # fmt: skip

_TOML_WORDS: Final = tuple(
    word.encode()
    for word in (
        "[[units]]\n", '"""', "'''", "= nan", "= inf", "1979-05-27T07:32:00Z", "\\u0000", "[units.",
        "{ a = 1 }", "signals", "settings", "password", "rules", "condition", "[[rules]]\n", "id =",
        "1_0", "0x", "= []", "isolation", "\ufeff", "\x85", "limit_pct", "team",
    )
)  # fmt: skip

_EXPRESSION_WORDS: Final = tuple(
    word.encode()
    for word in (
        "basin_level", "pump_current", "spray_pressure", "baseline(", "min(", "max(", "abs(",
        " and ", " or ", "not ", "<=", "==", "!=", "1e308", " mm", " °C", " kPa", " %", " K", "0/0",
        "is known", "for", "1e-400", "<", " 5 ", "rated_current", "true", "-", "**",
    )
)  # fmt: skip

TARGETS: Final[tuple[Target, ...]] = (
    Target(
        "senml-json",
        _message(decoding.TOPIC),
        _SENML_WORDS,
        runs=10_000,
        growing={
            "records": _repeat(b'{"n":"basin_level","u":"mm","v":1},', b"[", b"1]"),
            "unknown names": _repeat(b'{"n":"mystery","v":1},', b"[", b"1]"),
            "brackets": _repeat(b"["),
            "digits": _repeat(b"9", b'[{"n":"basin_level","u":"mm","v":', b"}]"),
            "escapes": _repeat(b'\\"', b'[{"n":"', b'","v":1}]'),
            "open strings": _repeat(b'"\\', b"["),
            "repeated keys": _repeat(b'"v":1,', b"[{", b'"n":"basin_level","u":"mm"}]'),
            "bases": _repeat(b'{"bn":"a:","bu":"mm"},', b"[", b'{"n":"basin_level","v":1}]'),
        },
    ),
    Target(
        "senml-cbor",
        _message(decoding.TOPIC + "-cbor"),
        (
            b"\x81\xa3",
            b"\x9f",
            b"\xff",
            b"\xbf",
            b"\xfb",
            b"\xf9\x7e\x00",
            b"\xc2\x58",
            b"\xd9\x01\x00",
            b"\x5b\xff\xff\xff\xff",
            b"\x00kbasin_level",
            b"\x01bmm",
            b"\x02\x18",
            b"\x06",
            b"\x21",
            b"\x22",
        ),
        runs=6_000,
        growing={
            "records": _repeat(b"\xa3\x00kbasin_level\x01bmm\x02\x01", b"\x9f", b"\xff"),
            "nested arrays": _repeat(b"\x81"),
            "open arrays": _repeat(b"\x9f"),
            "tags": _repeat(b"\xc2"),
            "a long text": lambda n: b"\x81\xa1\x00\x79" + n.to_bytes(2, "big") + b"a" * n,
        },
    ),
    Target(
        "topic",
        _topic,
        (b"sites/", b"quay/", b"ac-1/", b"senml", b"status", b"\nonline", b"\noffline", b"+", b"#"),
        longest=300,
        growing={"levels": _repeat(b"a/", b"sites/"), "one level": _repeat(b"a", b"sites/")},
    ),
    Target(
        "rule-expression",
        _expression,
        _EXPRESSION_WORDS,
        longest=600,
        growing={
            "brackets": _repeat(b"("),
            "a sum": _repeat(b"1+", b"basin_level > ", b"1"),
            "nots": _repeat(b"not ", b"", b"basin_level > 1 mm"),
            "ands": _repeat(b"basin_level > 1 mm and ", b"", b"wet_mode"),
            "one word": _repeat(b"a"),
            "blanks": _repeat(b" \n"),
            "minus": _repeat(b"-", b"basin_level > ", b"1"),
            "unknown words": _repeat(b"xyz "),
        },
    ),
    *(
        Target(
            f"{key}-file",
            _file(key),
            _TOML_WORDS,
            longest=4_000,
            runs=400,
            growing={
                "unknown keys": lambda n: b"".join(b"k%d = 1\n" % i for i in range(n // 8)),
                "tables": lambda n: b"".join(b"[t%d]\n" % i for i in range(n // 8)),
                "brackets": _repeat(b"[", b"a = "),
                "a long text": _repeat(b"x", b'id = "', b'"'),
                "lines": _repeat(b"#\n"),
            },
        )
        for key in ("site", "fleet", "oncall")
    ),
    Target(
        "sparkplug",
        from_edge_nodes.node,
        (
            b"\x08\xea\xf2\xf5\xa8\xa0\x2b",
            b"\x12\x04\x10\x01\x20\x0a",
            b"\x12\x10",
            b"\x18\x01",
            b"\x6a",
            b"\x69",
            b"\x0abasin_level",
            b"\x0abdSeq",
            b"\x20\x0a",
            b"\x20\x10",
            b"\x20\x13",
            b"\x38\x01",
            b"\xff\xff\xff\xff\xff\xff\xff\xff\xff\x01",
        ),
        longest=600,
        runs=2_000,
        growing={
            "metrics": _repeat(
                b"\x12\x0d\x10\x01\x20\x0a\x69\x00\x00\x00\x00\x00\x00\x5e\x40", b"\x04"
            ),
            "unknown aliases": _repeat(b"\x12\x04\x10\x63\x20\x0a", b"\x04"),
            "births": _repeat(b"\x12\x05\x0a\x01x\x20\x0a", b"\x03"),
            "open lengths": _repeat(b"\x12\x7f", b"\x04"),
        },
    ),
    Target(
        "board-link",
        from_browsers.link,
        (b"BW-000123-4-", b"BW-000124", b"-0-", b"zzzz", b"abcdefghijklmnopqrstuvwxyz"),
        longest=200,
        growing={"digits": _repeat(b"9", b"BW-"), "dashes": _repeat(b"-", b"BW-000123")},
    ),
    Target(
        "board-request",
        from_browsers.request,
        (
            b"LINK",
            b"/ack/",
            b"/static/board.css",
            b"/static/../app.py",
            b"%2e%2e%2f",
            b"%00",
            b"?back=//other.example",
            b"?site=",
            b"&page=",
            b"\nby=Rui",
            b"&note=",
            b"&token=",
            b"&seal=",
            b"&seen=",
            b"+",
            b"%ed%a0%80",
            b"%ff",
            b"/sign-in",
            b"/tickets/BW-000001",
        ),
        longest=400,
        runs=300,
        growing={
            "levels": _repeat(b"/a", b"/"),
            "fields": _repeat(b"a=1&", b"LINK\n"),
            "a long note": _repeat(b"x", b"LINK\nnote="),
            "a query": _repeat(b"a=1&", b"LINK?"),
            "percents": _repeat(b"%25", b"/ack/"),
        },
    ),
    Target("journal-entry", _entry, tuple(bytes((kind,)) for kind in KINDS), longest=400),
)
