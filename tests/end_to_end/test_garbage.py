"""Anything may arrive under ``sites/#``: it is counted with a reason, and stops nothing.

Thousands of messages that are no readings, from a seeded generator that knows why each is to be
refused, are mixed with readings. Every reading is stored and judged, every refusal is counted.
"""

from __future__ import annotations

import json
import random
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from support.broker import Mosquitto
from support.data_files import changes, open_records, stored
from support.fleet_files import UNITS
from support.gateway_command import RunningGateway, StartGateway
from support.senml_site import HEALTHY, PUMP_STANDS, SiteGateway, pack
from support.smtp import MailCatcher

from gateway.batch import Reason
from rules.events import Change

GARBAGE = 5_000
READINGS_A_UNIT = 200
STEP_S = 15
LIMIT_BYTES = 256 * 1024

Key = tuple[str, str, str]
"""Reason, site, unit: as the quarantine tells them."""

OF_SPARKPLUG = {Reason.NOT_SPARKPLUG, Reason.NO_BIRTH, Reason.MISSING}
"""What only a site that speaks Sparkplug can be refused for; tests of it are elsewhere."""


class Refused(NamedTuple):
    """A message, and what is to be told of it: the reason, and how many records are refused."""

    topic: str
    payload: bytes
    reason: Reason
    site: str = ""
    unit: str = ""
    count: int = 1


Maker = Callable[[random.Random], Refused]


def of_unit(rng: random.Random, payload: bytes, reason: Reason, count: int = 1) -> Refused:
    """Something for a unit that there is."""
    site, unit = rng.choice(UNITS)
    return Refused(f"sites/{site}/{unit}/senml", payload, reason, site, unit, count)


def records(rng: random.Random, reason: Reason, *items: Any) -> Refused:
    """A pack of records that are all refused for one reason."""
    return of_unit(rng, json.dumps(items).encode(), reason, len(items))


def level(**fields: Any) -> dict[str, Any]:
    """A good record with some fields changed."""
    return {"n": "basin_level", "u": "mm", "v": 240} | fields


def random_bytes(rng: random.Random) -> Refused:
    # 0xff occurs nowhere in UTF-8 (RFC 3629, section 1), so this is no JSON, whatever follows.
    return of_unit(rng, b"\xff" + rng.randbytes(rng.randrange(300)), Reason.NOT_SENML)


def wrong_utf8(rng: random.Random) -> Refused:
    bad = rng.choice([b"\xc3\x28", b"\xed\xa0\x80", b"\xc0\xaf", b"\xf5\x80\x80\x80", b"\xe2\x82"])
    text = b'[{"n":"basin_' + bad + b'","u":"mm","v":240}]'
    return of_unit(rng, text, Reason.NOT_SENML)


def cut_short(rng: random.Random) -> Refused:
    whole = pack("quay-cold-store", "ac-1", [time.time()], HEALTHY).encode()
    return of_unit(rng, whole[: rng.randrange(len(whole))], Reason.NOT_SENML)


def deep_json(rng: random.Random) -> Refused:
    depth = rng.choice([100, 1_000, 20_000])
    opening, closing = rng.choice([(b"[", b"]"), (b'[{"n":', b"}]"), (b"[", b"")])
    return of_unit(rng, opening * depth + b"1" + closing * depth, Reason.NOT_SENML)


def no_pack(rng: random.Random) -> Refused:
    texts = [b"", b" ", b"null", b"17", b'"text"', b"{}", b"[]", b'{"n":"basin_level","v":1}',
             b"[{'n':'basin_level'}]", b"online", b"<a/>"]  # fmt: skip
    return of_unit(rng, rng.choice(texts), Reason.NOT_SENML)


def too_large(rng: random.Random) -> Refused:
    size = LIMIT_BYTES + rng.choice([1, 40_000])
    good = json.dumps([level()]).encode()
    return of_unit(rng, good + b" " * (size - len(good)), Reason.TOO_LARGE)


def too_many_records(rng: random.Random) -> Refused:
    return of_unit(rng, b"[" + b",".join([b'{"v":1}'] * 10_001) + b"]", Reason.TOO_LARGE)


def huge_number(rng: random.Random) -> Refused:
    number, reason = rng.choice([
        ("1e400", Reason.NOT_A_NUMBER),
        ("-1e999999999", Reason.NOT_A_NUMBER),
        ("9" * 5_000, Reason.NOT_A_NUMBER),
        ("NaN", Reason.NOT_A_NUMBER),
        ("-Infinity", Reason.NOT_A_NUMBER),
        ("1e308", Reason.OUT_OF_RANGE),
        ("9" * 200, Reason.OUT_OF_RANGE),
        ("-1", Reason.OUT_OF_RANGE),
    ])  # fmt: skip
    text = f'[{{"n":"basin_level","u":"mm","v":{number}}}]'
    return of_unit(rng, text.encode(), reason)


def odd_time(rng: random.Random) -> Refused:
    item, reason = rng.choice([
        (level(bt=1e300), Reason.CLOCK_AHEAD),
        (level(bt=time.time() + 900), Reason.CLOCK_AHEAD),
        (level(t=-1e300), Reason.TOO_OLD),
        (level(bt=1_000_000_000), Reason.TOO_OLD),
    ])  # fmt: skip
    return records(rng, reason, item)


def wrong_types(rng: random.Random) -> Refused:
    reason, items = rng.choice([
        (Reason.NOT_A_NUMBER, [level(v="240")]),
        (Reason.NOT_A_NUMBER, [level(v=None)]),
        (Reason.NOT_A_NUMBER, [level(v=[240]), level(v={"v": 240}), level(v=True)]),
        (Reason.NOT_A_NUMBER, [{"n": "basin_level", "u": "mm", "vs": "high"}]),
        (Reason.NOT_A_NUMBER, [{"n": "basin_level", "u": "mm", "vb": True}]),
        (Reason.RECORD, [level(n=5)]),
        (Reason.RECORD, [level(u=7)]),
        (Reason.RECORD, [level(t="now")]),
        (Reason.RECORD, [level(bn=["quay-cold-store"])]),
        (Reason.RECORD, [1, "two", None, [3]]),
        (Reason.RECORD, [level(vs="and text")]),
        (Reason.RECORD, [{"n": "basin_level", "u": "mm"}]),
        (Reason.RECORD, [{}]),
    ])  # fmt: skip
    return records(rng, reason, *items)


def wrong_meaning(rng: random.Random) -> Refused:
    reason, item = rng.choice([
        (Reason.NO_UNIT, {"n": "basin_level", "v": 240}),
        (Reason.WRONG_UNIT, level(u="Cel")),
        (Reason.WRONG_UNIT, level(u="furlong")),
        (Reason.UNKNOWN_SIGNAL, level(n="temperature_of_the_moon")),
        (Reason.IDENTITY, level(bn="sites/nowhere/ac-1/")),
        (Reason.IDENTITY, level(bn="sites-of-others/ac-77/")),
        (Reason.OUT_OF_RANGE, {"n": "fan_run", "u": "count", "v": 1.5}),
    ])  # fmt: skip
    return records(rng, reason, item)


def name_of_another_unit(rng: random.Random) -> Refused:
    (site, unit), other = rng.sample(UNITS, 2)
    text = json.dumps([level(bn="/".join(other) + "/")]).encode()
    return Refused(f"sites/{site}/{unit}/senml", text, Reason.IDENTITY, site, unit)


def wrong_version(rng: random.Random) -> Refused:
    text = json.dumps([level(bver=rng.choice([99, 0, -1, 10.5, "10"]))]).encode()
    return of_unit(rng, text, Reason.VERSION)


def wrong_unit_topic(rng: random.Random) -> Refused:
    site, unit = rng.choice(
        [("nowhere", "ac-1"), ("quay-cold-store", "ac-9"), ("hill-dairy", "ac-2")]
    )
    payload = json.dumps([level()]).encode()
    return Refused(f"sites/{site}/{unit}/senml", payload, Reason.UNREGISTERED, site, unit)


def topic_outside_the_scheme(rng: random.Random) -> Refused:
    topic = rng.choice([
        "sites", "sites/", "sites//", "sites/quay-cold-store", "sites//ac-1/senml",
        "sites/quay-cold-store/ac-1", "sites/quay-cold-store/ac-1/json",
        "sites/quay-cold-store/ac-1/senml/again", "sites/quay-cold-store/ac-1/SENML",
        "sites/Quay-Cold-Store/ac-1/senml", "sites/quay cold store/ac-1/senml",
        "sites/kühlhaus/ac-1/senml", "sites/❄/🌀/senml", "sites/../../etc/passwd",
        "sites/'; drop table ticket; --/senml", "sites/" + "x" * 5_000, "sites/" + "x/" * 100,
    ])  # fmt: skip
    return Refused(topic, json.dumps([level()]).encode(), Reason.TOPIC)


def wrong_status(rng: random.Random) -> Refused:
    if rng.random() < 0.5:
        return Refused("sites/nowhere/status", b"online", Reason.UNREGISTERED, "nowhere")
    payload = rng.choice([b"ONLINE", b'"online"', b"", b"1", b"\xff\x00", b"offline " * 1_000])
    return Refused("sites/hill-dairy/status", payload, Reason.RECORD, "hill-dairy")


USUAL: tuple[Maker, ...] = (
    random_bytes, wrong_utf8, cut_short, deep_json, no_pack, huge_number, odd_time, wrong_types,
    wrong_meaning, name_of_another_unit, wrong_version, wrong_unit_topic,
    topic_outside_the_scheme, wrong_status,
)  # fmt: skip
BULKY: tuple[Maker, ...] = (too_large, too_many_records)


FAULTS_OF_GARBAGE = ("reading-out-of-range", "clock-wrong", "unit-unregistered")


def garbage(rng: random.Random) -> list[Refused]:
    """A seeded mixture in which every kind occurs."""
    kinds = [*USUAL, *BULKY * 10]
    kinds += rng.choices(USUAL, k=GARBAGE - len(kinds))
    rng.shuffle(kinds)
    return [make(rng) for make in kinds]


def readings(start_s: float) -> dict[tuple[str, str], list[tuple[int, float]]]:
    """Time [ms] and pump current [A] of each unit; one pump stops half-way and stays so."""
    half = READINGS_A_UNIT // 2
    stops, *others = UNITS
    running, standing = float(HEALTHY["pump_current"]), float(PUMP_STANDS["pump_current"])
    times_ms = [int((start_s + i * STEP_S) * 1000) for i in range(READINGS_A_UNIT)]
    courses = {unit: [(t, running) for t in times_ms] for unit in others}
    courses[stops] = [(t, running if i < half else standing) for i, t in enumerate(times_ms)]
    return courses


def messages_of(
    courses: dict[tuple[str, str], list[tuple[int, float]]],
) -> tuple[list[tuple[str, bytes]], Counter[Key]]:
    """The readings as messages in order of time; every fifth also holds a record to be refused."""
    out = []
    refused = Counter[Key]()
    for i in range(READINGS_A_UNIT):
        for (site, unit), course in courses.items():
            time_ms, current_a = course[i]
            values = HEALTHY if current_a else PUMP_STANDS
            records = json.loads(pack(site, unit, [time_ms / 1000], values))
            if i % 5 == 0:
                records.insert(1 + i % len(records), {"n": "wetness", "u": "mm", "v": 1})
                refused[Reason.UNKNOWN_SIGNAL, site, unit] += 1
            out.append((f"sites/{site}/{unit}/senml", json.dumps(records).encode()))
    return out, refused


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    """One that keeps nothing on disk: it would save all that waits, at every message."""
    with Mosquitto(tmp_path / "broker", durable=False) as broker:
        yield broker


def test_garbage_is_counted_and_no_reading_is_lost(
    gateway: StartGateway, site_gateway: SiteGateway, mail: MailCatcher
) -> None:
    rng = random.Random(20260731)
    bad = garbage(rng)
    courses = readings(float(int(time.time()) - READINGS_A_UNIT * STEP_S - 60))
    good, refused = messages_of(courses)
    for one in bad:
        refused[one.reason, one.site, one.unit] += one.count
    assert {reason for reason, _, _ in refused} == set(Reason) - OF_SPARKPLUG - {
        Reason.NO_TEMPERATURE
    }

    # The last message is a reading of each unit: when that is stored, all before has been read.
    first, last = good[: -len(UNITS)], good[-len(UNITS) :]
    places = sorted(rng.sample(range(len(first) + len(bad)), len(first)))
    mixed: list[tuple[str, bytes | str]] = [(b.topic, b.payload) for b in bad]
    for place, message in zip(places, first, strict=True):
        mixed.insert(place, message)

    with gateway() as running:
        site_gateway.publish_all([*mixed, *last])
        for unit, course in courses.items():
            running.until(lambda u=unit, c=course: len(current(running, u)) == len(c))
        running.until(lambda: told(running, len(good)), timeout_s=120.0)
    for unit, course in courses.items():
        assert current(running, unit) == course
    [(site, unit_id)] = [u for u, course in courses.items() if not course[-1][1]]
    assert changes(running.data, "pump-not-running") == [(site, unit_id, Change.RAISED)]
    # Beside the pump's only what the garbage itself is: readings that cannot be.
    raised = {fault for fault in FAULTS_OF_GARBAGE if changes(running.data, fault)}
    # The gateway may also say of itself that much is refused, if it looks at the right moment.
    of_tickets = [m for m in mail.received if "[GATEWAY]" not in str(m.message["Subject"])]
    assert len(of_tickets) == 1 + sum(len(changes(running.data, f)) for f in raised)

    with open_records(running.data) as store:
        rows = store.quarantine(limit=100_000)
    counted = Counter[Key]()
    for row in rows:
        counted[row.reason, row.site, row.unit] += row.count
        assert row.detail.strip(), row
        assert len(row.excerpt) <= 200
        assert len(row.topic) <= 200
    assert counted == refused
    status = running.status
    assert status["messages"] == len(bad) + len(good)
    assert status["rejects"] == refused.total()
    assert status["frames"] == status["store"]["frames"] == len(good)
    assert status["late_frames"] == 0, "each unit's readings kept their order"
    assert status["messages_dropped"] == 0
    assert all("many-refused" in line for line in running.lines(" ERROR "))


def told(running: RunningGateway, frames: int) -> bool:
    """Whether all of it is judged, and whoever is to know of it has been told."""
    status = running.status
    return (
        status["frames"] == frames
        and status["rules"]["behind"] == 0
        and status["outbox"]["by_state"].keys() == {"accepted"}
    )


def current(running: RunningGateway, unit: tuple[str, str]) -> list[tuple[int, float]]:
    return stored(running.data, *unit, "pump_current")
