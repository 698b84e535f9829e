"""Whether the gateway lives, is ready, and is in order: made of what stands, never by asking.

*Live* is whether its threads move; a restart mends a thread that does not. *Ready* is whether
samples can be taken in, judged and recorded at this moment. *In order* is whether nothing at all
is wrong, the store and the mail included. Each reason says what to do.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from typing import Any

__all__ = ["Health", "Reason", "as_json", "utc"]


@dataclass(frozen=True)
class Reason:
    """One thing that is wrong. ``kind`` is a word for programs, ``says`` a sentence for people.

    ``since`` is UTC, empty where it is not known.
    """

    kind: str
    says: str
    since: str = ""


@dataclass(frozen=True)
class Health:
    """What is wrong, by what it keeps the gateway from."""

    stuck: Sequence[Reason] = ()
    unready: Sequence[Reason] = ()
    other: Sequence[Reason] = ()

    def of(self, aspect: str) -> tuple[Reason, ...]:
        """The reasons against 'live', 'ready' or, for anything else, 'in order'."""
        if aspect == "live":
            return tuple(self.stuck)
        if aspect == "ready":
            return (*self.stuck, *self.unready)
        return (*self.stuck, *self.unready, *self.other)


def as_json(
    health: Health, aspect: str, now_ms: int, about: Mapping[str, Any]
) -> tuple[int, bytes]:
    """The HTTP status (200, or 503 with reasons) and the body. ``about`` is added to it."""
    reasons = health.of(aspect)
    body = {
        "state": "trouble" if reasons else "ok",
        "time": utc(now_ms),
        "reasons": [asdict(r) for r in reasons],
        **about,
    }
    return (503 if reasons else 200), (json.dumps(body, indent=1) + "\n").encode()


def utc(time_ms: int) -> str:
    """ISO 8601, UTC, to the second."""
    at = datetime.fromtimestamp(time_ms / 1000, UTC)
    return at.isoformat(timespec="seconds").replace("+00:00", "Z")
