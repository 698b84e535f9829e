"""The decoder: messages refused whole, unknown topics, and a site's status."""

from __future__ import annotations

import pytest
from decoding import NOW_MS, UNITS, decode, reject

from gateway.batch import Reason, SiteStatus
from gateway.wire import Decoder
from gateway.wire.decoded import MAX_PAYLOAD_BYTES, MAX_RECORDS


@pytest.fixture
def decoder() -> Decoder:
    return Decoder(UNITS, retention_days=400)


def test_a_field_that_comes_twice_is_not_guessed(decoder):
    found = decode(decoder, b'[{"n":"pump_current","u":"A","v":1,"v":2}]')
    reason, detail = reject(found)
    assert reason is Reason.RECORD
    assert "'v' appears twice" in detail


@pytest.mark.parametrize(
    ("body", "reason"),
    [
        (b"", Reason.NOT_SENML),
        (b"online", Reason.NOT_SENML),
        (b"[]", Reason.NOT_SENML),
        (b"{}", Reason.NOT_SENML),
        (b"[" * 100_000, Reason.NOT_SENML),
        (b'[{"bver":11,"n":"pump_current","u":"A","v":1}]', Reason.VERSION),
        (b" " * (MAX_PAYLOAD_BYTES + 1), Reason.TOO_LARGE),
        (b"[" + b"{}," * MAX_RECORDS + b"{}]", Reason.TOO_LARGE),
    ],
)
def test_a_message_that_cannot_be_read_is_refused_whole(decoder, body, reason):
    found = decode(decoder, body)
    assert reject(found)[0] is reason
    assert not found.frames
    assert (found.rejects[0].site, found.rejects[0].unit) == ("quay", "ac-1")


def test_as_many_records_as_allowed_are_read(decoder):
    record = b'{"n":"fan_run","v":1}'
    found = decode(decoder, b"[" + b",".join([record] * MAX_RECORDS) + b"]")
    assert found.samples == MAX_RECORDS


@pytest.mark.parametrize(
    "topic",
    [
        "", "/", "sites", "sites/", "sites/quay", "sites/quay/ac-1", "sites/quay/ac-1/json",
        "sites/quay/ac-1/senml/x", "/sites/quay/ac-1/senml", "Sites/quay/ac-1/senml",
        "sites/Quay/ac-1/senml", "sites//ac-1/senml", "sites/quay//senml", "site/quay/ac-1/senml",
        "sites/qu ay/status", "sites/status", "sites/quay/\ud800/senml", "x" * 65_535,
        "sites/quay/ac-1/senml\x00", "sites/-quay/ac-1/senml", f"sites/{'a' * 65}/ac-1/senml",
    ],
)  # fmt: skip
def test_an_unknown_topic_is_refused(decoder, topic):
    found = decode(decoder, b"[]", topic=topic)
    reason, detail = reject(found)
    assert reason is Reason.TOPIC
    assert "sites/<site>/<unit>/senml" in detail


@pytest.mark.parametrize(
    ("topic", "site", "unit", "words"),
    [
        ("sites/quay/ac-3/senml", "quay", "ac-3", "Site quay has no unit 'ac-3'"),
        ("sites/moor/ac-1/senml", "moor", "ac-1", "No site file describes site 'moor'"),
        ("sites/moor/status", "moor", "", "No site file describes site 'moor'"),
    ],
)
def test_an_unregistered_unit_or_site_is_told(decoder, topic, site, unit, words):
    found = decode(decoder, b"online", topic=topic)
    assert reject(found)[0] is Reason.UNREGISTERED
    assert words in found.rejects[0].detail
    assert (found.rejects[0].site, found.rejects[0].unit) == (site, unit)


@pytest.mark.parametrize(("body", "online"), [(b"online", True), (b"offline", False)])
def test_a_sites_status_is_understood(decoder, body, online):
    found = decode(decoder, body, topic="sites/quay/status")
    assert found.status == SiteStatus(NOW_MS, "quay", online)
    assert not found.rejects


@pytest.mark.parametrize("body", [b"", b"ONLINE", b'"online"', b"\xff"])
def test_another_status_is_refused(decoder, body):
    assert reject(decode(decoder, body, topic="sites/quay/status"))[0] is Reason.RECORD
