"""The served board: whom it believes where a request comes from, and many visitors at once."""

from __future__ import annotations

import asyncio
import threading
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
import uvicorn
from board_people import PASSWORD, ROOT, People
from fastapi import FastAPI, Request

from gateway.board.doors import peer_of
from gateway.board.server import configured, listen


@contextmanager
def served(app: FastAPI, *proxies: str) -> Iterator[str]:
    """The application by the board's own server, in a thread, on a free port."""
    with listen("127.0.0.1", 0) as listening:
        server = uvicorn.Server(configured(app, proxies))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
        thread.start()
        try:
            yield f"http://127.0.0.1:{listening.getsockname()[1]}"
        finally:
            server.should_exit = True
            thread.join(30)
            assert not thread.is_alive()


def ask(url: str, **headers: str) -> tuple[int, str]:
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    assert url.startswith("http://127.0.0.1:")
    request = urllib.request.Request(url, headers=named)  # noqa: S310 - as checked
    try:
        with urllib.request.urlopen(request, timeout=30) as answer:  # noqa: S310
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as error:
        with error:
            return error.code, error.read().decode()


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
