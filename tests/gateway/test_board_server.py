"""The served board: whom it believes where a request comes from, and many visitors at once."""

from __future__ import annotations

import asyncio
import re
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import uvicorn
from board_people import PASSWORD, ROOT, People
from fastapi import APIRouter, FastAPI, Request
from fastapi.responses import StreamingResponse
from support.shown_board import board_of
from support.shown_fleet import ShownFleet, fleet_of

from gateway.board.app import Board, make_app
from gateway.board.connections import Limits, Lobby, needed_files
from gateway.board.doors import peer_of
from gateway.board.paper import Paper
from gateway.board.server import configured, listen


@contextmanager
def served(app: FastAPI, *proxies: str, lobby: Lobby | None = None) -> Iterator[str]:
    """The application by the board's own server, in a thread, on a free port."""
    with listen("127.0.0.1", 0) as listening:
        server = uvicorn.Server(configured(app, proxies, lobby))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
        thread.start()
        try:
            yield f"http://127.0.0.1:{listening.getsockname()[1]}"
        finally:
            server.should_exit = True
            thread.join(120)
            assert not thread.is_alive()


def ask(url: str, **headers: str) -> tuple[int, str]:
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    assert url.startswith("http://127.0.0.1:")
    request = urllib.request.Request(url, headers=named)  # noqa: S310 - as checked
    try:
        with urllib.request.urlopen(request, timeout=120) as answer:  # noqa: S310
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as error:
        with error:
            return error.code, error.read().decode()


def tried(url: str) -> int:
    """The status, 0 where the connection is not taken."""
    try:
        return ask(url)[0]
    except OSError:
        return 0


def test_the_connections_own_address_is_kept_beside_what_a_proxy_says():
    app = FastAPI()

    @app.get("/")
    def who(request: Request) -> list[str]:
        return [peer_of(request), request.client.host if request.client else ""]

    with served(app) as url:
        assert ask(url)[1] == '["127.0.0.1","127.0.0.1"]'
        assert ask(url, X_Forwarded_For="192.0.2.7")[1] == '["127.0.0.1","192.0.2.7"]'
        chain = "10.0.0.5, 127.0.0.1"
        assert ask(url, X_Forwarded_For=f"6.6.6.6, {chain}")[1] == '["127.0.0.1","10.0.0.5"]'
    with served(app, "10.0.0.5") as url:
        # One more proxy of ours before it: the address before that is the visitor's.
        assert ask(url, X_Forwarded_For=f"192.0.2.7, {chain}")[1] == '["127.0.0.1","192.0.2.7"]'


def test_nobody_becomes_a_proxy_by_saying_so(tmp_path):
    """A visitor behind the proxy on this machine claims the other proxy's address as his own."""
    people = People(tmp_path, sign_on_header="X-Signed-On", sign_on_from=("10.0.0.5",))
    with served(people.app, "10.0.0.5") as url:
        for forwarded in ("10.0.0.5", "10.0.0.5, 10.0.0.5"):
            status, _ = ask(
                f"{url}/account", X_Forwarded_For=forwarded, X_Signed_On="rui", Accept="text/plain"
            )
            assert status == 401
    people.records.close()


def test_a_proxy_on_this_machine_is_believed_if_the_setting_says_so(tmp_path):
    people = People(tmp_path, sign_on_header="X-Signed-On", sign_on_from=("127.0.0.1",))
    with served(people.app) as url:
        status, page = ask(f"{url}/account", X_Forwarded_For="192.0.2.7", X_Signed_On="rui")
        assert status == 200
        assert "Rui Prata" in page
    people.records.close()


@pytest.mark.parametrize(
    "host", ["board.example", "attacker.example:8494", "127.0.0.1.example", ""]
)
def test_a_demonstration_lets_in_only_who_asks_for_this_machine(tmp_path, host):
    """Another site may have a name of its own lead here: DNS rebinding."""
    from board_bench import SIGNER
    from starlette.requests import Request as Asked

    from gateway.board.people import DemonstrationDoors

    doors = DemonstrationDoors(SIGNER)

    def asked(host: str, peer: str) -> Asked:
        headers = [(b"host", host.encode())] if host else []
        return Asked({"type": "http", "headers": headers, "client": (peer, 1), "path": "/"})

    assert doors.recognise(asked(host, "127.0.0.1")) is None
    for name in ("127.0.0.1:8494", "localhost:8494", "[::1]:8494", "LOCALHOST"):
        visitor = doors.recognise(asked(name, "127.0.0.1"))
        assert visitor is not None
        assert visitor.is_demo
        assert visitor.form_token
        assert doors.recognise(asked(name, "192.0.2.7")) is None


def test_many_who_sign_in_at_once_each_get_a_visit_of_their_own(tmp_path):
    people = People(tmp_path)
    for i in range(8):
        people.records.accounts.add(
            f"name-{i}", f"Name {i}", people.passwords.hashed(PASSWORD), ["view"], ROOT, 0
        )
    browsers = [people.browser(f"198.51.100.{i}") for i in range(8)]

    async def all_at_once() -> list[object]:
        return await asyncio.gather(
            *(asyncio.to_thread(browser.sign_in, f"name-{i}") for i, browser in enumerate(browsers))
        )

    answers = asyncio.run(all_at_once())
    assert [getattr(a, "status_code", None) for a in answers] == [303] * 8
    for i, browser in enumerate(browsers):
        assert f"Name {i}" in browser.get("/account").text
    keys = {key for browser in browsers for key in browser.cookies().values()}
    assert len(keys) == 16
    people.records.close()


def test_the_server_itself_believes_no_header():
    config = configured(FastAPI())
    assert config.proxy_headers is False
    assert config.access_log is False


# ---------------------------------------------------------------- connections


class Short(Limits):
    """Limits that a test can wait for, and that no hesitation of a busy machine exceeds."""

    request_s = 1.0
    body_s = 2.0
    reading_s = 1.0


def opened(url: str) -> socket.socket:
    host, port = url.removeprefix("http://").split(":")
    made = socket.create_connection((host, int(port)), timeout=120)
    made.settimeout(120)
    return made


def hears(connection: socket.socket) -> bytes:
    """All that comes until the other end closes; that it never does fails by the time limit."""
    heard = b""
    try:
        while piece := connection.recv(65_536):
            heard += piece
    except ConnectionResetError:
        pass
    return heard


HEAD = b"GET / HTTP/1.1\r\nHost: x\r\n"


def test_no_part_of_an_answer_waits_for_the_one_before_to_be_acknowledged():
    """Nagle's algorithm (RFC 896) and delayed acknowledgements (RFC 1122, 4.2.3.2) add up."""
    with listen("127.0.0.1", 0) as listening:
        url = f"http://127.0.0.1:{listening.getsockname()[1]}"
        with opened(url), listening.accept()[0] as taken:
            assert taken.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)


@pytest.mark.parametrize(
    "said",
    [
        b"",
        HEAD,
        HEAD + b"\r\n",  # answered, and nothing after it
        HEAD + b"\r\n" + HEAD,  # answered, and half a request after it
        b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 9\r\n\r\nab",
    ],
)
def test_who_says_nothing_more_is_let_go(said):
    app, lobby = FastAPI(), Lobby(limits=Short)

    @app.api_route("/", methods=["GET", "POST"])
    async def front(request: Request) -> str:
        return (await request.body()).decode() + "here"

    with served(app, lobby=lobby) as url, opened(url) as connection:
        connection.sendall(said)
        heard = hears(connection)
        assert (b"here" in heard) == said.startswith(HEAD + b"\r\n")
        assert ask(url)[0] == 200


def test_a_byte_now_and_then_keeps_no_connection():
    lobby = Lobby(limits=Short)
    with served(FastAPI(), lobby=lobby) as url, opened(url) as connection:
        connection.sendall(HEAD)
        connection.settimeout(0.05)
        assert any(is_closed_after(connection, b"a") for _ in range(400))  # within 20 s


POST = b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: %d\r\n\r\n"


def sent_back() -> FastAPI:
    app = FastAPI()

    @app.post("/")
    async def length(request: Request) -> int:
        return len(await request.body())

    return app


def test_a_photo_over_a_bad_line_has_the_time_that_it_takes():
    """Three times the limit in all, in each of its turns enough."""
    pieces, piece = 18, b"x" * 8_000
    lobby, pace = Lobby(limits=Short), threading.Event()
    with served(sent_back(), lobby=lobby) as url, opened(url) as connection:
        connection.sendall(POST % (pieces * len(piece)))
        for _ in range(pieces):
            pace.wait(Short.body_s / 6)
            connection.sendall(piece)
        assert hears(connection).endswith(b"%d" % (pieces * len(piece)))


def test_a_body_that_trickles_keeps_no_connection():
    lobby = Lobby(limits=Short)
    with served(sent_back(), lobby=lobby) as url, opened(url) as connection:
        connection.sendall(POST % 1_000_000)
        connection.settimeout(0.05)
        assert any(is_closed_after(connection, b"a") for _ in range(400))  # within 20 s


def is_closed_after(connection: socket.socket, said: bytes) -> bool:
    """Whether the other end has closed, or does within the connection's time limit."""
    try:
        connection.sendall(said)
        return connection.recv(10) == b""
    except TimeoutError:
        return False
    except ConnectionError:
        return True


def test_an_answer_that_takes_long_and_a_stream_are_not_cut_off():
    app, lobby = FastAPI(), Lobby(limits=Short)

    @app.get("/")
    async def stream() -> StreamingResponse:
        async def pieces() -> AsyncIterator[str]:
            for k in range(4):
                await asyncio.sleep(Short.request_s)
                yield f"piece {k};"

        return StreamingResponse(pieces())

    with served(app, lobby=lobby) as url:
        assert ask(url) == (200, "piece 0;piece 1;piece 2;piece 3;")


def test_who_takes_nothing_of_an_answer_is_let_go():
    app, lobby = FastAPI(), Lobby(limits=Short)
    ended = threading.Event()

    @app.get("/")
    async def flood() -> StreamingResponse:
        async def pieces() -> AsyncIterator[bytes]:
            try:
                while True:
                    yield b"x" * 1_000_000
                    await asyncio.sleep(0)
            finally:
                ended.set()

        return StreamingResponse(pieces())

    with served(app, lobby=lobby) as url, opened(url) as connection:
        connection.sendall(HEAD + b"\r\n")
        assert ended.wait(120)


def test_nobody_but_a_proxy_holds_more_than_a_share():
    lobby = Lobby(40, ["10.0.0.5"])
    for k in range(10):
        assert lobby.come("192.0.2.7") == "", k
    assert lobby.come("192.0.2.7") == "share"
    assert lobby.come("192.0.2.8") == ""
    # A subscriber has a whole /64 of IPv6: RFC 6177.
    for k in range(10):
        assert lobby.come(f"2001:db8:0:1::{k}") == ""
    assert lobby.come("2001:db8:0:1:ffff::1") == "share"
    for peer in ("10.0.0.5", "127.0.0.1", "::1"):
        for _ in range(11):
            assert lobby.come(peer) == ""
    lobby.go("192.0.2.7")
    assert lobby.come("192.0.2.7") == ""
    while lobby.held < 40 + 64:
        assert lobby.come("127.0.0.1") == ""
    assert lobby.come("127.0.0.1") == "full"
    for peer in list(lobby._held.elements()):
        lobby.go(peer.removesuffix("/64"))
    assert lobby.held == 0


def test_whoever_holds_more_than_his_share_is_told_to_wait(monkeypatch):
    monkeypatch.setattr(Lobby, "_speaks_for_many", lambda *_: False)
    lobby = Lobby(8)
    with served(FastAPI(), lobby=lobby) as url:
        held = [opened(url) for _ in range(2)]
        for one in held:
            one.sendall(HEAD + b"\r\n")
            assert b"404" in one.recv(65_536)
        with opened(url) as more:
            answer = hears(more)
        assert answer.startswith(b"HTTP/1.1 503 ")
        assert b"Close some pages" in answer
        for one in held:
            one.close()
    assert lobby.held == 0


def test_more_idle_connections_than_descriptors_keep_nobody_out(tmp_path):
    """By a process that may have 700 files open, which leaves 124 connections."""
    ended = threading.Event()
    with running(tmp_path, limit=700) as (url, log):
        assert "takes 124 connections" in log.read_text()
        assert "LimitNOFILE=4096" in log.read_text()
        idle = [opened(url) for _ in range(800)]
        deadline = time.monotonic() + 120
        while tried(url) != 404:  # told to wait, or let go, until the idle ones are
            assert time.monotonic() < deadline
            ended.wait(0.1)
        for one in idle:
            one.close()
        assert "Traceback" not in log.read_text()


def test_the_limit_of_open_files_is_raised_where_it_may_be(tmp_path):
    with running(tmp_path, limit=700, hard=4096) as (url, log):
        assert ask(url)[0] == 404
        assert log.read_text() == "WARNING:root:places 1200, files 1776\n"


def test_the_service_unit_allows_as_many_files_as_the_board_needs():
    unit = Path(__file__).parents[2] / "deploy/systemd/basinward-board.service"
    (limit,) = re.findall(r"^LimitNOFILE=(\d+)$", unit.read_text(), re.MULTILINE)
    assert int(limit) >= needed_files()


SERVES = """
import logging, resource, sys
from fastapi import FastAPI
logging.basicConfig(level=logging.WARNING)
from gateway.board.connections import places
from gateway.board.server import listen, serve
soft, hard = int(sys.argv[1]), int(sys.argv[2])
resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
most = places()
if hard > soft:
    files, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    logging.warning("places %d, files %d", most, files)
listening = listen("127.0.0.1", 0)
serve(FastAPI(), listening, lambda: print(listening.getsockname()[1], flush=True), most=most)
"""


@contextmanager
def running(where: Path, limit: int, hard: int = 0) -> Iterator[tuple[str, Path]]:
    """The server in a process of its own with so many descriptors; its address and its log."""
    log = where / "log"
    with log.open("w") as errors:
        process = subprocess.Popen(
            [sys.executable, "-c", SERVES, str(limit), str(hard or limit)], stdout=subprocess.PIPE,
            stderr=errors, text=True, cwd=Path(__file__).parents[2],
        )  # fmt: skip
        try:
            assert process.stdout is not None
            yield f"http://127.0.0.1:{int(process.stdout.readline())}", log
        finally:
            process.terminate()
            process.wait(120)
            process.stdout.close()


def test_an_answer_that_breaks_off_midway_is_seen_to_be_cut(tmp_path):
    """RFC 9112, section 7.1: a chunked body is whole only with its last chunk, of no length."""
    fleet = ShownFleet(tmp_path, fleet_of(1, 1))

    def room(_board: Board, _paper: Paper) -> APIRouter:
        router = APIRouter()

        @router.get("/torn")
        def torn() -> StreamingResponse:
            def pieces() -> Iterator[bytes]:
                yield b"a,b\r\n" * 100
                msg = "the store cannot be reached"
                raise OSError(msg)

            return StreamingResponse(pieces(), media_type="text/csv")

        return router

    app = make_app(board_of(fleet), [room])
    with served(app) as url, opened(url) as connection:
        connection.sendall(b"GET /torn HTTP/1.1\r\nHost: x\r\n\r\n")
        heard = hears(connection)
        assert heard.startswith(b"HTTP/1.1 200")
        assert b"a,b\r\n" in heard
        assert not heard.endswith(b"0\r\n\r\n")
        assert b"x-frame-options: DENY" in heard.replace(b"X-Frame-Options", b"x-frame-options")
    fleet.close()
