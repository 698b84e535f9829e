"""The life of the gateway's own alarms: an episode begins, is told once, ends, and that is told.

What was in order for the calm time is over. A condition that comes back within four hours goes on
with its episode, and is told again only after that time, so that a flapping link makes two notices
in half a shift and no storm. Episodes outlive the process in one small file.
"""

from __future__ import annotations

import json
import logging
import threading
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from enum import StrEnum
from pathlib import Path
from typing import Any, Final, NamedTuple

from gateway.watching.conditions import Condition, Finding

__all__ = ["Change", "Episode", "EpisodeBook", "Notice", "Telling"]

log = logging.getLogger(__name__)

REPEAT_MS: Final = 4 * 3_600_000
"""Least time between two notices that the same thing is wrong (as the desk does for tickets)."""


class Telling(StrEnum):
    """What a notice says, or the last one said."""

    NOTHING = "nothing"
    STANDING = "standing"
    OVER = "over"
    PASSED = "passed"
    """Both at once: nothing could be told while it stood."""


@dataclass(frozen=True)
class Episode:
    """One condition from its beginning until it is forgotten.

    Times are UTC, ms since 1970: ``since_ms`` when it began, ``raised_ms`` when it was found beyond
    the limit, ``over_ms`` when it was found in order for good, None while it stands. ``times``
    counts how often it came within the episode. ``told_ms`` is when it was last told to stand.
    """

    slug: str
    since_ms: int
    raised_ms: int
    value: str
    limit: str
    why: str = ""
    times: int = 1
    over_ms: int | None = None
    told: Telling = Telling.NOTHING
    told_ms: int = 0

    @property
    def standing(self) -> bool:
        """Whether it goes on."""
        return self.over_ms is None


class Change(NamedTuple):
    """An episode began (or came back), or ended."""

    episode: Episode
    began: bool


class Notice(NamedTuple):
    """A notice that is due."""

    episode: Episode
    telling: Telling


class EpisodeBook:
    """All episodes, in memory and in a file. Safe to use from several threads."""

    def __init__(self, path: Path | None) -> None:
        """Go on with what the file holds; a file that cannot be read begins anew."""
        self._path = path
        self._lock = threading.Lock()
        self._quiet_s: dict[str, float] = {}
        self._episodes: dict[str, Episode] = {e.slug: e for e in _read(path)}

    @property
    def all(self) -> tuple[Episode, ...]:
        """Every episode that is remembered, those that are over too."""
        with self._lock:
            return tuple(self._episodes.values())

    @property
    def standing(self) -> frozenset[str]:
        """The slugs of the conditions that stand."""
        return frozenset(e.slug for e in self.all if e.standing)

    def look(
        self,
        findings: Iterable[tuple[Condition, Finding | None]],
        now_ms: int,
        elapsed_s: float,
        calm_s: float,
    ) -> list[Change]:
        """Take in what one look found, ``elapsed_s`` after the one before; what changed."""
        changes = []
        looked = list(findings)
        with self._lock:
            for condition, finding in looked:
                change = self._one(condition.slug, finding, now_ms, elapsed_s, calm_s)
                if change is not None:
                    changes.append(change)
            known = {condition.slug for condition, _ in looked}
            forgotten = [
                e.slug
                for e in self._episodes.values()
                if e.slug not in known or _settled(e, now_ms)
            ]
            for slug in forgotten:
                del self._episodes[slug]
            if changes or forgotten:
                self._write()
        return changes

    def due(self, now_ms: int) -> list[Notice]:
        """What is to be told now, in the order in which it began."""
        notices = []
        for episode in self.all:
            telling = _due(episode, now_ms)
            if telling is not None:
                notices.append(Notice(episode, telling))
        return notices

    def told(self, notice: Notice, now_ms: int) -> None:
        """The notice is out, or nobody is to be told."""
        with self._lock:
            present = self._episodes.get(notice.episode.slug)
            if present is None:
                return
            told_ms = now_ms if notice.telling is Telling.STANDING else present.told_ms
            self._episodes[present.slug] = replace(present, told=notice.telling, told_ms=told_ms)
            self._write()

    # -- private ----------------------------------------------------------------------------

    def _one(
        self, slug: str, finding: Finding | None, now_ms: int, elapsed_s: float, calm_s: float
    ) -> Change | None:
        episode = self._episodes.get(slug)
        if finding is None:
            if episode is None or not episode.standing:
                return None
            self._quiet_s[slug] = self._quiet_s.get(slug, 0.0) + elapsed_s
            if self._quiet_s[slug] < calm_s:
                return None
            over_ms = now_ms - int(1000 * self._quiet_s.pop(slug))
            self._episodes[slug] = replace(episode, over_ms=over_ms)
            return Change(self._episodes[slug], began=False)
        self._quiet_s.pop(slug, None)
        value, limit, why, lasted_s = finding
        if episode is not None and episode.standing:
            self._episodes[slug] = replace(episode, value=value, limit=limit, why=why)
            return None
        new = Episode(slug, now_ms - int(1000 * lasted_s), now_ms, value, limit, why)
        if episode is not None and not _settled(episode, now_ms):
            new = replace(new, times=episode.times + 1, told=episode.told, told_ms=episode.told_ms)
        self._episodes[slug] = new
        return Change(new, began=True)

    def _write(self) -> None:
        if self._path is None:
            return
        data = {"episodes": [asdict(e) for e in self._episodes.values()]}
        partial = self._path.with_suffix(".part")
        try:
            partial.write_text(json.dumps(data, indent=1), encoding="utf-8")
            partial.replace(self._path)
        except OSError as error:  # the full disk may be the very thing to tell of
            log.debug("The gateway's own alarms cannot be kept in %s: %s", self._path, error)


def _due(episode: Episode, now_ms: int) -> Telling | None:
    if episode.standing:
        if episode.told is Telling.NOTHING:
            return Telling.STANDING
        again = episode.told is not Telling.STANDING and now_ms - episode.told_ms >= REPEAT_MS
        return Telling.STANDING if again else None
    if episode.told is Telling.STANDING:
        return Telling.OVER
    return Telling.PASSED if episode.told is Telling.NOTHING else None


def _settled(episode: Episode, now_ms: int) -> bool:
    """Over, told, and too long ago for a return to belong to it."""
    if episode.over_ms is None or _due(episode, now_ms) is not None:
        return False
    return abs(now_ms - max(episode.over_ms, episode.told_ms)) >= REPEAT_MS


def _read(path: Path | None) -> list[Episode]:
    if path is None or not path.exists():
        return []
    try:
        data: Mapping[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        return [_episode(e) for e in data["episodes"]]
    except (OSError, ValueError, TypeError, KeyError, AttributeError) as error:
        log.warning(
            "%s cannot be read (%s: %s). The gateway's own alarms begin anew; one that stands may "
            "be told again.", path, type(error).__name__, error,
        )  # fmt: skip
        return []


def _episode(data: Mapping[str, Any]) -> Episode:
    episode = Episode(**data)
    for name in ("since_ms", "raised_ms", "times", "told_ms"):
        if not isinstance(getattr(episode, name), int):
            msg = f"{name} is no whole number"
            raise TypeError(msg)
    if episode.over_ms is not None and not isinstance(episode.over_ms, int):
        msg = "over_ms is no whole number"
        raise TypeError(msg)
    return replace(episode, told=Telling(episode.told))
