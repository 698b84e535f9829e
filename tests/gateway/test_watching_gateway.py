"""The gateway watched as a whole, in this process: lag, silence, and a thread that stands still."""

from __future__ import annotations

import json
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from http.client import HTTPConnection
from pathlib import Path
from typing import Any

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from support.broker import Mosquitto
from support.gateway_fleet import configuration, site
from support.influx import VictoriaServer
from support.ledger_engine import LedgerEngine
from support.ports import free_port
from support.senml_site import HEALTHY as SENDING
from support.senml_site import SiteGateway
from support.smtp import MailCatcher

from gateway.config import Configuration
from gateway.intake import BrokerSettings, Intake
from gateway.journal import Clock
from gateway.mail.smtp import MailSettings
from gateway.periodic import Pace
from gateway.service import Service
from gateway.status import read_status
from gateway.telemetry import StoreSettings
from gateway.watching.notify import ServiceManager
from gateway.watching.settings import WatchSettings
from gateway.watching.watch import Watch
from gateway.wire import Decoder

BRISK = Pace(
    clock_s=0.1, actions_s=0.1, rules_s=0.01, store_s=0.01, snapshot_s=60, upkeep_s=60,
    status_s=0.05,
)  # fmt: skip
SITES = tuple(site(name, "ac-1") for name in ("quay", "mill", "harbour"))
HEALTHY = {**SENDING, "basin_level": 50.0}  # the engine of these tests holds more for a fault
WATCH = WatchSettings(port=0, operators=("ops@centre.example",), calm_s=0.2)


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path_factory.mktemp("broker")) as broker:
        yield broker


@pytest.fixture
def site_gateway(broker: Mosquitto) -> Iterator[SiteGateway]:
    with SiteGateway(broker.port) as site_gateway:
        yield site_gateway


def settings(
    broker: Mosquitto, name: str, watch: WatchSettings, mail_port: int = 0, **changed: object
) -> Configuration:
    """A configuration whose broker session is the test's own."""
    own = BrokerSettings("127.0.0.1", broker.port, client_id=name)
    mail = MailSettings("127.0.0.1", "watch@centre.example", mail_port or free_port(), "none")
    return configuration(
        broker.port, 0, SITES, broker=own, watch=watch, mail=mail, **changed
    )  # fmt: skip


def until(what: Callable[[], object], within_s: float = 120.0) -> None:
    """Wait until something outside this thread has come about."""
    pause = threading.Event()
    deadline_s = time.monotonic() + within_s
    while not what():
        assert time.monotonic() < deadline_s, "it did not come about"
        pause.wait(0.01)


class Page:
    """The gateway's pages, asked over HTTP."""

    def __init__(self, service: Service) -> None:
        self._service = service

    def health(self, path: str = "/health") -> tuple[int, list[str], list[str]]:
        """Status, kinds of reasons, and their sentences."""
        status, body = self._get(path)
        reasons: list[dict[str, Any]] = json.loads(body)["reasons"]
        return status, [r["kind"] for r in reasons], [r["says"] for r in reasons]

    def value(self, name: str, **labels: str) -> float | None:
        """A sample, None where there is none."""
        _, body = self._get("/metrics", Accept="application/openmetrics-text")
        for family in text_string_to_metric_families(body.decode()):
            for sample in family.samples:
                if sample.name == f"basinward_{name}" and sample.labels == labels:
                    return sample.value
        return None

    def _get(self, path: str, **headers: str) -> tuple[int, bytes]:
        connection = HTTPConnection("127.0.0.1", self._service.watch.server.port, timeout=120)
        try:
            connection.request("GET", path, headers=headers)
            response = connection.getresponse()
            return response.status, response.read()
        finally:
            connection.close()


@contextmanager
def running(
    configuration: Configuration, data_dir: Path, manager: ServiceManager | None = None
) -> Iterator[Page]:
    service = Service(
        configuration, data_dir, make_engine=lambda _plan: LedgerEngine(), pace=BRISK,
        manager=manager,
    )  # fmt: skip
    service.start()
    try:
        until(lambda: service.status().broker_connected)
        yield Page(service)
    finally:
        assert service.stop()


def test_values_move_as_messages_go_through(
    broker: Mosquitto, site_gateway: SiteGateway, tmp_path: Path
) -> None:
    with running(settings(broker, "values", WATCH), tmp_path / "data") as page:
        until(lambda: page.health()[0] == 200)
        assert page.value("messages_total") == 0
        assert page.value("sites_unheard") == 3
        now_s = float(int(time.time()))
        site_gateway.send("quay", "ac-1", [now_s - 60, now_s - 30], HEALTHY)
        site_gateway.send("mill", "ac-1", [now_s - 300], HEALTHY)
        site_gateway.publish("sites/quay/ac-1/senml", b"no SenML")
        until(lambda: page.value("messages_total") == 4)
        until(lambda: page.value("reader_frames_total", reader="store") == 3)
        assert page.value("frames_total") == 3
        assert page.value("samples_total") == 3 * len(HEALTHY)
        assert page.value("refused_records_total", reason="not SenML") == 1
        assert page.value("sites_unheard") == 1
        oldest = page.value("site_newest_sample_age_seconds", quantile="1.0")
        assert oldest is not None
        assert oldest >= 300
        steps = page.value("rules_step_seconds_count")
        assert steps
        assert page.value("rules_step_seconds_bucket", le="+Inf") >= steps  # type: ignore[operator]
        assert page.value("last_message_timestamp_seconds")
        assert page.value("journal_size_bytes")


def test_a_store_that_is_away_makes_a_lag_that_goes_again(
    broker: Mosquitto, site_gateway: SiteGateway, tmp_path: Path
) -> None:
    with VictoriaServer(tmp_path / "store") as server:
        server.stop()
        store = StoreSettings(kind="influxdb", url=server.url, bucket="fleet", timeout_s=5)
        with running(settings(broker, "lag", WATCH, store=store), tmp_path / "data") as page:
            site_gateway.send("quay", "ac-1", [time.time() - 60], HEALTHY)
            until(lambda: page.value("store_up") == 0)
            until(lambda: page.value("reader_lag_frames", reader="store") == 1)
            lag_s = page.value("reader_lag_seconds", reader="store")
            assert lag_s is not None
            until(lambda: (page.value("reader_lag_seconds", reader="store") or 0) > lag_s)
            status, kinds, says = page.health()
            assert status == 503
            assert "store" in kinds
            assert any("can't be reached" in text for text in says)
            assert page.health("/health/ready")[0] == 200  # samples are judged and recorded
            assert page.health("/health/live")[0] == 200
            until(lambda: page.value("reader_lag_frames", reader="rules") == 0)
            server.start()
            until(lambda: page.value("reader_lag_frames", reader="store") == 0)
            until(lambda: page.value("store_up") == 1 and page.health()[0] == 200)


def clock_entries(service: Service) -> list[bool]:
    """Whether each clock entry of the journal says that messages could arrive."""
    entries = service._journal.read_from(0).entries
    return [s.entry.listening for s in entries if isinstance(s.entry, Clock)]


def test_silence_of_all_sites_is_the_gateways_own_and_is_told_once(
    broker: Mosquitto, site_gateway: SiteGateway, tmp_path: Path
) -> None:
    """The clock entries then say that nobody could be heard, so no site is accused."""
    watch = replace(WATCH, all_silent_s=1.0)
    with MailCatcher() as mail:
        configured = settings(broker, "silence", watch, mail.port)
        with running(configured, tmp_path / "data") as page:
            site_gateway.send("quay", "ac-1", [time.time() - 60], HEALTHY)
            begin = mail.wait_for(1)[0]
            service = page._service
            # A slow start is silence as well, ends with the message, and sets in anew.
            until(lambda: service.status().messages)
            until(lambda: "all-sites-silent" in page.health()[1])
            until(lambda: service.watch.deaf)
            until(lambda: clock_entries(service)[-1] is False)
            site_gateway.send("quay", "ac-1", [time.time() - 30], HEALTHY)
            # A second later they are silent again, and a slow machine is told of that too.
            end = mail.wait_for(2)[1]
            until(lambda: True in clock_entries(service)[clock_entries(service).index(False) :])
        assert "Every site has fallen silent" in begin.message["Subject"]
        assert begin.recipients == ("ops@centre.example",)
        assert end.message["In-Reply-To"] == begin.message["Message-ID"]


@pytest.mark.parametrize(
    ("owner", "method", "thread"),
    [(Decoder, "decode", "pipeline"), (Intake, "_arrived", "broker connection")],
)
def test_a_thread_that_stands_still_gets_no_sign_of_life_and_is_told(
    owner: type,
    method: str,
    thread: str,
    broker: Mosquitto,
    site_gateway: SiteGateway,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """It is blocked in the midst of a message: it exists, but does not move."""
    blocked, go_on = threading.Event(), threading.Event()
    work, look = getattr(owner, method), Watch.look
    looks = threading.Semaphore(0)

    def blocking(*arguments: Any) -> Any:
        if any(getattr(a, "payload", a) == b"block" for a in arguments):
            blocked.set()
            go_on.wait(120)
        return work(*arguments)

    def counted(self: Watch) -> Any:
        result = look(self)
        looks.release()
        return result

    def further_looks(count: int) -> None:
        while looks.acquire(blocking=False):
            pass
        for _ in range(count):
            assert looks.acquire(timeout=120)

    monkeypatch.setattr(owner, method, blocking)
    monkeypatch.setattr("gateway.intake._ATTEMPT_S", 1.5)
    monkeypatch.setattr(Watch, "look", counted)
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as hears:
        hears.bind(str(tmp_path / "notify"))
        hears.settimeout(120)
        manager = ServiceManager(str(tmp_path / "notify"), watchdog_s=10.0)
        watch = replace(WATCH, stuck_after_s=0.5)
        configured = settings(broker, thread.replace(" ", "-"), watch)
        with running(configured, tmp_path / "data", manager) as page, ExitStack() as at_last:
            at_last.callback(go_on.set)
            assert hears.recv(4096).startswith(b"READY=1")
            while hears.recv(4096) != b"WATCHDOG=1":
                pass
            site_gateway.publish("sites/quay/ac-1/senml", b"block")
            assert blocked.wait(120)
            until(lambda: page.health("/health/live")[0] == 503)
            _, kinds, says = page.health("/health/live")
            assert "thread-stuck" in kinds
            assert any(f"'{thread}' has stood still" in text for text in says)
            further_looks(2)  # one may have been under way, the other saw it
            _drained(hears)
            further_looks(5)
            assert b"WATCHDOG=1" not in _drained(hears)
            go_on.set()
            until(lambda: page.health("/health/live")[0] == 200)
            while hears.recv(4096) != b"WATCHDOG=1":
                pass


def _drained(hears: socket.socket) -> list[bytes]:
    """All that waits in the socket."""
    found = []
    hears.setblocking(False)
    try:
        while True:
            found.append(hears.recv(4096))
    except BlockingIOError:
        return found
    finally:
        hears.settimeout(120)


def test_records_that_do_not_answer_hold_up_neither_health_nor_signs_of_life(
    broker: Mosquitto, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked, go_on = threading.Event(), threading.Event()

    with running(settings(broker, "hang", WATCH), tmp_path / "data") as page:
        until(lambda: page.health()[0] == 200)
        service = page._service
        with monkeypatch.context() as patched:

            def hangs() -> Any:
                asked.set()
                go_on.wait(120)
                return {}

            patched.setattr(service.records, "alarm_counts", hangs)
            patched.setattr("gateway.watching.watch._OLD_LOOK_S", 0.5)
            assert asked.wait(120)
            until(lambda: page.health()[1] == ["watch"])
            status, _, says = page.health()
            assert status == 503
            assert "the journal or the records do not answer" in says[0]
            assert page.health("/health/live")[0] == 200
            assert page.value("messages_total") is not None  # the last known, with its time
            go_on.set()
        until(lambda: page.health()[0] == 200)


def test_a_port_in_use_is_a_trouble_and_stops_nothing(
    broker: Mosquitto, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        watch = replace(WATCH, port=other.getsockname()[1])
        with running(settings(broker, "taken", watch), tmp_path / "data") as page:
            service = page._service
            assert service.watch.server.port == 0
            (reason,) = service.watch.health().of("in order")
            assert "Address already in use" in reason.says
            until(lambda: reason.says in str(read_status(tmp_path / "data" / "status.json")))
    assert "Address already in use" in caplog.text


def test_a_gateway_that_is_told_not_to_serves_nothing(broker: Mosquitto, tmp_path: Path) -> None:
    watch = replace(WATCH, serve=False)
    with running(settings(broker, "unserved", watch), tmp_path / "data") as page:
        assert page._service.watch.server.port == 0
        assert page._service.watch.health().of("in order") == ()
