"""Webhooks against a real HTTP server: what is sent, signed, tried again, and given up."""

from __future__ import annotations

import base64
import json
import re
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from cloudevents.core.bindings.http import HTTPMessage, from_http_event
from config_fleet import ENVIRON, REAL_FLEET, REAL_SITE, write
from sqlalchemy.engine import URL
from support.broker import make_certificates
from support.receiver import Call, Receiver
from support.records import HOUR_MS, NOW_MS, RUI, WATCH, open_records, raised, returned, step
from ticket_scenes import notice, quay_site

from gateway.channels.calls import WebhookOutbox
from gateway.channels.cloud_event import EVENT_NAMES, cloud_event
from gateway.channels.signing import signature
from gateway.channels.webhook import WebhookSettings
from gateway.config import ConfigurationFaults, load
from gateway.mail.outbox import Backoff
from gateway.mail.worker import OutboxWorker
from gateway.records import Records
from gateway.records.rows import AttemptOutcome, Channel, OutboxRow, OutboxState
from gateway.tickets.notice import NoticeKind, TicketNotice
from gateway.tickets.render import MailRenderer
from gateway.tickets.routing import Routing, TeamRoute
from rules.events import Severity
from rules.faults.registry import FAULTS
from rules.safety import ORDER, RELEASE_ORDER

MINUTE_MS = 60_000
NAME = "north/works"
SECRET = "hOok-seCret-0123456789-0123456789"
RENDERER = MailRenderer([quay_site()], FAULTS)


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    with Receiver() as receiver:
        yield receiver


@pytest.fixture
def records(records_url: URL) -> Iterator[Records]:
    records = open_records(records_url, routing=told(*NoticeKind))
    yield records
    records.close()


def told(*kinds: NoticeKind) -> Routing:
    team = TeamRoute(on_call=(RUI,), monitoring=(WATCH,), webhooks={NAME: frozenset(kinds)})
    return Routing({"n": team}, {"quay-cold-store": "n", "hill-dairy": "n"})


def outbox_to(records: Records, url: str, **options: Any) -> WebhookOutbox:
    settings = WebhookSettings(
        NAME, url, SECRET, ca_file=options.pop("ca_file", None),
        timeout_s=options.pop("timeout_s", 30.0),
    )  # fmt: skip

    def make(one: TicketNotice) -> bytes:
        return cloud_event(RENDERER.ticket(one), one, records.installation)

    return WebhookOutbox(records.webhook_store, lambda: {NAME: settings}, make, **options)


def raise_one(records: Records, fault: str = "fan-fault") -> None:
    offset = records.committed_offset() + 1
    records.commit(offset, step(raised(NOW_MS, Severity.HIGH, fault=fault)), [], NOW_MS)


def hooks(records: Records) -> list[OutboxRow]:
    return [row for row in records.outbox() if row.channel is Channel.WEBHOOK]


def verified(call: Call, url: str, secret: str, now_s: int) -> bool:
    """As README tells receivers to verify a call (RFC 9421, 3.2)."""
    page = (Path(__file__).parents[2] / "README.md").read_text()
    example = page.partition("<!-- example: verify -->\n```python\n")[2].partition("```")[0]
    names: dict[str, Any] = {}
    exec(compile(example, "README.md", "exec"), names)  # noqa: S102 - our own page
    answer: bool = names["verify"](url, call.headers, call.body, secret.encode(), now_s)
    return answer


# ---------------------------------------------------------------- the event


def event_of(call: Call) -> Any:
    """As the CloudEvents project's own SDK reads the call."""
    return from_http_event(HTTPMessage(headers=call.headers, body=call.body))


def test_a_ticket_becomes_one_signed_event(records: Records, receiver: Receiver) -> None:
    raise_one(records)
    outbox = outbox_to(records, receiver.url)
    assert outbox.pump(NOW_MS).accepted == 1
    assert outbox.pump(NOW_MS + HOUR_MS).accepted == 0
    (call,) = receiver.calls
    assert call.path == "/works?key=quEry-secret"
    assert call.headers["content-type"] == "application/cloudevents+json; charset=utf-8"
    event = event_of(call)
    assert event.get_specversion() == "1.0"
    assert event.get_id() == "BW-000001.1"
    assert event.get_source() == f"/basinward/{records.installation}/sites/quay-cold-store"
    assert event.get_type() == "example.basinward.ticket.opened"
    assert event.get_subject() == "BW-000001"
    assert event.get_datacontenttype() == "application/json"
    assert event.get_time().timestamp() * 1000 == NOW_MS
    data = event.get_data()
    assert data["ticket"]["priority"] == "high"
    assert data["fault"]["slug"] == "fan-fault"
    assert data["evidence"]["readings"][0]["measured"] == 58.0
    assert verified(call, receiver.url, SECRET, NOW_MS // 1000)
    assert not verified(call, receiver.url, SECRET + "x", NOW_MS // 1000)
    assert not verified(call, receiver.url, SECRET, NOW_MS // 1000 + 900)
    assert not verified(call, receiver.url + "x", SECRET, NOW_MS // 1000)
    forged = Call(call.path, call.headers, call.body.replace(b"high", b"low"))
    assert not verified(forged, receiver.url, SECRET, NOW_MS // 1000)
    (row,) = hooks(records)
    assert row.state is OutboxState.ACCEPTED
    assert [a.outcome for a in row.history] == [AttemptOutcome.ACCEPTED]
    assert records.outbox_counts().waiting == 1  # the mail goes its own way


def test_the_signature_is_that_of_the_standards_example() -> None:
    """RFC 9421, B.2.5, with the shared secret of B.1.5 (from memory; the result proves it)."""
    key = base64.b64decode(
        "uzvJfB4u3N0Jy4T7NZ75MDVcr8zSTInedJtkgcu46YW4XByzNJjxBdtjUkdJPBtbmHhIDi6pcl8jsasjlTMtDQ=="
    )
    values = {
        "date": "Tue, 20 Apr 2021 02:07:55 GMT",
        "@authority": "example.com",
        "content-type": "application/json",
    }
    parameters = (
        '("date" "@authority" "content-type");created=1618884473;keyid="test-shared-secret"'
    )
    assert signature(values, parameters, key) == "pxcQw6G3AjtMBQjwo8XzkZf/bws5LelbaMk5rGIGtE8="


@pytest.mark.parametrize("kind", EVENT_NAMES)
@pytest.mark.parametrize("entry", FAULTS, ids=lambda f: f.slug)
def test_every_event_has_the_isolation_block_whole_and_in_order(
    entry: Any, kind: NoticeKind
) -> None:
    one = notice(kind, fault=entry.slug)
    event = json.loads(cloud_event(RENDERER.ticket(one), one, "id"))
    block = event["data"]["isolation"]
    assert [s["number"] for s in block["steps"]] == [int(part) for part in ORDER]
    assert [s["number"] for s in block["release"]] == [int(part) for part in RELEASE_ORDER]
    assert "electrical" in {p["energy"] for p in block["points"]}
    assert all(p["label"] and p["location"] and p["verify"] for p in block["points"])
    assert "does not authorise" in block["reminder"]
    assert "are not isolation" in block["not_isolation"]
    assert "local codes" in block["defers"]
    assert block["cautions"]
    assert re.fullmatch(r"example\.basinward\.ticket\.[a-z-]+", event["type"])


def test_only_the_chosen_kinds_are_told(tmp_path: Path, receiver: Receiver) -> None:
    records = open_records(tmp_path, routing=told(NoticeKind.RETURNED))
    raise_one(records)
    records.commit(2, step(returned(NOW_MS)), [], NOW_MS)
    outbox_to(records, receiver.url).pump(NOW_MS)
    assert [event_of(c).get_type() for c in receiver.calls] == ["example.basinward.ticket.returned"]
    records.close()


def test_where_no_person_is_named_the_other_system_is_told_all_the_same(
    tmp_path: Path, receiver: Receiver
) -> None:
    team = TeamRoute(webhooks={NAME: frozenset(NoticeKind)})
    records = open_records(tmp_path, routing=Routing({"n": team}, {"quay-cold-store": "n"}))
    raise_one(records)
    assert outbox_to(records, receiver.url).pump(NOW_MS).accepted == 1
    (mail,) = [row for row in records.outbox() if row.channel is Channel.MAIL]
    assert mail.state is OutboxState.UNADDRESSED
    records.close()


# ---------------------------------------------------------------- when it goes wrong


def test_a_receiver_that_is_down_gets_its_events_when_it_is_back(
    records: Records, receiver: Receiver
) -> None:
    said: list[tuple[bool, str]] = []
    outbox = outbox_to(records, receiver.url, on_receiver=lambda up, why: said.append((up, why)))
    for n in range(3):
        raise_one(records, f"f{n}")
    receiver.stop()
    assert outbox.pump(NOW_MS).deferred == 1  # one is tried, all rest
    again = outbox.pump(NOW_MS + 1)
    assert again.deferred == 0
    assert again.next_ms is not None
    assert NOW_MS + 1_000 < again.next_ms < NOW_MS + 60_000
    assert {row.last_reply != "" for row in hooks(records)} == {True}
    receiver.start()
    assert outbox.pump(NOW_MS + HOUR_MS).accepted == 3
    assert [up for up, _ in said] == [False, True]
    assert "check url and secret" in said[0][1]
    assert "quEry" not in said[0][1]


@pytest.mark.parametrize("status", [500, 503, 401, 404, 429])
def test_what_may_pass_is_tried_again_with_growing_pauses(
    records: Records, receiver: Receiver, status: int
) -> None:
    raise_one(records)
    receiver.behaviour.status = status
    receiver.behaviour.body = b"see key=quEry-secret\r\n\x1b[31m"
    pause = Backoff(MINUTE_MS, 8 * MINUTE_MS)  # minutes, since a call's own time comes on top
    outbox = outbox_to(records, receiver.url, backoff=pause, rest=Backoff(1, 1))
    now_ms, pauses = NOW_MS, []
    for _ in range(6):
        result = outbox.pump(now_ms)
        assert result.deferred == 1
        (row,) = hooks(records)
        pauses.append((row.next_attempt_ms - now_ms) // MINUTE_MS)
        now_ms = row.next_attempt_ms
    assert pauses == [1, 2, 4, 8, 8, 8]
    assert "quEry" not in row.last_reply
    assert row.last_reply.startswith(f"{status} ")
    assert row.last_reply.isprintable()
    receiver.behaviour.status = 202
    assert outbox.pump(now_ms).accepted == 1
    assert len({event_of(c).get_id() for c in receiver.calls}) == 1
    assert len(hooks(records)[0].history) == 7


@pytest.mark.parametrize("status", [400, 410, 413, 415, 422])
def test_what_can_never_be_taken_is_given_up_and_told(
    records: Records, receiver: Receiver, status: int
) -> None:
    raise_one(records)
    receiver.behaviour.status = status
    refused: list[str] = []
    outbox = outbox_to(records, receiver.url, on_refused=refused.append)
    assert outbox.pump(NOW_MS).refused == 1
    assert outbox.pump(NOW_MS + HOUR_MS).next_ms is None
    assert "BW-000001" in refused[0]
    assert records.undelivered()[0].channel is Channel.WEBHOOK


def test_a_redirect_is_not_followed(records: Records, receiver: Receiver) -> None:
    with Receiver() as elsewhere:
        raise_one(records)
        receiver.behaviour.status = 307
        receiver.behaviour.headers = {"Location": elsewhere.url}
        assert outbox_to(records, receiver.url).pump(NOW_MS).deferred == 1
        assert elsewhere.paths == []
    assert receiver.paths == [f"POST {urlsplit(receiver.url).path}?key=quEry-secret"]
    assert "redirects are not followed" in hooks(records)[0].last_reply


def test_retry_after_is_heeded(records: Records, receiver: Receiver) -> None:
    """RFC 9110, 10.2.3."""
    raise_one(records)
    receiver.behaviour.status = 503
    receiver.behaviour.headers = {"Retry-After": "600"}
    outbox = outbox_to(records, receiver.url, backoff=Backoff(1_000, 30 * 60_000))
    outbox.pump(NOW_MS)
    outbox.pump(NOW_MS + 60_000)
    assert len(receiver.calls) == 1
    receiver.behaviour.status = 204
    assert outbox.pump(NOW_MS + 700_000).accepted == 1


@pytest.mark.parametrize("cut", ["before_body", "before_reply"])
def test_a_call_cut_off_may_have_come_and_is_sent_again_with_the_same_id(
    records: Records, receiver: Receiver, cut: str
) -> None:
    raise_one(records)
    receiver.behaviour.cut = cut
    outbox = outbox_to(records, receiver.url)
    assert outbox.pump(NOW_MS).deferred == 1
    (row,) = hooks(records)
    assert row.history[0].outcome is AttemptOutcome.UNKNOWN
    assert row.possibly_duplicate
    receiver.behaviour.cut = ""
    assert outbox.pump(NOW_MS + HOUR_MS).accepted == 1
    assert len({c.body for c in receiver.calls}) == 1


@pytest.mark.parametrize("how", ["silent", "a byte at a time"])
def test_a_server_that_never_ends_its_answer_is_left(
    records: Records, receiver: Receiver, how: str
) -> None:
    over = threading.Event()
    if how == "silent":
        receiver.behaviour.before_reply = lambda _call: over.wait(120) or None  # type: ignore[func-returns-value]
    else:
        receiver.behaviour.trickle = over
    raise_one(records)
    try:
        assert outbox_to(records, receiver.url, timeout_s=0.5).pump(NOW_MS).deferred == 1
    finally:
        over.set()
    assert "no answer within 0.5 s" in hooks(records)[0].last_reply


def test_of_an_endless_answer_only_the_beginning_is_read(
    records: Records, receiver: Receiver
) -> None:
    raise_one(records)
    receiver.behaviour.status = 200
    receiver.behaviour.body = b"x" * 5_000_000
    assert outbox_to(records, receiver.url).pump(NOW_MS).accepted == 1
    assert len(hooks(records)[0].history[0].reply) <= 200


def test_a_webhook_that_was_taken_out_is_given_up(records: Records) -> None:
    raise_one(records)
    outbox = WebhookOutbox(records.webhook_store, dict, lambda _notice: b"")
    assert outbox.pump(NOW_MS).refused == 1
    assert "no webhook 'north/works'" in hooks(records)[0].last_reply


def test_a_crash_in_the_midst_of_a_call_is_recovered_and_mail_left_alone(
    records: Records, receiver: Receiver
) -> None:
    raise_one(records)
    (due,) = records.webhook_store.due(NOW_MS, 9)
    (mail,) = records.outbox_store.due(NOW_MS, 9)
    for store, one in ((records.webhook_store, due), (records.outbox_store, mail)):
        assert store.claim(one.id, NOW_MS) is not None
        store.handing_over(one.id)
    result = outbox_to(records, receiver.url).pump(NOW_MS)
    assert (result.recovered, result.accepted) == (1, 1)
    (row,) = hooks(records)
    assert [a.outcome for a in row.history] == [AttemptOutcome.UNKNOWN, AttemptOutcome.ACCEPTED]
    assert records.outbox_counts().by_state == {OutboxState.HANDING_OVER: 1}


def test_over_tls_only_a_trusted_server_is_told(tmp_path: Path) -> None:
    import ssl

    certificates = make_certificates(tmp_path)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificates.server_certificate, certificates.server_key)
    records = open_records(tmp_path, routing=told(*NoticeKind))
    with Receiver(context) as receiver:
        raise_one(records)
        assert outbox_to(records, receiver.url).pump(NOW_MS).deferred == 1
        assert receiver.paths == []
        assert hooks(records)[0].history[0].outcome is AttemptOutcome.DEFERRED
        trusting = outbox_to(records, receiver.url, ca_file=certificates.ca_file)
        assert trusting.pump(NOW_MS + HOUR_MS).accepted == 1
    records.close()


def test_a_slow_receiver_holds_up_neither_rules_nor_worker_end(
    records: Records, receiver: Receiver
) -> None:
    asked, answer = threading.Event(), threading.Event()

    def slow(_call: Call) -> None:
        asked.set()
        assert answer.wait(120)

    receiver.behaviour.before_reply = slow
    troubles: list[str] = []
    worker = OutboxWorker(
        outbox_to(records, receiver.url), lambda: NOW_MS, troubles.append, "webhooks"
    )
    records.on_mail = worker.wake
    worker.start()
    try:
        raise_one(records)
        assert asked.wait(120)
        for n in range(5):
            raise_one(records, f"f{n}")
        assert len(receiver.calls) == 1
        answer.set()
        receiver.wait_for(6)
    finally:
        answer.set()
        assert worker.stop(60)
    assert troubles == []


# ---------------------------------------------------------------- oncall.toml


def oncall(hook: str) -> str:
    return f"""\
[teams.north]
name = "North"
on_call = [{{ name = "Eva", email = "eva@north.example" }}]
planner = [{{ name = "Planning", email = "planning@north.example" }}]

[[teams.north.webhooks]]
name = "works"
{hook}
"""


GOOD = 'url = "https://works.north.example/in"\nsecret_env = "HOOK_SECRET"\nevents = ["opened"]'
SECRETS = ENVIRON | {"HOOK_SECRET": SECRET}


def loaded(tmp_path: Path, hook: str, environ: dict[str, str]) -> Any:
    fleet = write(tmp_path, oncall=oncall(hook), site=REAL_SITE, fleet=REAL_FLEET)
    return load(fleet, environ)


def test_a_webhook_is_read_with_its_secret_from_outside(tmp_path: Path) -> None:
    configuration = loaded(tmp_path, GOOD, SECRETS)
    settings = configuration.webhooks[NAME]
    assert (settings.url, settings.secret) == ("https://works.north.example/in", SECRET)
    assert configuration.routing.webhooks("quay-cold-store", NoticeKind.OPENED) == (NAME,)
    assert configuration.routing.webhooks("quay-cold-store", NoticeKind.RETURNED) == ()
    assert SECRET not in repr(configuration)


def test_without_events_all_are_told(tmp_path: Path) -> None:
    routing = loaded(tmp_path, GOOD.replace('events = ["opened"]', ""), SECRETS).routing
    for kind in EVENT_NAMES:
        assert routing.webhooks("quay-cold-store", kind) == (NAME,)
    names = ", ".join(f'"{name}"' for name in EVENT_NAMES.values())
    every = loaded(tmp_path, GOOD.replace('"opened"', names), SECRETS)
    assert every.routing == routing


@pytest.mark.parametrize(
    ("hook", "environ", "said"),
    [
        (GOOD, ENVIRON, "is not set"),
        (GOOD, ENVIRON | {"HOOK_SECRET": "short"}, "the secret is short: 5 characters"),
        (GOOD.replace("https", "http"), SECRETS, "use https"),
        (GOOD.replace("works.north", "me:pw@works.north"), SECRETS, "url"),
        (GOOD.replace('secret_env = "HOOK_SECRET"', ""), SECRETS, "secret_env or secret_file"),
        (GOOD.replace("opened", "exploded"), SECRETS, "events"),
        (GOOD.replace('secret_env = "HOOK_SECRET"', 'secret = "x"'), SECRETS, "secret_env"),
        (GOOD + '\nca_file = "absent.pem"', SECRETS, "cannot be read"),
    ],
)
def test_what_is_wrong_with_a_webhook_is_told(
    tmp_path: Path, hook: str, environ: dict[str, str], said: str
) -> None:
    with pytest.raises(ConfigurationFaults) as caught:
        loaded(tmp_path, hook, environ)
    assert said in str(caught.value)
    assert "oncall.toml" in str(caught.value)
    assert SECRET not in str(caught.value)


def test_plain_http_is_allowed_to_this_machine(tmp_path: Path) -> None:
    hook = GOOD.replace("https://works.north.example", "http://127.0.0.1:8080")
    assert loaded(tmp_path, hook, SECRETS).webhooks[NAME].host == "127.0.0.1:8080"
