"""The life of the gateway's own alarms: told once, over once, no storm, and across restarts."""

from __future__ import annotations

import json
import logging
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.watching.conditions import CONDITIONS, Condition, Finding
from gateway.watching.episodes import REPEAT_MS, EpisodeBook, Telling

BROKER = next(c for c in CONDITIONS if c.slug == "broker-away")
STORE = next(c for c in CONDITIONS if c.slug == "store-behind")
AWAY = Finding("away for 5 min", "5 min", "Cannot reach it.", 300.0)
START_MS = 1_760_000_000_000
CALM_S = 300.0


class Course:
    """A book, and a clock that goes on by ten seconds a look."""

    def __init__(self, path: Path | None = None, at_ms: int = START_MS) -> None:
        self.path = path
        self.book = EpisodeBook(path)
        self.now_ms = at_ms
        self.told: list[tuple[int, str, Telling]] = []

    def look(self, finding: Finding | None, condition: Condition = BROKER, looks: int = 1) -> None:
        others = [(c, None) for c in CONDITIONS if c is not condition]
        for _ in range(looks):
            self.now_ms += 10_000
            self.book.look([(condition, finding), *others], self.now_ms, 10.0, CALM_S)

    def tell(self) -> list[Telling]:
        """Tell all that is due, as a working mail server lets one."""
        due = self.book.due(self.now_ms)
        for notice in due:
            self.book.told(notice, self.now_ms)
            self.told.append((self.now_ms, notice.episode.slug, notice.telling))
        return [n.telling for n in due]

    def anew(self) -> None:
        """The process ends and is started again."""
        self.book = EpisodeBook(self.path)


def test_it_is_told_once_while_it_stands_and_once_when_it_is_over() -> None:
    course = Course()
    course.look(AWAY)
    assert course.tell() == [Telling.STANDING]
    course.look(AWAY, looks=50)
    assert course.tell() == []
    course.look(None, looks=29)  # 290 s
    assert course.tell() == []
    course.look(None)
    assert course.tell() == [Telling.OVER]
    course.look(None, looks=100)
    assert course.tell() == []


def test_it_began_when_it_began_and_was_over_when_it_ended() -> None:
    course = Course()
    course.look(AWAY)
    (episode,) = course.book.all
    assert episode.since_ms == course.now_ms - 300_000
    ended_ms = course.now_ms
    course.look(None, looks=30)
    (episode,) = course.book.all
    assert episode.over_ms == ended_ms


def test_a_short_calm_is_no_end() -> None:
    course = Course()
    for _ in range(5):
        course.look(AWAY)
        course.look(None, looks=29)
    assert course.tell() == [Telling.STANDING]
    (episode,) = course.book.all
    assert episode.times == 1


def test_what_could_not_be_told_is_told_at_last_in_one_notice() -> None:
    course = Course()
    course.look(AWAY)
    course.look(None, looks=30)
    assert course.tell() == [Telling.PASSED]
    assert course.tell() == []


def test_what_flaps_makes_two_notices_in_four_hours_and_is_told_when_it_stays() -> None:
    course = Course()
    for _ in range(20):
        course.look(AWAY)
        course.tell()
        course.look(None, looks=30)
        course.tell()
    assert [t for _, _, t in course.told] == [Telling.STANDING, Telling.OVER]
    (episode,) = course.book.all
    assert episode.times == 20
    course.look(AWAY, looks=REPEAT_MS // 10_000)
    assert course.tell() == [Telling.STANDING]


def test_it_is_forgotten_when_it_has_been_over_for_long() -> None:
    course = Course()
    course.look(AWAY)
    course.tell()
    course.look(None, looks=30 + REPEAT_MS // 10_000)
    assert course.tell() == [Telling.OVER]  # told late, so it is remembered from here on
    course.look(None, looks=1 + REPEAT_MS // 10_000)
    assert course.book.all == ()


def test_two_conditions_are_two_episodes() -> None:
    course = Course()
    course.book.look([(BROKER, AWAY), (STORE, AWAY)], START_MS, 10.0, CALM_S)
    assert course.book.standing == {"broker-away", "store-behind"}
    assert len(course.book.due(START_MS)) == 2


def test_a_restart_neither_repeats_nor_forgets(tmp_path: Path) -> None:
    course = Course(tmp_path / "watch.json")
    course.look(AWAY)
    course.tell()
    course.anew()
    assert course.book.standing == {"broker-away"}
    course.look(AWAY, looks=3)
    assert course.tell() == []
    course.anew()
    course.look(None, looks=30)
    assert course.tell() == [Telling.OVER]
    course.anew()
    course.look(None)
    assert course.tell() == []


@pytest.mark.parametrize(
    "text",
    ["", "[]", '{"episodes": 3}', '{"episodes": [{"slug": "broker-away"}]}', "\0",
     '{"episodes": [{"slug": 1, "since_ms": "x", "raised_ms": 0, "value": "", "limit": ""}]}'],
)  # fmt: skip
def test_a_file_that_cannot_be_read_is_told_and_begins_anew(
    text: str, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / "watch.json").write_text(text)
    with caplog.at_level(logging.WARNING):
        course = Course(tmp_path / "watch.json")
    assert course.book.all == ()
    assert "begin anew" in caplog.text
    course.look(AWAY)
    assert json.loads((tmp_path / "watch.json").read_text())["episodes"][0]["slug"] == "broker-away"


def test_an_episode_of_a_condition_that_is_no_more_is_dropped(tmp_path: Path) -> None:
    course = Course(tmp_path / "watch.json")
    course.look(AWAY)
    text = (tmp_path / "watch.json").read_text().replace("broker-away", "gone-with-a-version")
    (tmp_path / "watch.json").write_text(text)
    course.anew()
    course.look(None)
    assert course.book.all == ()


def test_a_disk_that_takes_no_file_keeps_nothing_from_being_told(tmp_path: Path) -> None:
    course = Course(tmp_path / "no such directory" / "watch.json")
    course.look(AWAY)
    assert course.tell() == [Telling.STANDING]


@given(st.lists(st.tuples(st.booleans(), st.integers(1, 120)), max_size=60), st.data())
def test_whatever_comes_and_goes_there_is_no_storm_and_no_lie(
    course_of: list[tuple[bool, int]], data: st.DataObject
) -> None:
    """At most one notice that it stands in four hours, each followed by at most one end."""
    course = Course()
    for away, looks in course_of:
        course.look(AWAY if away else None, looks=looks)
        if data.draw(st.booleans()):  # the mail server works at times only
            course.tell()
    tellings = [t for _, _, t in course.told]
    for before, after in pairwise(tellings):
        assert not (before is after is Telling.STANDING)
        assert after is not Telling.OVER or before is Telling.STANDING
    stood_ms = [at for at, _, t in course.told if t is Telling.STANDING]
    assert all(b - a >= REPEAT_MS for a, b in pairwise(stood_ms))
    course.look(None, looks=31)
    course.tell()
    assert not course.book.standing
    if course.told:
        assert course.told[-1][2] in (Telling.OVER, Telling.PASSED)
