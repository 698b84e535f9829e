"""The InfluxDB store beyond the common contract: refusals, outages, secrets, and the line protocol.

Refusals that a real server on hand gives come from it; the others are answered by a few lines of
HTTP server, with the statuses of the InfluxDB 2 API reference.
"""

from __future__ import annotations

import json
import logging
import socket
import threading
import urllib.parse
from collections.abc import Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import numpy as np
import pytest
from influxdb_client import Point
from support.influx import InfluxServer, VictoriaServer
from support.ports import free_port
from support.telemetry import Version1Store, VictoriaStore, batch, settings_for

from gateway.batch import Batch
from gateway.telemetry import StoreError, StoreRefused, StoreUnavailable
from gateway.telemetry.influx import InfluxStore
from gateway.telemetry.lineprotocol import lines
from gateway.telemetry.rows import merged_rows
from rules.signals import N_SIGNALS, SIGNALS

T0 = 1_750_000_200_000
FAR = T0 + 10**10
REGISTER = {0: ("quay", "ac-1"), 1: ("quay", "ac-2")}
TOKEN = "s3cr3t-t0ken=="
ONE = batch((0, T0, {"basin_level": 183.0}))


@dataclass
class Answers:
    """An HTTP server that gives the answers it was told to, and remembers what it was asked."""

    url: str = ""
    plan: list[tuple[int, dict[str, str], str]] = field(default_factory=list)
    asked: list[tuple[str, dict[str, str], str]] = field(default_factory=list)

    def then(self, status: int, body: str = "", **headers: str) -> None:
        """Give this answer next; the last one is given again and again."""
        self.plan.append((status, headers, body))

    def bodies(self) -> list[str]:
        return [body for _, _, body in self.asked]


@pytest.fixture
def answers() -> Iterator[Answers]:
    told = Answers()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"])).decode()
            told.asked.append((self.path, dict(self.headers), body))
            status, headers, text = told.plan.pop(0) if len(told.plan) > 1 else told.plan[0]
            self.send_response(status)
            for name, value in headers.items():
                self.send_header(name.replace("_", "-"), value)
            payload = text.encode() if status != 204 else b""
            self.send_header("Content-Length", str(len(payload)))
            self.end_headers()
            self.wfile.write(payload)

        def log_message(self, *args: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    told.url = f"http://127.0.0.1:{server.server_port}"
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    yield told
    server.shutdown()
    server.server_close()
    thread.join()


@pytest.fixture
def store(answers: Answers) -> Iterator[InfluxStore]:
    store = InfluxStore(settings_for(answers.url + "/", token=TOKEN), REGISTER)
    yield store
    store.close()


def answer(*values: list[object], columns: int = 1, **more: object) -> str:
    series = {"name": "unit", "columns": ["time"] + ["x"] * columns, "values": list(values)}
    return json.dumps({"results": [{"statement_id": 0, "series": [series], **more}]})


# What goes out


def test_writes_are_version_2_writes(store: InfluxStore, answers: Answers) -> None:
    """Path, parameters and Authorization header as the InfluxDB 2 API reference has them."""
    answers.then(204)
    store.write(batch((1, T0, {"conductivity": 1413.0, "basin_level": 183.5})))
    ((path, headers, body),) = answers.asked
    address = urllib.parse.urlsplit(path)
    assert address.path == "/api/v2/write"
    assert urllib.parse.parse_qs(address.query) == {
        "org": ["plant"],
        "bucket": ["telemetry"],
        "precision": ["ms"],
    }
    assert headers["Authorization"] == f"Token {TOKEN}"
    assert body == f"unit,site=quay,unit=ac-2 basin_level=183.5,conductivity=1413.0 {T0}"


def test_reads_are_version_1_queries(store: InfluxStore, answers: Answers) -> None:
    """The bucket is the database, the token is in the header and not in the address."""
    answers.then(200, answer([T0, 1.0]))
    assert len(store.read("quay", "ac-1", ["basin_level"], T0, T0 + 1)) == 1
    ((path, headers, body),) = answers.asked
    where = "WHERE \"site\" = 'quay' AND \"unit\" = 'ac-1'"
    span = f"AND time >= {T0}ms AND time < {T0 + 1}ms"
    expected = " ".join(['SELECT "basin_level" FROM "unit"', where, span])
    assert path == "/query"
    assert headers["Authorization"] == f"Token {TOKEN}"
    assert urllib.parse.parse_qs(body) == {
        "db": ["telemetry"],
        "epoch": ["ms"],
        "q": [expected],
    }


def test_nothing_to_write_is_not_sent(store: InfluxStore, answers: Answers) -> None:
    store.write(batch())
    store.write(batch((0, T0, {})))
    assert answers.asked == []


def test_large_batches_go_in_several_requests(store: InfluxStore, answers: Answers) -> None:
    answers.then(204)
    n = 12_001
    store.write(Batch(np.zeros(n, np.int32), T0 + np.arange(n), np.ones((n, N_SIGNALS))))
    counts = [body.count("\n") + 1 for body in answers.bodies()]
    assert counts == [5000, 5000, 2001]


def test_lines_are_those_of_the_client_library() -> None:
    """The influxdb-client's own Point, an independent writer of the format, gives the same lines.

    Names with the characters that the format escapes, whole and tiny and negative values.
    """
    register = {0: ("a b,c=d", "x\\y"), 1: ('q"uote', "it's")}
    b = batch(
        (1, T0 + 1, {"basin_level": 12.0, "fan_run": 4_294_967_295.0}),
        (0, T0, {"bleed_flow": 1.5e-07, "ambient_temperature": -3.25}),
        (1, T0, {"basin_level": 0.1}),
    )
    rows = merged_rows(b, register)
    points = []
    for i in range(len(rows)):
        site, unit = rows.units[rows.unit[i]]
        point = Point("unit").tag("site", site).tag("unit", unit)
        for k, signal in enumerate(SIGNALS):
            if not np.isnan(rows.values[i, k]):
                point.field(signal.name, float(rows.values[i, k]))
        points.append(point.time(int(rows.time_ms[i]), write_precision="ms").to_line_protocol())

    def parts(line: str) -> tuple[str, dict[str, float], str]:
        head, fields, time_ms = line.rsplit(" ", 2)  # fields and time hold no spaces
        return head, {k: float(v) for k, v in (f.split("=") for f in fields.split(","))}, time_ms

    def by_key(line: str) -> tuple[str, str]:
        head, _, time_ms = line.rsplit(" ", 2)
        return head, time_ms

    ours, theirs = sorted(lines(rows), key=by_key), sorted(points, key=by_key)
    assert list(map(parts, ours)) == list(map(parts, theirs))


@pytest.mark.parametrize("name", ["", "ends\\", "two\nlines", "nul\0"])
def test_names_that_no_line_can_hold_are_refused(name: str) -> None:
    with pytest.raises(StoreRefused, match="Correct the id in the site file"):
        lines(merged_rows(ONE, {0: ("quay", name)}))


# What comes back


@pytest.mark.parametrize(
    ("status", "advice"),
    [
        (400, "Compare the bucket's field types with the signal catalogue"),
        (401, r"Check the token \(token_env or token_file"),
        (403, "Give the token read and write access to the bucket"),
        (404, "Check url, org and bucket"),
        (413, "Raise the limit on request size"),
        (422, "Correct what the server names"),
    ],
)
def test_refusals_say_what_to_do(
    store: InfluxStore, answers: Answers, status: int, advice: str
) -> None:
    """The server's own words, then what to do, then what becomes of the samples."""
    answers.then(status, json.dumps({"code": "some code", "message": "said the server."}))
    for attempt in (
        lambda: store.write(ONE),
        lambda: store.latest("quay", "ac-1"),
    ):
        said = (
            rf"bucket 'telemetry'.*status {status}, said the server\. {advice}.*wait in the journal"
        )
        with pytest.raises(StoreRefused, match=said):
            attempt()


@pytest.mark.parametrize("status", [302, 408, 429, 500, 502, 503, 504])
def test_passing_troubles_are_told_from_refusals(
    store: InfluxStore, answers: Answers, status: int
) -> None:
    """The same batch is taken once the trouble has passed."""
    answers.then(status, "not now")
    answers.then(204)
    with pytest.raises(StoreUnavailable, match=rf"status {status}, not now\. It is tried again"):
        store.write(ONE)
    store.write(ONE)
    assert len(set(answers.bodies())) == 1


def test_the_pause_that_the_server_asks_for_is_handed_on(
    store: InfluxStore, answers: Answers
) -> None:
    """429 and 503 may carry Retry-After, RFC 9110 section 10.2.3; a date in it is not followed."""
    answers.then(429, "", Retry_After="17")
    answers.then(503, "", Retry_After="Fri, 31 Dec 1999 23:59:59 GMT")
    answers.then(503)
    pauses = []
    for _ in range(3):
        with pytest.raises(StoreUnavailable) as caught:
            store.write(ONE)
        pauses.append(caught.value.retry_after_s)
    assert pauses == [17.0, None, None]


def test_requests_found_too_large_are_halved(store: InfluxStore, answers: Answers) -> None:
    """A proxy may allow less than the server: all lines arrive, in smaller requests."""
    answers.then(413, "<html>Request Entity Too Large</html>")
    answers.then(413, "<html>Request Entity Too Large</html>")
    answers.then(204)
    store.write(batch(*((0, T0 + k, {"basin_level": float(k)}) for k in range(8))))
    bodies = [body.split("\n") for body in answers.bodies()]
    assert [len(body) for body in bodies] == [8, 4, 2, 2, 4]
    assert sorted(bodies[2] + bodies[3] + bodies[4]) == sorted(bodies[0])


@pytest.mark.parametrize(
    "body", ["<html>Log in</html>", "[]", "{}", '{"results": 7}', '{"results": [{"series": [1]}]}']
)
def test_an_answer_that_is_none_is_refused(store: InfluxStore, answers: Answers, body: str) -> None:
    """Such as a login page in front of the server."""
    answers.then(200, body)
    with pytest.raises(StoreRefused, match="url leads to InfluxDB itself"):
        store.read("quay", "ac-1", ["basin_level"], 0, FAR)
    with pytest.raises(StoreRefused, match="url leads to InfluxDB itself"):
        store.latest("quay", "ac-1")


def test_an_answer_that_was_cut_off_is_refused(store: InfluxStore, answers: Answers) -> None:
    """Half a chart would be a lie."""
    answers.then(200, answer([T0, 1.0], partial=True))
    with pytest.raises(StoreRefused, match=r"row limit\. Ask for a shorter range"):
        store.read("quay", "ac-1", ["basin_level"], 0, FAR)


@pytest.mark.parametrize("status", [200, 400, 401, 503])
def test_the_token_is_in_no_text(
    store: InfluxStore, answers: Answers, status: int, caplog: pytest.LogCaptureFixture
) -> None:
    """Not even if the server repeats it."""
    caplog.set_level(logging.INFO)  # the client library's own DEBUG lines show server answers
    caplog.set_level(logging.DEBUG, logger="gateway")
    body = json.dumps({"results": [{"error": f"bad Token {TOKEN}"}]})
    answers.then(status, body if status == 200 else f"bad Token {TOKEN}\nreally")
    with pytest.raises(StoreError) as caught:
        store.read("quay", "ac-1", ["basin_level"], 0, FAR)
    said = [str(caught.value), repr(caught.value)]
    if status != 200:
        with pytest.raises(StoreError) as caught:
            store.write(ONE)
        said += [str(caught.value), repr(caught.value.__cause__)]
    assert TOKEN not in "".join(said) + caplog.text
    assert "(token)" in said[0]


# Outages


def test_no_server_is_unavailable() -> None:
    store = InfluxStore(settings_for(f"http://127.0.0.1:{free_port()}"), REGISTER)
    for attempt in (lambda: store.write(ONE), lambda: store.latest("quay", "ac-1")):
        with pytest.raises(StoreUnavailable, match=r"can't be reached .* Check that it runs"):
            attempt()
    store.close()


def test_a_name_that_leads_nowhere_is_unavailable() -> None:
    """RFC 6761 section 6.4: names under .invalid never resolve."""
    store = InfluxStore(settings_for("http://store.invalid:8086"), REGISTER)
    with pytest.raises(StoreUnavailable, match="can't be reached"):
        store.write(ONE)
    store.close()


def test_a_server_that_never_answers_is_unavailable() -> None:
    """It accepts the connection and says nothing: the time limit ends the wait."""
    with socket.create_server(("127.0.0.1", 0)) as silent:
        url = f"http://127.0.0.1:{silent.getsockname()[1]}"
        store = InfluxStore(settings_for(url, timeout_s=0.1), REGISTER)
        for attempt in (lambda: store.write(ONE), lambda: store.latest("quay", "ac-1")):
            with pytest.raises(StoreUnavailable, match=r"can't be reached .*[Tt]imed? ?out"):
                attempt()
        store.close()


def test_something_else_than_tls_is_unavailable(answers: Answers) -> None:
    """https to a server that speaks plain HTTP."""
    answers.then(204)
    store = InfluxStore(settings_for(answers.url.replace("http", "https")), REGISTER)
    with pytest.raises(StoreUnavailable, match="SSL"):
        store.write(ONE)
    store.close()


def test_version_1_server_goes_and_comes_back(tmp_path: Path) -> None:
    """What was written stays, what could not be written is taken afterwards."""
    with InfluxServer(tmp_path / "server") as server:
        server.create_database("telemetry")
        store = Version1Store(settings_for(server.url), REGISTER)
        store.write(ONE)
        server.stop()
        later = batch((0, T0 + 1, {"basin_level": 184.0}))
        with pytest.raises(StoreUnavailable):
            store.write(later)
        with pytest.raises(StoreUnavailable):
            store.read("quay", "ac-1", ["basin_level"], 0, FAR)
        server.start()
        store.write(later)
        series = store.read("quay", "ac-1", ["basin_level"], 0, FAR)
        assert series.values.tolist() == [[183.0], [184.0]]
        store.close()


def test_version_2_write_goes_through_after_an_outage(tmp_path: Path) -> None:
    """The same with the client's own write call, over a connection that died in between."""
    with VictoriaServer(tmp_path / "server") as server:
        store = VictoriaStore(settings_for(server.url), REGISTER, server)
        store.write(ONE)
        server.stop()
        later = batch((0, T0 + 1, {"basin_level": 184.0}))
        with pytest.raises(StoreUnavailable, match="can't be reached"):
            store.write(later)
        server.start()
        store.write(later)
        series = store.read("quay", "ac-1", ["basin_level"], 0, FAR)
        assert series.values.tolist() == [[183.0], [184.0]]
        store.close()


# Refusals of a real server


@pytest.fixture(scope="module")
def influx_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[InfluxServer]:
    with InfluxServer(tmp_path_factory.mktemp("influx")) as server:
        yield server


def test_a_field_of_another_type_is_refused(influx_server: InfluxServer) -> None:
    """Someone wrote text where the catalogue has a number: said, and the rest is written."""
    influx_server.create_database("taken")
    influx_server.post(
        "/write", b'unit,site=quay,unit=ac-1 basin_level="high" 1750000200000000000', db="taken"
    )
    store = Version1Store(settings_for(influx_server.url, bucket="taken"), REGISTER)
    with pytest.raises(
        StoreRefused, match=r"field type conflict.*Compare the bucket's field types"
    ):
        store.write(
            batch(
                (0, T0 + 1, {"basin_level": 1.0}),
                (0, T0 + 1, {"conductivity": 2.0}),
                (1, T0 + 1, {"conductivity": 5.0}),
            )
        )
    assert store.latest("quay", "ac-2") == {"conductivity": (T0 + 1, 5.0)}
    store.close()


def test_samples_past_the_buckets_retention_are_dropped_with_a_warning(
    influx_server: InfluxServer, caplog: pytest.LogCaptureFixture
) -> None:
    """No later attempt could store them, so they must not hold up the journal for ever."""
    influx_server.create_database("short", "1h")
    store = Version1Store(settings_for(influx_server.url, bucket="short"), REGISTER)
    store.write(batch((0, T0 - 10**10, {"basin_level": 1.0})))
    assert "turned samples away" in caplog.text
    assert "points beyond retention policy dropped=1" in caplog.text
    store.close()


def test_a_missing_bucket_is_refused_with_what_to_do(influx_server: InfluxServer) -> None:
    store = Version1Store(settings_for(influx_server.url, bucket="absent"), REGISTER)
    with pytest.raises(StoreRefused, match=r"database not found.*that the bucket exists"):
        store.write(ONE)
    with pytest.raises(StoreRefused, match="refused an InfluxQL query: database not found: absent"):
        store.read("quay", "ac-1", ["basin_level"], 0, FAR)
    store.close()
