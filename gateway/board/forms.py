"""Forms that a page sends: read once a request, of bounded size, several values of a name kept."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Annotated, Final
from urllib.parse import parse_qsl

from fastapi import Depends, Request

from gateway.board.messages import Messages, Told

__all__ = ["Form", "FormFields", "form_of", "read_form"]

_LONGEST_BODY: Final = 262_144
_MOST_FIELDS: Final = 2_000
"""A tick and an id for each of as many alarms as a page shows."""

_KIND: Final = "application/x-www-form-urlencoded"
_MESSAGES: Final = Messages()


class Form(Mapping[str, str]):
    """Fields by name; as a mapping it gives the last value of each, :meth:`all` gives all."""

    def __init__(self, fields: Iterable[tuple[str, str]] = ()) -> None:
        """Of names and values in the order in which they were sent."""
        self._values: dict[str, list[str]] = {}
        for name, value in fields:
            self._values.setdefault(name, []).append(value)

    def __getitem__(self, name: str) -> str:
        return self._values[name][-1]

    def __iter__(self) -> Iterator[str]:
        return iter(self._values)

    def __len__(self) -> int:
        return len(self._values)

    def all(self, name: str) -> list[str]:
        """Every value of the name, such as those of ticked boxes."""
        return list(self._values.get(name, ()))


async def form_of(request: Request) -> Form:
    """The request's form; what is no form, or more than a page sends, ends the request."""
    known: Form | None = getattr(request.state, "form", None)
    if known is None:
        known = request.state.form = await read_form(request, _LONGEST_BODY)
    return known


FormFields = Annotated[Form, Depends(form_of)]
"""Of a route's argument: the request's form."""


async def read_form(request: Request, longest: int) -> Form:
    """The same for a form of up to ``longest`` bytes; to be called once a request."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != _KIND:
        raise Told(_MESSAGES.not_a_form())
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > longest:
            raise Told(_MESSAGES.too_long())
    try:
        text = body.decode("utf-8", "replace")
        return Form(parse_qsl(text, keep_blank_values=True, max_num_fields=_MOST_FIELDS))
    except ValueError:
        return Form()
