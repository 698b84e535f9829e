"""Problem documents (RFC 9457): what a program is told where its request is not done."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from http import HTTPStatus
from typing import Any, Final

from fastapi import Request, Response
from fastapi.responses import JSONResponse

from gateway.tickets.document import clean

__all__ = ["MEDIA_TYPE", "Refused", "challenge", "problem", "unclear"]

MEDIA_TYPE: Final = "application/problem+json"
_MOST_ERRORS: Final = 20
_PHRASES: Final = {413: "Content Too Large", 422: "Unprocessable Content"}
"""As RFC 9110 has them (sections 15.5.14 and 15.5.21); Python 3.11 knows the older ones."""


class Refused(Exception):
    """Ends a program's request with a problem document; ``more`` are members of its own."""

    def __init__(
        self, status: int, detail: str, *, headers: Mapping[str, str] | None = None, **more: Any
    ) -> None:
        super().__init__(detail)
        self.status = status
        self.detail = detail
        self.headers = dict(headers or {})
        self.more = more

    def response(self) -> Response:
        """The document."""
        return problem(self.status, self.detail, self.headers, **self.more)


def problem(
    status: int, detail: str, headers: Mapping[str, str] | None = None, **more: Any
) -> Response:
    """A document of the type 'about:blank': its title is the status's phrase (section 4.2.1)."""
    title = _PHRASES.get(status) or HTTPStatus(status).phrase
    document = {"title": title, "status": status, "detail": detail, **more}
    return JSONResponse(document, status, headers and dict(headers), MEDIA_TYPE)


def unclear(errors: Sequence[Any]) -> Response:
    """What of a request cannot be understood: where and why, without what was sent."""
    found = [
        {
            "where": ".".join(clean(str(part), 60) for part in error.get("loc", ())),
            "what": clean(str(error.get("msg", "")), 300),
        }
        for error in errors[:_MOST_ERRORS]
    ]
    said = "; ".join(f"{one['where']}: {one['what']}" for one in found[:3])
    return problem(422, f"The request cannot be understood. {said}", errors=found)


def challenge(request: Request, *, scope: str = "") -> str:
    """The header WWW-Authenticate of a refusal (RFC 6750, section 3).

    A program that showed nothing is not told what it did wrong; ``scope`` is what it lacks.
    """
    if not request.headers.get("authorization"):
        return 'Bearer realm="basinward"'
    if scope:
        return f'Bearer realm="basinward", error="insufficient_scope", scope="{scope}"'
    return 'Bearer realm="basinward", error="invalid_token"'
