"""What all subjects share: times, pages of a list, the seen state of what is acted on."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from bisect import bisect_right
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime, timedelta
from typing import Annotated, Any, Final, TypeVar

from fastapi import Query
from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    WithJsonSchema,
)

from gateway.board.problems import Refused

__all__ = [
    "After",
    "Ask",
    "Fact",
    "Key",
    "Limit",
    "Moment",
    "Name",
    "Page",
    "Time",
    "at",
    "cursor",
    "cursor_of",
    "etag",
    "keyed",
    "mark_of",
    "ms",
    "page_of",
    "unchanged",
]

MOST: Final = 500
_RFC_3339: Final = re.compile(
    r"\d{4}-\d\d-\d\d[Tt]\d\d:\d\d:\d\d(\.\d{1,9})?([Zz]|[+-]\d\d:\d\d)", re.ASCII
)
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
T = TypeVar("T")


class Fact(BaseModel):
    """What is answered."""

    model_config = ConfigDict(frozen=True, use_attribute_docstrings=True)


class Ask(BaseModel):
    """What is asked for; a member that is not known is refused, not passed over."""

    model_config = ConfigDict(extra="forbid", use_attribute_docstrings=True)


def at(time_ms: float | None) -> datetime | None:
    """A time of the records; None for none, and for one that no calendar has."""
    if time_ms is None:
        return None
    try:
        return _EPOCH + timedelta(milliseconds=time_ms)
    except OverflowError:
        return None


def ms(moment: datetime) -> int:
    """A time as the records keep it: ms since 1970 UTC."""
    return (moment - _EPOCH) // timedelta(milliseconds=1)


def _parsed(value: Any) -> Any:
    if not isinstance(value, str):
        return value
    if not _RFC_3339.fullmatch(value):
        msg = "write the time by RFC 3339 with its offset, such as 2026-03-01T12:00:00Z"
        raise ValueError(msg)
    text = value.upper()
    leap = text[17:19] == "60"  # RFC 3339, section 5.7; no clock here has such a second
    try:
        moment = datetime.fromisoformat(text[:17] + "59" + text[19:] if leap else text)
        return (moment + timedelta(seconds=leap)).astimezone(UTC)
    except (ValueError, OverflowError):
        msg = "there is no such time"
        raise ValueError(msg) from None


def _storable(moment: datetime) -> datetime:
    if not 1970 <= moment.year < 9999:
        msg = "times from 1970 to 9998 can be asked for"
        raise ValueError(msg)
    return moment


Time = Annotated[datetime, Field(description="UTC, by RFC 3339.")]
"""A time in an answer."""

Moment = Annotated[
    datetime,
    BeforeValidator(_parsed),
    AfterValidator(_storable),
    WithJsonSchema({"type": "string", "format": "date-time"}),
]
"""A time in a request (RFC 3339, with any offset)."""

Name = Annotated[str, Query(max_length=64)]
Limit = Annotated[int, Query(ge=1, le=MOST, description="How many at most.")]
After = Annotated[
    str,
    Query(
        max_length=4_000,
        description="Where the list goes on: `next` of the page before, as it was given.",
    ),
]


class Page(Fact):
    """A part of a list."""

    next: str | None = None
    """Give it as `after` to read on; null at the end of the list."""


Key = tuple[int | str, ...]
"""What a list is in order of: no two rows have the same."""


def cursor(*key: int | str) -> str:
    """An opaque mark of where a list goes on: the key of the last row that was given."""
    text = json.dumps(key, separators=(",", ":"), ensure_ascii=False)
    data = text.encode("utf-8", "surrogatepass")
    return base64.urlsafe_b64encode(data).decode().rstrip("=")


def cursor_of(text: str, length: int) -> tuple[int, ...] | None:
    """A mark of whole numbers read back, None for ''; one that was not given here is refused."""
    found = mark_of(text, (int,) * length)
    if found is not None and not all(n >= 0 for n in found if isinstance(n, int)):
        raise _no_mark()
    return found  # type: ignore[return-value]  # all are int, as was asked


def mark_of(text: str, kinds: Sequence[type]) -> Key | None:
    """A mark read back, None for ''; one whose members are of other kinds is refused."""
    if not text:
        return None
    try:
        data = base64.b64decode(text + "=" * (-len(text) % 4), b"-_", validate=True)
        found = json.loads(data.decode("utf-8", "surrogatepass"))
    except (ValueError, UnicodeError, RecursionError):
        raise _no_mark() from None
    if not isinstance(found, list) or [type(part) for part in found] != list(kinds):
        raise _no_mark()
    if any(isinstance(part, int) and not -(2**63) <= part < 2**63 for part in found):
        raise _no_mark()
    return tuple(found)


def _no_mark() -> Refused:
    return Refused(422, "`after` is no mark of this list. Give `next` of the page before.")


def keyed(
    items: Iterable[T], after: str, limit: int, key: Callable[[T], Key], kinds: Sequence[type]
) -> tuple[Sequence[T], str | None]:
    """A page of a whole list in order of ``key``, and the mark of what follows.

    The page begins behind the key of the last row that was given, wherever that row is now: what
    comes, goes or changes its place meanwhile makes no other row be skipped or given twice.
    """
    last = mark_of(after, kinds)
    rows = sorted(items, key=key)
    first = 0 if last is None else bisect_right(rows, last, key=key)
    page = rows[first : first + limit]
    more = first + limit < len(rows)
    return page, cursor(*key(page[-1])) if more else None


def page_of(
    items: Sequence[T], limit: int, key: Callable[[T], tuple[int, ...]]
) -> tuple[Sequence[T], str | None]:
    """A page of ``items``, of which one more than ``limit`` was read where there are more."""
    if len(items) <= limit:
        return items, None
    return items[:limit], cursor(*key(items[limit - 1]))


def etag(seen: str) -> str:
    """A strong entity tag (RFC 9110, section 8.8.3) of what a reader has seen."""
    return f'"{hashlib.sha256(seen.encode("utf-8", "replace")).hexdigest()[:32]}"'


def unchanged(shown: str | None, seen: str) -> None:
    """Refuse to act on what is not what the caller has seen (RFC 9110, section 13.1.1)."""
    if shown is None or not shown.strip():
        raise Refused(
            428,  # RFC 6585, section 3
            "Say by the header If-Match what you have seen: the ETag of a GET. Nothing was "
            "changed.",
        )
    if etag(seen) not in {one.strip() for one in shown.split(",")}:
        raise Refused(
            412,
            "It has changed since you read it. Nothing was changed by this. Read it again, look "
            "at what is new, then decide.",
        )
