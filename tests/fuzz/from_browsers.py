"""What browsers and other clients send to the board: links, addresses, query strings, forms."""

from __future__ import annotations

import asyncio
import tempfile
import zlib
from functools import cache
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote, unquote

from gateway.board.links import Act, BadLink, ExpiredLink, Signer

__all__ = ["link", "request"]

_KEY: Final = bytes(range(100, 132))
_NOW_MS: Final = 1_772_357_400_000
_SIGNER: Final = Signer(_KEY, "records-1")
_GIVEN: Final = _SIGNER.sign(Act.ACKNOWLEDGE, "BW-000123", 4, _NOW_MS, 72)
_OLD: Final = _SIGNER.sign(Act.ACKNOWLEDGE, "BW-000124", 4, _NOW_MS - 10**9, 72)
_PLAIN: Final = bytes(range(0x21, 0x7F)).decode()


def link(data: bytes) -> None:
    """A link's last part: only what was signed is read, and what it says is what was signed."""
    text = data.decode("utf-8", "replace")
    try:
        found = _SIGNER.read(text, Act.ACKNOWLEDGE, _NOW_MS)
    except ExpiredLink:
        assert text == _OLD
    except BadLink:
        assert text not in (_GIVEN, _OLD)
    else:
        assert text == _GIVEN
        assert (found.ticket, found.event_seq) == ("BW-000123", 4)
    assert not _SIGNER.is_form_seal(text, _GIVEN, "standing")


@cache
def _bench() -> tuple[Any, Any]:
    """One board for all inputs, with a ticket that waits for its acknowledgement."""
    from tests.gateway.board_bench import Bench

    folder = tempfile.mkdtemp(prefix="fuzz-board-")
    bench = Bench(Path(folder))
    return bench, bench.client.app


def request(data: bytes) -> None:
    """First line: an address. The rest, if any, is a form that is sent there.

    No answer is a failure of the server, every answer is text, and nothing is done for somebody who
    has not seen the page of a link.
    """
    bench, app = _bench()
    line, _, body = data.partition(b"\n")
    # A server takes an address in ASCII only; the others would be percent-encoded by any client.
    target = quote(line.replace(b"LINK", bench.link.encode()), safe=_PLAIN).partition("#")[0]
    raw, _, query = ("/" + target.lstrip("/")).partition("?")
    # From ever other places: one that guesses links is soon heard no more.
    place = ".".join(map(str, (10, *zlib.crc32(data).to_bytes(4)[:3])))
    scope = {
        "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "scheme": "https",
        "method": "POST" if body else "GET", "path": unquote(raw), "raw_path": raw.encode(),
        "query_string": query.encode(), "root_path": "", "client": (place, 50_000),
        "server": ("board.example", 443),
        "headers": [
            (b"host", b"board.example"), (b"content-type", b"application/x-www-form-urlencoded"),
        ],
    }  # fmt: skip
    said: list[dict[str, Any]] = []
    given = iter([{"type": "http.request", "body": body, "more_body": False}])

    async def receive() -> dict[str, Any]:
        return next(given, {"type": "http.disconnect"})

    async def send(message: dict[str, Any]) -> None:
        said.append(message)

    asyncio.run(app(scope, receive, send))
    assert said[0]["status"] < 500, said
    kinds = dict(said[0]["headers"])
    answer = b"".join(m.get("body", b"") for m in said[1:])
    if b"text/html" in kinds.get(b"content-type", b""):
        answer.decode()
        assert b"<script" not in answer.lower().replace(b"<script src=", b"")
    assert bench.records.pending_actions() == []
