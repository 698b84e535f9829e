"""The look of every page: the templates, and what all of them are given.

A template finds ``root`` (the way to the board's root, since a proxy may serve it under any path),
``visitor`` (None where nobody is recognised), ``fleet`` and ``versions`` of the static files.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from hashlib import sha256
from pathlib import Path
from typing import Any, Final

from fastapi import Request, Response
from jinja2 import (
    BytecodeCache,
    Environment,
    FileSystemLoader,
    StrictUndefined,
    select_autoescape,
)
from jinja2.bccache import Bucket

from gateway.board.doors import for_programs, root_of
from gateway.board.messages import Message
from gateway.board.problems import challenge, problem
from gateway.tickets.document import clean
from rules.baselines import LEARNED_TITLES

__all__ = ["STATIC", "Paper"]

_HERE: Final = Path(__file__).parent
_NUMBER_AND_UNIT: Final = re.compile(r"(?<=[0-9]) (?=[%°\w])")

STATIC: Final[Mapping[str, str]] = {
    "board.css": "text/css",
    "rooms.css": "text/css",
    "mark.svg": "image/svg+xml",
    "board.js": "text/javascript",
    "trend.js": "text/javascript",
    "uplot.css": "text/css",
    "uplot.js": "text/javascript",
}
"""The files that a browser may fetch, with their media types."""

_FROM_OTHERS: Final = {"uplot.css": "vendor/uPlot.min.css", "uplot.js": "vendor/uPlot.iife.min.js"}
"""Of libraries that are kept here whole, with their licences beside them."""


class _Compiled(BytecodeCache):
    """The code of templates, by file and content, for every paper of this process."""

    def __init__(self) -> None:
        self._code: dict[str, bytes] = {}

    def load_bytecode(self, bucket: Bucket) -> None:
        if bucket.key in self._code:
            bucket.bytecode_from_string(self._code[bucket.key])

    def dump_bytecode(self, bucket: Bucket) -> None:
        self._code[bucket.key] = bucket.bytecode_to_string()


_COMPILED: Final = _Compiled()


class Paper:
    """Makes answers from templates, for one fleet."""

    def __init__(self, fleet: str) -> None:
        """Read the templates and the static files."""
        self.environment = Environment(
            loader=FileSystemLoader(_HERE / "templates"),
            autoescape=select_autoescape(enabled_extensions=("html.j2",)),
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
            bytecode_cache=_COMPILED,
        )
        self.environment.filters["unbroken"] = _unbroken
        self.environment.globals["fleet"] = clean(fleet, 100)
        self.environment.globals["learned_titles"] = LEARNED_TITLES
        self._static = {
            name: (_HERE / "static" / _FROM_OTHERS.get(name, name)).read_bytes() for name in STATIC
        }
        self.environment.globals["versions"] = {
            name: sha256(content).hexdigest()[:12] for name, content in self._static.items()
        }

    def page(
        self,
        request: Request,
        template: str,
        status: int = 200,
        headers: Mapping[str, str] | None = None,
        **values: Any,
    ) -> Response:
        """The template's page with these values."""
        html = self.environment.get_template(template).render(
            root=root_of(request), visitor=getattr(request.state, "visitor", None), **values
        )
        return Response(html, status, headers, media_type="text/html; charset=utf-8")

    def part(self, request: Request, template: str, block: str, **values: Any) -> str:
        """One block of the template's page."""
        made = self.environment.get_template(template)
        given = {
            "root": root_of(request), "visitor": getattr(request.state, "visitor", None), **values,
        }  # fmt: skip
        return "".join(made.blocks[block](made.new_context(given)))

    def told(self, request: Request, message: Message) -> Response:
        """A message's page; for programs the same as a problem document (RFC 9457)."""
        headers = {"Retry-After": str(message.retry_s)} if message.retry_s else {}
        if message.status == 401 or message.scope:  # RFC 9110, section 11.6.1; RFC 6750, section 3
            headers["WWW-Authenticate"] = challenge(request, scope=message.scope)
        if for_programs(request):
            return problem(message.status, f"{message.title}. {' '.join(message.lines)}", headers)
        return self.page(request, "message.html.j2", message.status, headers, message=message)

    def static(self, name: str) -> Response | None:
        """A static file; its address changes with its content, so a browser may keep it."""
        if name not in self._static:
            return None
        lasting = {"Cache-Control": "public, max-age=31536000, immutable"}
        return Response(self._static[name], media_type=STATIC[name], headers=lasting)


def _unbroken(text: str) -> str:
    """The text with no line break between a number and what it counts."""
    return _NUMBER_AND_UNIT.sub("\u00a0", text)
