"""Forms that a page sends: read once a request, of bounded size, several values of a name kept.

Forms that carry files (RFC 7578) are read by starlette's parser, which keeps large ones on the disk
while they come. What the files are is judged by :mod:`gateway.tickets.attachments`.
"""

from __future__ import annotations

from collections.abc import AsyncGenerator, Iterable, Iterator, Mapping
from typing import Annotated, Final, NamedTuple
from urllib.parse import parse_qsl

from fastapi import Depends, Request
from starlette.datastructures import UploadFile
from starlette.formparsers import MultiPartException, MultiPartParser

from gateway.board.limits import AtOnceLimit, asker
from gateway.board.messages import Message, Messages, Told
from gateway.board.problems import Refused
from gateway.board.visitor import Visitor
from gateway.tickets.attachments import MOST_BYTES

__all__ = ["MOST_FILES", "Form", "FormFields", "SentFile", "form_of", "read_form"]

_LONGEST_BODY: Final = 262_144
_MOST_FIELDS: Final = 2_000
"""A tick and an id for each of as many alarms as a page shows."""

_KIND: Final = "application/x-www-form-urlencoded"
_WITH_FILES: Final = "multipart/form-data"
MOST_FILES: Final = 5
_LONGEST_WITH_FILES: Final = 3 * MOST_BYTES
_FIELDS_BESIDE_FILES: Final = 20
_MESSAGES: Final = Messages()


class SentFile(NamedTuple):
    """A file that came with a form: what its sender calls it, and its bytes."""

    name: str
    content: bytes


class Form(Mapping[str, str]):
    """Fields by name; as a mapping it gives the last value of each, :meth:`all` gives all."""

    def __init__(
        self, fields: Iterable[tuple[str, str]] = (), files: Iterable[SentFile] = ()
    ) -> None:
        """Of names and values in the order in which they were sent, and files."""
        self.files = tuple(files)
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
        if _kind(request) == _WITH_FILES:
            known = await _read_with_files(request)
        else:
            known = await read_form(request, _LONGEST_BODY)
        request.state.form = known
    return known


FormFields = Annotated[Form, Depends(form_of)]
"""Of a route's argument: the request's form."""


async def read_form(request: Request, longest: int) -> Form:
    """The same for a form of up to ``longest`` bytes; to be called once a request."""
    if _kind(request) != _KIND:
        raise Told(_MESSAGES.not_a_form())
    body = b"".join([piece async for piece in _bounded(request, longest, _MESSAGES.too_long())])
    try:
        text = body.decode("utf-8", "replace")
        return Form(parse_qsl(text, keep_blank_values=True, max_num_fields=_MOST_FIELDS))
    except ValueError:
        return Form()


async def _read_with_files(request: Request) -> Form:
    """Files of somebody who is known; a few at once, for whole files are in memory then."""
    visitor: Visitor | None = request.state.visitor
    if visitor is None:
        raise Told(_MESSAGES.not_a_form())
    uploads: AtOnceLimit = request.app.state.uploads
    try:
        with uploads.one_more(asker(visitor)):
            return await _parse(request)
    except Refused as error:
        raise Told(_MESSAGES.files_wait(error.status, error.detail)) from error


async def _parse(request: Request) -> Form:
    too_large = _MESSAGES.files_too_large(_LONGEST_WITH_FILES)
    parser = MultiPartParser(
        request.headers,
        _bounded(request, _LONGEST_WITH_FILES, too_large),
        max_files=MOST_FILES,
        max_fields=_FIELDS_BESIDE_FILES,
    )
    try:
        sent = await parser.parse()
    except (MultiPartException, KeyError) as error:  # KeyError: no boundary is named
        raise Told(_MESSAGES.files_not_read(MOST_FILES)) from error
    try:
        items = sent.multi_items()
        fields = [(name, value) for name, value in items if isinstance(value, str)]
        files = [
            SentFile(value.filename or "", await value.read())
            for _, value in items
            if isinstance(value, UploadFile)
        ]
    finally:
        await sent.close()
    return Form(fields, [file for file in files if file.name or file.content])


async def _bounded(request: Request, longest: int, message: Message) -> AsyncGenerator[bytes, None]:
    """The body as it comes; more than ``longest`` bytes end the request."""
    length = 0
    async for piece in request.stream():
        length += len(piece)
        if length > longest:
            raise Told(message)
        yield piece


def _kind(request: Request) -> str:
    return request.headers.get("content-type", "").partition(";")[0].strip().lower()
