"""The small HTTP server: what it answers, and that no client can hold it or the gateway up."""

from __future__ import annotations

import logging
import socket
import threading
from collections.abc import Iterator
from contextlib import closing
from http.client import HTTPConnection, HTTPResponse

import pytest
from support.ports import free_port

from gateway.watching.server import Answer, Page, WatchServer


def _defect(_accept: str) -> Answer:
    msg = "a defect in a page"
    raise RuntimeError(msg)


def _echo(accept: str) -> Answer:
    return Answer(503, "text/plain; charset=utf-8", f"accept {accept}".encode())


PAGES: dict[str, Page] = {"/echo": _echo, "/defect": _defect}
CLIENT_S = 0.4


@pytest.fixture(scope="module")
def server() -> Iterator[WatchServer]:
    server = WatchServer("127.0.0.1", 0, PAGES, client_s=CLIENT_S)
    assert server.start()
    yield server
    server.stop()


def ask(server: WatchServer, path: str, method: str = "GET", **headers: str) -> HTTPResponse:
    connection = HTTPConnection("127.0.0.1", server.port, timeout=120)
    connection.request(method, path, headers=headers)
    return connection.getresponse()


def connected(server: WatchServer) -> socket.socket:
    return socket.create_connection(("127.0.0.1", server.port), timeout=120)


def until_closed(client: socket.socket) -> bytes:
    """All that comes until the server closes, or cuts, the connection."""
    data = b""
    try:
        while piece := client.recv(65536):
            data += piece
    except ConnectionResetError:
        pass
    return data


def test_a_page_gets_what_the_client_accepts_and_its_status_is_sent(server: WatchServer) -> None:
    response = ask(server, "/echo?x=1", Accept="text/plain")
    assert response.status == 503
    assert response.getheader("Content-Type") == "text/plain; charset=utf-8"
    assert response.getheader("Cache-Control") == "no-store"
    body = response.read()
    assert body == b"accept text/plain"
    assert response.getheader("Content-Length") == str(len(body))


def test_head_has_the_headers_and_no_body(server: WatchServer) -> None:
    response = ask(server, "/echo", "HEAD")
    assert response.status == 503
    assert response.getheader("Content-Length") == str(len("accept "))
    assert response.read() == b""


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "OPTIONS", "NONSENSE"])
def test_other_methods_are_refused_with_what_is_allowed(server: WatchServer, method: str) -> None:
    """RFC 9110, section 15.5.6: a 405 names the methods that are allowed."""
    response = ask(server, "/echo", method)
    assert response.status == 405
    assert response.getheader("Allow") == "GET, HEAD"


def test_an_unknown_path_is_told_what_there_is(server: WatchServer) -> None:
    response = ask(server, "/nothing")
    assert response.status == 404
    assert response.read() == b"Try /echo, /defect.\n"


def test_a_page_with_a_defect_is_logged_and_others_go_on(
    server: WatchServer, caplog: pytest.LogCaptureFixture
) -> None:
    assert ask(server, "/defect").status == 500
    assert "a defect in a page" in caplog.text
    assert ask(server, "/echo").status == 503


@pytest.mark.parametrize(
    "garbage",
    [b"\x16\x03\x01\x02\x00\x01\xfc", b"GET\r\n\r\n", b"GET / HTTP/9.9\r\n\r\n", b"\0" * 20_000,
     b"GET /echo HTTP/1.1\r\n" + b"A: b\r\n" * 200 + b"\r\n",
     b"GET /" + b"x" * 30_000 + b" HTTP/1.1\r\n\r\n"],
    ids=["tls", "short", "version", "zeros", "headers", "long"],
)  # fmt: skip
def test_garbage_is_refused_or_dropped_and_others_are_served(
    server: WatchServer, garbage: bytes
) -> None:
    with closing(connected(server)) as client:
        client.sendall(garbage)
        assert b"200" not in until_closed(client)[:20]
    assert ask(server, "/echo").status == 503


def test_clients_that_never_ask_are_left_and_others_are_served(server: WatchServer) -> None:
    """All places are taken by clients that send one byte; they are cut off, and there is room."""
    slow = [connected(server) for _ in range(8)]
    for client in slow:
        client.sendall(b"G")
    assert [until_closed(client) for client in slow] == [b""] * 8
    for client in slow:
        client.close()
    assert ask(server, "/echo").status == 503


def test_a_client_that_never_reads_is_left() -> None:
    """The answer is larger than what the kernel buffers, so the server would wait for ever."""
    began = threading.Event()

    def huge(_accept: str) -> Answer:
        began.set()
        return Answer(200, "text/plain", b"x" * 20_000_000)

    server = WatchServer("127.0.0.1", 0, {**PAGES, "/huge": huge}, client_s=CLIENT_S)
    assert server.start()
    try:
        with closing(connected(server)) as client:
            client.sendall(b"GET /huge HTTP/1.1\r\n\r\n")
            assert began.wait(120)
            for thread in threading.enumerate():
                if "process_request_thread" in thread.name:
                    thread.join(120)
                    assert not thread.is_alive()
            assert len(until_closed(client)) < 20_000_000
        assert ask(server, "/echo").status == 503
    finally:
        server.stop()


def test_beyond_some_at_once_connections_are_closed_unanswered() -> None:
    going_on, may_end = threading.Semaphore(0), threading.Event()

    def waits(_accept: str) -> Answer:
        going_on.release()
        may_end.wait(120)
        return Answer(200, "text/plain", b"done")

    server = WatchServer("127.0.0.1", 0, {"/waits": waits}, client_s=30)
    assert server.start()
    clients = [connected(server) for _ in range(8)]
    try:
        for client in clients:
            client.sendall(b"GET /waits HTTP/1.0\r\n\r\n")
        for _ in clients:
            assert going_on.acquire(timeout=120)
        with closing(connected(server)) as ninth:
            assert until_closed(ninth) == b""
        may_end.set()
        assert [until_closed(c)[-4:] for c in clients] == [b"done"] * 8
    finally:
        may_end.set()
        for client in clients:
            client.close()
        server.stop()


def test_a_port_in_use_is_said_once_and_taken_when_it_is_free(
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.INFO)
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        server = WatchServer("127.0.0.1", port, PAGES)
        assert not server.start()
        assert not server.start()
        assert [r.levelname for r in caplog.records] == ["WARNING"]
        assert f"cannot be served at 127.0.0.1:{port}: Address already in use" in server.why
        assert "under [watch]" in server.why
    assert server.start()
    assert server.why == ""
    assert ask(server, "/echo").status == 503
    server.stop()
    server.stop()


def test_an_address_that_is_not_this_machines_is_said() -> None:
    server = WatchServer("192.0.2.1", free_port(), PAGES)  # RFC 5737: nobody's
    assert not server.start()
    assert "192.0.2.1" in server.why
