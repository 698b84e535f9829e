"""No password and no token comes into a log, a status, a database or an answer of a command.

``basinward run`` at its most talkative meets servers that refuse it and repeat what it sent, then
servers that take it, then servers that go away.
"""

import base64
import contextlib
import json
import os
import signal
import sqlite3
import ssl
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.parse
import urllib.request
import zlib
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from aiosmtpd.smtp import AuthResult
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion
from support.broker import Mosquitto, make_certificates
from support.fleet_files import write_fleet
from support.ports import free_port
from support.senml_site import HEALTHY, PUMP_STANDS, pack
from support.smtp import MailCatcher
from typer.testing import CliRunner

from gateway.cli.app import app
from gateway.config import load

REPOSITORY = Path(__file__).parents[2]
BROKER, MAIL, STORE = "brOker-sEcret-71", "mAil-seCret-83", "stOre-toKen-97=="
RECORDS = "reCords-secRet-61"
SECRETS = {"gateway": BROKER, "watch": MAIL, "": STORE, "keeper": RECORDS}
UNIT = ("quay-cold-store", "ac-1")


def forms(user: str, secret: str) -> Iterator[bytes]:
    """What somebody who has the log could turn back into the secret."""
    for text in (secret, f"\0{user}\0{secret}"):
        yield text.encode()
        yield base64.b64encode(text.encode())
        yield text.encode().hex().encode()
        yield urllib.parse.quote(text, safe="").encode()


def found_in(data: bytes) -> list[str]:
    return [secret for user, secret in SECRETS.items() for form in forms(user, secret)
            if form in data]  # fmt: skip


def test_what_is_looked_for_would_be_found():
    for user, secret in SECRETS.items():
        plain = base64.b64encode(f"\0{user}\0{secret}".encode())
        for text in (secret.encode(), plain, b"%7E" + urllib.parse.quote(secret, safe="").encode()):
            assert secret in found_in(b"AUTH " + text + b" refused")


# ---------------------------------------------------------------- the servers


class Store:
    """A telemetry server that refuses by repeating the token, until told to take it."""

    def __init__(self) -> None:
        self.takes = False
        self.tokens: list[str] = []
        self.written = threading.Event()
        store = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                self.rfile.read(int(self.headers["Content-Length"]))
                header = self.headers["Authorization"]
                store.tokens.append(header)
                body = b""
                if not store.takes:
                    words = f"unauthorized access: {header} of {self.headers}"
                    body = json.dumps({"code": "unauthorized", "message": words}).encode()
                self.send_response(204 if store.takes else 401)
                self.send_header("Content-Length", str(len(body)))
                self.end_headers()
                self.wfile.write(body)
                if store.takes:
                    store.written.set()

            def log_message(self, *_: Any) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self._server.server_port}"
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.05,))

    def __enter__(self) -> "Store":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()


class Mail(MailCatcher):
    """A mail server that refuses a log-on by repeating it, until told to take it."""

    takes = False

    def _authenticator(self, login: tuple[str, str]) -> Any:
        def check(_server: object, _s: object, _e: object, _kind: str, data: Any) -> AuthResult:
            right = (data.login.decode(), data.password.decode()) == login
            self.logins.append(right)
            plain = base64.b64encode(b"\0" + data.login + b"\0" + data.password).decode()
            alone = base64.b64encode(data.password).decode()
            words = f"535 5.7.8 not {data.password.decode()}, not {plain}, not {alone}"
            return AuthResult(success=right and self.takes, handled=False, message=None
                              if right and self.takes else words)  # fmt: skip

        return check


def secured(text: str, broker_port: int, ca_file: Path, token_file: Path) -> str:
    """fleet.toml with log-ons for every server."""
    for old, new in (
        (f"port = {broker_port}\n",
         f'port = {broker_port}\nusername = "gateway"\npassword_env = "MQTT_PASSWORD"\n'),
        ('security = "none"\n',
         f'security = "starttls"\nca_file = "{ca_file}"\nusername = "watch"\n'
         'password_env = "MAIL_PASSWORD"\n'),
        ('org = "plant"\n', f'org = "plant"\ntoken_file = "{token_file}"\n'),
    ):  # fmt: skip
        assert text.count(old) == 1
        text = text.replace(old, new)
    return text.replace('host = "127.0.0.1"', 'host = "localhost"')


class Gateway:
    """``basinward run --log debug``, its log in a file that outlives it."""

    def __init__(self, fleet: Path, data: Path, log: Path) -> None:
        self._log = log
        with log.open("ab") as stream:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "gateway.cli", "run", "--fleet", fleet, "--data", data,
                 "--log", "debug"],
                cwd=REPOSITORY, stdin=subprocess.DEVNULL, stdout=stream, stderr=stream,
                env={**os.environ, "MQTT_PASSWORD": BROKER, "MAIL_PASSWORD": MAIL},
            )  # fmt: skip

    def until(self, words: str, count: int = 1) -> None:
        """Wait until its log has so many lines with these words."""
        pause = threading.Event()
        for _ in range(1200):
            if self._log.read_text().count(words) >= count:
                return
            assert self._process.poll() is None, self._log.read_text()
            pause.wait(0.05)
        raise AssertionError(f"{words!r} was not said:\n{self._log.read_text()}")

    def __enter__(self) -> "Gateway":
        return self

    def __exit__(self, *_: object) -> None:
        self._process.send_signal(signal.SIGTERM)
        try:
            status = self._process.wait(120)
        except subprocess.TimeoutExpired:
            self._process.kill()
            raise
        assert status == 0, self._log.read_text()


def publish(port: int, times_s: list[float], values: dict[str, Any]) -> None:
    client = Client(CallbackAPIVersion.VERSION2)
    client.username_pw_set("quay-cold-store", "its own")
    client.connect("127.0.0.1", port)
    client.loop_start()
    for at_s in times_s:
        client.publish(
            f"sites/{UNIT[0]}/{UNIT[1]}/senml", pack(*UNIT, [at_s], values), qos=1
        ).wait_for_publish(120)
    client.disconnect()
    client.loop_stop()


# ---------------------------------------------------------------- the course


@pytest.fixture(scope="module")
def course(tmp_path_factory):
    """The gateway's life with such servers; what it has left behind."""
    tmp = tmp_path_factory.mktemp("secrets")
    certificates = make_certificates(tmp / "certificates")
    tls = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    tls.load_cert_chain(certificates.server_certificate, certificates.server_key)
    token_file = tmp / "token"
    token_file.write_text(STORE + "\n")
    token_file.chmod(0o600)
    log, data = tmp / "gateway.log", tmp / "data"
    start_s = time.time() - 1800
    users = {"gateway": BROKER, "quay-cold-store": "its own"}
    with Mail(tls=tls, login=("watch", MAIL)) as mail, Store() as store:
        broker = Mosquitto(tmp / "broker", users={**users, "gateway": "another"}).start()
        fleet = write_fleet(
            tmp / "fleet", broker_port=broker.port, mail_port=mail.port, influx_url=store.url,
            watch=f"port = {(watch_port := free_port())}\n",
        )  # fmt: skip
        path = fleet / "fleet.toml"
        path.write_text(secured(path.read_text(), broker.port, certificates.ca_file, token_file))
        try:
            with Gateway(fleet, data, log) as gateway:
                gateway.until("refuses us: not authorized")
                broker.stop()
                port = broker.port
                broker = Mosquitto(tmp / "broker", users=users)
                broker.port = port
                broker.start()
                gateway.until("Connected to the broker")
                publish(port, [start_s + i * 30 for i in range(4)], dict(HEALTHY))
                publish(port, [start_s + i * 30 for i in range(4, 10)], dict(PUMP_STANDS))
                gateway.until("Cannot log in to the mail server")
                gateway.until("status 401")
                watched = answers(watch_port)
            mail.takes = store.takes = True
            with Gateway(fleet, data, log) as gateway:
                gateway.until("Connected to the broker", 2)
                mail.wait_for(1)
                assert store.written.wait(120)
            # Only now: nobody is connected to them any more.
            mail.stop()
            store.__exit__()
            publish(port, [start_s + i * 30 for i in range(40, 56)], dict(HEALTHY))
            with Gateway(fleet, data, log) as gateway:
                gateway.until("can't be reached")
                gateway.until("Cannot connect to the mail server")
                watched += answers(watch_port)
                broker.stop()
                gateway.until("Connection to the broker at")
        finally:
            broker.stop()
            mail.stop()
            if store._thread.is_alive():
                store.__exit__()
    return SimpleNamespace(
        tmp=tmp, fleet=fleet, data=data, log=log, mail=mail, store=store, watched=watched
    )


def answers(port: int) -> list[tuple[str, bytes]]:
    """What the gateway tells of itself: address and answer, whatever its status."""
    found = []
    for address in ("/health", "/health/ready", "/health/live", "/metrics", "/nowhere"):
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}{address}", timeout=120) as answer:
                found.append((address, answer.read()))
        except urllib.error.HTTPError as error:  # 503 is an answer too
            with error:
                found.append((address, error.read()))
    return found


def test_the_servers_have_got_the_secrets(course):
    """Otherwise nothing could have leaked."""
    assert course.mail.logins
    assert all(course.mail.logins)
    assert set(course.store.tokens) == {f"Token {STORE}"}
    assert len(course.mail.received) == 1


def test_the_log_holds_no_secret(course):
    log = course.log.read_text()
    assert "535 5.7.8 not ***, not ***, not ***" in log
    assert "unauthorized access: Token (token) of" in log
    assert found_in(log.encode()) == []


def test_health_and_metrics_hold_no_secret(course):
    told = dict(course.watched)
    assert b"basinward_mail_server_up" in told["/metrics"]
    assert b"mail server" in told["/health"]
    assert [address for address, answer in course.watched if found_in(answer)] == []


def unpacked(value: bytes) -> bytes:
    """The bytes, and whatever is packed in them from any offset on."""
    found = [value]
    at = value.find(b"x")
    while 0 <= at < min(len(value), 200):  # headers are short
        with contextlib.suppress(zlib.error):  # no beginning of packed data
            found.append(zlib.decompressobj().decompress(value[at:]))
        at = value.find(b"x", at + 1)
    return b"\n".join(found)


def left_behind(data: Path) -> Iterator[tuple[str, bytes]]:
    """Everything in the data directory: files as they are, and every value of the databases."""
    for path in sorted(data.rglob("*")):
        if not path.is_file():
            continue
        yield path.name, unpacked(path.read_bytes())
        if path.suffix != ".sqlite":
            continue
        with sqlite3.connect(path) as database:
            tables = database.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
            for (table,) in tables.fetchall():
                for row in database.execute(f'SELECT * FROM "{table}"'):  # noqa: S608 - its own name
                    for value in row:
                        raw = value if isinstance(value, bytes) else str(value).encode()
                        yield f"{path.name}: {table}", unpacked(raw)
        database.close()


def test_journal_records_and_status_hold_no_secret(course):
    names, everything = zip(*left_behind(course.data), strict=True)
    assert {"journal.sqlite", "records.sqlite", "status.json"} <= set(names)
    whole = b"\n".join(everything)
    assert b"pump_current" in whole  # a signal's name: it stands only in packed entries
    assert b"BW-000001" in whole or b"pump-not-running" in whole
    assert [n for n, value in zip(names, everything, strict=True) if found_in(value)] == []


def told(*arguments: str) -> tuple[int, bytes]:
    """Exit status of a command, and all that it says."""
    environ = {"MQTT_PASSWORD": BROKER, "MAIL_PASSWORD": MAIL}
    result = CliRunner().invoke(app, arguments, env=environ)
    return result.exit_code, (result.output + repr(result.exception)).encode()


@pytest.mark.parametrize(
    ("command", "status"),
    [("check", 0), ("broker-access", 0), ("tickets", 0), ("alarms", 0),
     ("arrived", 1)],  # its store is away, and it says so
)  # fmt: skip
def test_no_command_shows_a_secret(course, command, status, tmp_path):
    arguments = [command]
    if command in {"check", "broker-access", "arrived"}:
        arguments += ["--fleet", str(course.fleet)]
    if command in {"tickets", "alarms", "arrived"}:
        arguments += ["--data", str(course.data)]
    if command == "broker-access":
        arguments += ["--out", str(tmp_path / "access")]
    code, said = told(*arguments)
    assert code == status, said
    assert found_in(said) == []


def test_the_settings_do_not_show_their_secrets(course):
    """Whoever logs a whole configuration shows no secret."""
    whole = load(course.fleet, {"MQTT_PASSWORD": BROKER, "MAIL_PASSWORD": MAIL})
    assert whole.store.token == STORE
    assert found_in(repr(whole).encode()) == []


def test_a_fault_in_the_configuration_shows_no_secret(course, tmp_path):
    """A secret written into the file itself, or into an address, is refused without being told."""
    text = (course.fleet / "fleet.toml").read_text()
    for old, new in (
        ('password_env = "MQTT_PASSWORD"', f'password = "{BROKER}"'),
        ('org = "plant"\n', f'org = "plant"\ntoken = "{STORE}"\n'),
        ('url = "http://', f'url = "http://watch:{MAIL}@'),
    ):
        assert old in text
        text = text.replace(old, new)
    fleet = write_fleet(tmp_path / "fleet", broker_port=1, mail_port=2)
    (fleet / "fleet.toml").write_text(text)
    code, said = told("check", "--fleet", str(fleet))
    assert code == 1
    assert said.count(b"error") >= 3
    assert found_in(said) == []


@pytest.mark.parametrize("given", ["in fleet.toml", "as an option", "damaged"])
def test_records_that_cannot_be_reached_show_no_secret(tmp_path, given):
    """Nobody listens there; the error names the place without the password."""
    place = f"127.0.0.1:{free_port()}/records"
    fleet = write_fleet(tmp_path / "fleet", broker_port=1, mail_port=2)
    options = ["--fleet", fleet, "--data", tmp_path / "data", "--log", "debug"]
    if given == "in fleet.toml":
        (tmp_path / "password").write_text(RECORDS)
        with (fleet / "fleet.toml").open("a") as file:
            file.write(
                f'[records]\nurl = "postgresql://{place}"\nusername = "keeper"\n'
                f'password_file = "{tmp_path / "password"}"\n'
            )
    elif given == "as an option":
        options += ["--records", f"postgresql+psycopg://keeper:{RECORDS}@{place}"]
    else:  # a slash in a password must be written %2F; without, it is taken for host and port
        options += ["--records", f"postgresql+psycopg://keeper:{RECORDS}/@{place}"]
    done = subprocess.run(
        [sys.executable, "-m", "gateway.cli", "run", *options], cwd=REPOSITORY, check=False,
        capture_output=True, timeout=120,
    )  # fmt: skip
    assert done.returncode == 1
    assert b"ecords" in done.stderr
    assert b"Traceback" not in done.stderr
    assert found_in(done.stdout + done.stderr) == []
    for path in (tmp_path / "data").rglob("*"):
        assert found_in(path.read_bytes()) == [], path
