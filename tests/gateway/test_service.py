"""The gateway put together, in this process, against a real broker."""

from __future__ import annotations

import json
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from support.broker import Mosquitto
from support.gateway_fleet import SITES, configuration, site
from support.ledger_engine import POISON_MM, LedgerEngine
from support.ports import free_port
from support.receiver import Receiver
from support.smtp import MailCatcher
from support.sparkplug_edge import Metric, payload

from gateway.board.key import KEY_FILE
from gateway.board.settings import BoardSettings
from gateway.channels.webhook import WebhookSettings
from gateway.config import Configuration
from gateway.data_directory import DataDirectory, DataDirectoryError
from gateway.periodic import Pace
from gateway.records.records import Records
from gateway.rules_reader import RulesEngine
from gateway.service import Service, ServiceError, wall_clock_ms
from gateway.snapshot import SnapshotFiles
from gateway.status import read_status
from gateway.telemetry import EmbeddedStore, StoreSettings
from gateway.tickets.life import LifeSettings
from gateway.tickets.notice import NoticeKind, Recipient
from gateway.tickets.routing import Routing, TeamRoute
from gateway.watching.settings import WatchSettings
from rules.equipment import SparkplugNode
from rules.events import ActionKind
from rules.plan import FleetPlan

BRISK = Pace(
    clock_s=0.1, actions_s=0.05, rules_s=0.01, store_s=0.01, snapshot_s=60, upkeep_s=60,
    status_s=0.05,
)  # fmt: skip


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path_factory.mktemp("broker")) as broker:
        client = mqtt.Client(CallbackAPIVersion.VERSION2)
        client.connect("127.0.0.1", broker.port)
        client.loop_start()
        # Retained: whoever subscribes gets it, and is known by it to have subscribed.
        client.publish("sites/quay/status", b"online", 1, retain=True).wait_for_publish(120)
        client.disconnect()
        client.loop_stop()
        yield broker


@pytest.fixture
def settings(broker: Mosquitto, request: pytest.FixtureRequest) -> Configuration:
    """A configuration whose broker session is this test's own."""
    base = configuration(broker.port, free_port())
    client_id = request.node.name[:60].replace("[", "-").replace("]", "")
    return configuration(
        broker.port, free_port(), broker=base.broker.__class__(
            "127.0.0.1", broker.port, client_id=client_id
        ),
    )  # fmt: skip


@pytest.fixture
def publish(broker: Mosquitto) -> Iterator[Callable[..., None]]:
    """Publishes a level for a unit, at a time in seconds ago, and waits until the broker has it."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()

    def publish(unit: str, ago_s: float, level: float) -> None:
        pack = [{"bt": wall_clock_ms() / 1000 - ago_s, "n": "basin_level", "u": "mm", "v": level}]
        sent = client.publish(f"sites/{unit}/senml", json.dumps(pack), qos=1)
        sent.wait_for_publish(120)

    yield publish
    client.disconnect()
    client.loop_stop()


def ledger(_plan: FleetPlan) -> RulesEngine:
    return LedgerEngine()


def until(what: Callable[[], object], within_s: float = 120.0) -> None:
    """Wait until something outside this thread has come about."""
    pause = threading.Event()
    deadline_s = time.monotonic() + within_s
    while not what():
        assert time.monotonic() < deadline_s, "it did not come about"
        pause.wait(0.01)


@contextmanager
def running(
    settings: Configuration,
    data_dir: Path,
    make_engine: Callable[[FleetPlan], RulesEngine] = ledger,
) -> Iterator[Service]:
    """A gateway in this process, for the length of a block; it has got the retained message."""
    failures: list[str] = []
    service = Service(
        settings, data_dir, make_engine=make_engine, pace=BRISK, on_failure=failures.append
    )
    service.start()
    try:
        until(lambda: service.status().messages)
        yield service
    finally:
        assert service.stop()
    assert failures == []


def notes(records: Records) -> list[tuple[str, str, str, str]]:
    """The alarm journal, oldest first, without what the clock says."""
    lines = reversed(records.alarm_events(0, 2**60))
    return [
        (line.site, line.unit, line.event.change.value, line.event.note)
        for line in lines
        if line.event.fault != "unit-stale"
    ]


def test_from_message_to_alarm_and_chart_and_on_after_a_restart(
    settings: Configuration, tmp_path: Path, publish: Callable[..., None]
) -> None:
    data_dir = tmp_path / "data"
    with running(settings, data_dir) as service:
        publish("quay/ac-1", 60, 50.0)
        publish("quay/ac-1", 50, 150.0)
        publish("quay/ac-9", 50, 150.0)
        until(lambda: service.status().rejects == 1 and service.status().frames == 2)
        until(lambda: notes(service.records))
        until(lambda: service.status().store.frames == 2)
    assert [s.offset for s in SnapshotFiles(data_dir).load()], "a stop in good order saves it"
    publish("quay/ac-1", 40, 60.0)  # while it is down: the broker keeps it
    with running(settings, data_dir) as service:
        until(lambda: len(notes(service.records)) == 2)
        assert notes(service.records) == [
            ("quay", "ac-1", "raised", "frame 2"),
            ("quay", "ac-1", "returned to normal", "frame 3"),
        ]
        [refused] = service.records.quarantine()
        assert (refused.site, refused.unit, refused.count) == ("quay", "ac-9", 1)
    store = EmbeddedStore(
        data_dir / "telemetry.sqlite", {}, retention_days=400, rollup_retention_days=400
    )
    assert store.read("quay", "ac-1", ["basin_level"], 0, 2**60).values.tolist() == [
        [50.0], [150.0], [60.0]
    ]  # fmt: skip
    store.close()


def test_a_persons_action_is_applied_and_its_effect_recorded_once(
    settings: Configuration, tmp_path: Path
) -> None:
    with running(settings, tmp_path / "data") as service:
        service.records.request_action(
            ActionKind.ACKNOWLEDGE, "mill", "ac-2", by="R. Okafor", now_ms=wall_clock_ms(),
            fault="level-frozen", note="on my way",
        )  # fmt: skip
        until(lambda: notes(service.records))
        assert notes(service.records) == [("mill", "ac-2", "acknowledged", "on my way")]
        assert service.records.pending_actions() == []
        assert service.status().actions == 1


def test_an_outage_of_the_store_delays_charts_and_never_alarms(
    settings: Configuration, tmp_path: Path, publish: Callable[..., None]
) -> None:
    away = StoreSettings(
        kind="influxdb", url=f"http://127.0.0.1:{free_port()}", bucket="fleet", timeout_s=1
    )
    settings = configuration(settings.broker.port, free_port(), broker=settings.broker, store=away)
    with running(settings, tmp_path / "data") as service:
        publish("quay/ac-1", 60, 150.0)
        until(lambda: notes(service.records))
        until(lambda: any("can't be reached" in t for t in service.status().troubles))
        status = service.status()
        assert status.store.frames == 0
        assert status.store.behind > 0


def test_one_gateway_works_on_a_data_directory(settings: Configuration, tmp_path: Path) -> None:
    with (
        running(settings, tmp_path / "data"),
        pytest.raises(ServiceError, match="Another gateway is working on"),
    ):
        Service(settings, tmp_path / "data", make_engine=ledger)
    Service(settings, tmp_path / "data", make_engine=ledger).stop()


def test_a_data_directory_that_cannot_be_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(DataDirectoryError, match=r"cannot be used.*Name another with --data"):
        DataDirectory(tmp_path / "file" / "data")


def test_a_file_that_cannot_be_used_is_told_and_lets_the_directory_go(
    settings: Configuration, tmp_path: Path
) -> None:
    (tmp_path / "journal.sqlite").write_text("no journal at all" * 100)
    with pytest.raises(ServiceError, match="not a journal: move it away"):
        Service(settings, tmp_path, make_engine=ledger)
    (tmp_path / "journal.sqlite").unlink()
    Service(settings, tmp_path, make_engine=ledger).stop()


def test_units_that_are_added_are_watched_after_a_reload_without_a_gap(
    settings: Configuration, tmp_path: Path, publish: Callable[..., None]
) -> None:
    bigger = (SITES[0], SITES[1], site("harbour", "ac-1"))
    with running(settings, tmp_path / "data") as service:
        publish("quay/ac-1", 60, 150.0)
        publish("harbour/ac-1", 60, 150.0)
        until(lambda: service.status().rejects == 1 and notes(service.records))
        later = service.reload(
            configuration(settings.broker.port, 1, sites=bigger, journal_budget_mb=600)
        )
        publish("harbour/ac-1", 50, 150.0)
        publish("quay/ac-1", 50, 50.0)
        until(lambda: len(notes(service.records)) == 3)
        told = notes(service.records)
        assert told[0] == ("quay", "ac-1", "raised", "frame 1")
        # Two units, published in one breath: of one moment as far as the journal can tell.
        assert sorted(told[1:]) == [
            ("harbour", "ac-1", "raised", "frame 1"),
            ("quay", "ac-1", "returned to normal", "frame 2"),
        ]
        assert [text.split()[0] for text in later] == ["[broker]", "[mail]", "[journal]"]
        assert service.status().units == 5


def test_limits_of_the_watch_and_times_of_tickets_change_at_a_reload(
    settings: Configuration, tmp_path: Path
) -> None:
    """Without a new start: the pages move to another port, and the limits are the new ones."""
    quiet = replace(settings, watch=WatchSettings(port=free_port()))
    life = LifeSettings(hand_back_ms=60_000, verify_ms=120_000, reopen_within_ms=180_000)
    other = replace(quiet, watch=WatchSettings(port=free_port(), stuck_after_s=33.0), life=life)

    def answers(port: int) -> bool:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/health", timeout=5):
                return True
        except urllib.error.HTTPError as error:
            with error:
                return True
        except OSError:
            return False

    with running(quiet, tmp_path / "data") as service:
        assert answers(quiet.watch.port)
        assert service.reload(other) == []
        until(lambda: answers(other.watch.port))
        assert not answers(quiet.watch.port)
        assert service.reload(replace(other, watch=replace(other.watch, serve=False))) == []
        until(lambda: not answers(other.watch.port))


def test_a_site_that_turns_to_sparkplug_is_heard_after_a_reload(
    settings: Configuration, broker: Mosquitto, tmp_path: Path
) -> None:
    quay = SITES[0].model_copy(update={"sparkplug": SparkplugNode(group="north", edge="quay-edge")})
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    told = Metric(150.0, "ac-1/basin_level", timestamp=wall_clock_ms(), told=True, unit="mm")
    body = payload([told], timestamp=wall_clock_ms())

    def heard() -> bool:
        client.publish("spBv1.0/north/NDATA/quay-edge", body, qos=1).wait_for_publish(120)
        return service.status().frames > 0

    with running(settings, tmp_path / "data") as service:
        assert not heard()
        service.reload(replace(settings, sites=(quay, SITES[1])))
        until(heard)
        assert service.status().rejects == 0
    client.disconnect()
    client.loop_stop()


def test_a_reload_that_the_rules_cannot_take_changes_nothing(
    settings: Configuration, tmp_path: Path, publish: Callable[..., None]
) -> None:
    layouts = iter(["a", "a", "b"])

    def make(_plan: FleetPlan) -> RulesEngine:
        return LedgerEngine(layout=next(layouts))

    with running(settings, tmp_path / "data", make) as service:
        with pytest.raises(ServiceError, match="cannot go on with the new configuration: layout"):
            service.reload(settings)
        publish("quay/ac-1", 60, 150.0)
        until(lambda: notes(service.records))


def test_links_are_taken_on_at_a_reload_unless_their_key_cannot_be_used(
    settings: Configuration, tmp_path: Path
) -> None:
    """A mail without its link would be sent, and nobody would know why."""
    linked = replace(settings, board=BoardSettings(public_url="https://board.example"))
    key = tmp_path / "data" / KEY_FILE
    with running(settings, tmp_path / "data") as service:
        key.write_text("short")
        key.chmod(0o600)
        with pytest.raises(ServiceError, match=r"it is no key: 5 bytes.*Delete it"):
            service.reload(linked)
        assert service.configuration == settings
        key.unlink()
        service.reload(linked)
        assert service.configuration == linked
        assert key.stat().st_mode & 0o777 == 0o600
    key.chmod(0o644)
    with pytest.raises(ServiceError, match="others than its owner may use it"):
        Service(linked, tmp_path / "data", make_engine=ledger)
    key.chmod(0o600)
    Service(linked, tmp_path / "data", make_engine=ledger).stop()


def test_a_lost_journal_does_not_make_the_rules_deaf(
    settings: Configuration, tmp_path: Path, publish: Callable[..., None]
) -> None:
    """Its offsets go on where the records are, and units keep the rows that the records know."""
    data_dir = tmp_path / "data"
    with running(settings, data_dir) as service:
        publish("mill/ac-2", 60, 150.0)
        until(lambda: notes(service.records))
    for path in data_dir.glob("journal.sqlite*"):
        path.unlink()
    smaller = configuration(
        settings.broker.port, 1, sites=(SITES[1], SITES[0]), broker=settings.broker
    )
    with running(smaller, data_dir) as service:
        publish("mill/ac-2", 50, 50.0)
        until(lambda: len(notes(service.records)) == 2)
        assert notes(service.records)[1] == ("mill", "ac-2", "returned to normal", "frame 2")


def test_rules_that_fail_on_one_entry_do_not_keep_it_from_the_chart(
    settings: Configuration, tmp_path: Path, publish: Callable[..., None]
) -> None:
    with running(settings, tmp_path / "data") as service:
        publish("quay/ac-1", 60, POISON_MM)
        until(lambda: service.status().rules.set_aside == 1)
        publish("quay/ac-2", 50, 150.0)
        until(lambda: notes(service.records))
        until(lambda: service.status().store.frames == 2)


def test_a_thread_that_dies_is_reported(
    settings: Configuration, tmp_path: Path, publish: Callable[..., None]
) -> None:
    failed = threading.Event()
    whys: list[str] = []

    def on_failure(why: str) -> None:
        whys.append(why)
        failed.set()

    class Broken(LedgerEngine):
        def clock(self, now_ms: int, *, listening: bool = True) -> object:  # type: ignore[override]
            raise SystemError(now_ms, listening)

    service = Service(
        settings, tmp_path / "data", make_engine=lambda _plan: Broken(), pace=BRISK,
        on_failure=on_failure,
    )  # fmt: skip
    service.start()
    assert failed.wait(120)
    service.stop()
    assert whys[0].startswith("the thread 'rules reader' has died")


def test_the_status_can_be_read_by_other_processes(
    settings: Configuration, tmp_path: Path, publish: Callable[..., None]
) -> None:
    path = tmp_path / "data" / "status.json"
    assert read_status(path) is None
    with running(settings, tmp_path / "data") as service:
        publish("quay/ac-1", 60, 150.0)
        until(lambda: (read_status(path) or {}).get("frames") == 1)
        written = read_status(path)
        assert written is not None
        assert set(written) == set(service.status().to_json())
        assert written["units"] == 4
        assert written["journal"]["fill"] == "ok"
    last = read_status(path)
    assert last is not None
    assert last["rules"]["behind"] == last["store"]["behind"] == 0


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_thread_of_another_part_that_dies_is_noticed(
    settings: Configuration, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    failed = threading.Event()
    whys: list[str] = []

    def on_failure(why: str) -> None:
        whys.append(why)
        failed.set()

    def broken(*_: object) -> None:
        msg = "a defect in the network thread"
        raise SystemError(msg)

    monkeypatch.setattr("gateway.intake.Intake._arrived", broken)
    service = Service(
        settings, tmp_path / "data", make_engine=ledger, pace=BRISK, on_failure=on_failure
    )
    service.start()
    assert failed.wait(120)
    assert service.stop()
    assert "the thread of the broker's connection has died" in whys[0]


def test_a_ticket_goes_out_by_mail_text_and_webhook_and_a_reload_changes_the_webhook(
    settings: Configuration, tmp_path: Path, publish: Callable[..., None]
) -> None:
    ada = Recipient("Ada Holm", "ada@north.example", "1@texts.example", ("low",))
    team = TeamRoute(
        on_call=(ada,), planner=(ada,), webhooks={"north/works": frozenset(NoticeKind)}
    )
    routing = Routing({"north": team}, {s.id: "north" for s in SITES})
    with MailCatcher() as mail, Receiver() as first, Receiver() as second:

        def hook(receiver: Receiver) -> dict[str, WebhookSettings]:
            return {"north/works": WebhookSettings("north/works", receiver.url, "s" * 40)}

        settings = replace(
            settings, routing=routing, mail=replace(settings.mail, port=mail.port),
            webhooks=hook(first),
        )  # fmt: skip
        with running(settings, tmp_path / "data") as service:
            publish("quay/ac-1", 50, 150.0)
            (call,) = first.wait_for(1)
            addresses = {m.recipients[0]: m.message for m in mail.wait_for(2)}
            assert set(addresses) == {"ada@north.example", "1@texts.example"}
            assert "LOCK OUT BEFORE WORK" in addresses["1@texts.example"].get_content()
            event = json.loads(call.body)
            assert event["source"] == f"/basinward/{service.records.installation}/sites/quay"
            assert event["data"]["isolation"]["points"][0]["label"] == "Q14"
            service.reload(replace(settings, webhooks=hook(second)))
            publish("quay/ac-2", 50, 150.0)
            second.wait_for(1)
            assert len(first.calls) == 1
