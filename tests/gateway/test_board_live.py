"""How open pages hear of changes, and how many share one answer."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator
from dataclasses import replace

import pytest

import gateway.board.live
from gateway.board.live import Live, Shared
from gateway.records.session import RecordsUnavailable
from gateway.records.summaries import ChangeMark

CALM = ChangeMark((1, 1, 1), 0, 0)


class Marks:
    """What the poller is told; ``asked`` counts how often it asked."""

    def __init__(self) -> None:
        self.mark = CALM
        self.fails = False
        self.asked = 0

    def __call__(self) -> ChangeMark:
        self.asked += 1
        if self.fails:
            msg = "away"
            raise RecordsUnavailable(msg)
        return self.mark


def live(marks: Marks, *, looks_s: float = 0.0, heartbeat_s: float = 30.0) -> Live:
    return Live(marks, poll_s=0.01, looks_s=looks_s, heartbeat_s=heartbeat_s)


async def said(stream: AsyncIterator[str], word: str) -> str:
    """The next message that has the word."""
    async with asyncio.timeout(120):
        async for message in stream:
            if word in message:
                return message
    raise AssertionError(word)


async def polled(marks: Marks) -> None:
    """Until the poller has asked twice more."""
    until = marks.asked + 2
    async with asyncio.timeout(120):
        while marks.asked < until:
            await asyncio.sleep(0.005)


def test_all_who_follow_hear_of_a_change_from_one_poller():
    async def course() -> None:
        marks = Marks()
        board = live(marks)
        streams = [board.follow() for _ in range(50)]
        for stream in streams:
            await said(stream, "hello")
        await polled(marks)
        asked = marks.asked
        marks.mark = ChangeMark((2, 1, 1), 0, 0)
        for stream in streams:
            assert await said(stream, "change") == "event: change\ndata: alarms\n\n"
        assert marks.asked - asked < 50  # not one question a follower
        for stream in streams:
            await stream.aclose()
        assert board.followers == 0

    asyncio.run(course())


def test_readings_are_told_no_more_often_than_allowed():
    async def course() -> None:
        marks = Marks()
        board = live(marks, looks_s=1_000.0)
        stream = board.follow()
        await said(stream, "hello")
        await polled(marks)
        board._looks_s = 0.0
        marks.mark = ChangeMark(CALM.alarms, 1, 0)
        assert "looks" in await said(stream, "change")
        board._looks_s = 1_000.0
        marks.mark = ChangeMark(CALM.alarms, 2, 0)
        await polled(marks)
        marks.mark = ChangeMark(CALM.alarms, 3, 5)
        assert await said(stream, "change") == "event: change\ndata: refused\n\n"
        # What was held back is told once it may be.
        board._looks_s = 0.0
        assert "looks" in await said(stream, "change")

    asyncio.run(course())


def test_records_that_are_away_end_nothing():
    async def course() -> None:
        marks = Marks()
        board = live(marks)
        stream = board.follow()
        await said(stream, "hello")
        await polled(marks)
        marks.fails = True
        await polled(marks)
        marks.fails, marks.mark = False, ChangeMark((9,), 0, 0)
        assert "alarms" in await said(stream, "change")

    asyncio.run(course())


def test_nobody_polls_while_nobody_looks_and_closing_lets_all_go():
    async def course() -> None:
        marks = Marks()
        board = live(marks)
        assert marks.asked == 0
        stream = board.follow()
        await said(stream, "hello")
        await polled(marks)
        board.close()
        assert [message async for message in stream] == []
        assert board._poller is not None
        async with asyncio.timeout(120):
            await board._poller
        late = [message async for message in board.follow()]
        assert late == ["retry: 60000\n\n"]

    asyncio.run(course())


def test_a_connection_is_kept_awake_and_ends_to_be_opened_anew(monkeypatch):
    async def course() -> None:
        marks = Marks()
        board = live(marks, heartbeat_s=0.01)
        stream = board.follow()
        assert await said(stream, "still here") == ": still here\n\n"
        await stream.aclose()
        monkeypatch.setattr(gateway.board.live, "LONGEST_S", 0.0)
        assert len([m async for m in board.follow()]) == 1

    asyncio.run(course())


def test_who_may_look_no_more_is_let_go_at_the_next_poll():
    async def course() -> None:
        marks = Marks()
        board = live(marks)
        allowed = {"Ana": True, "Ben": True}
        asked: list[str] = []

        def may(name: str) -> bool:
            asked.append(name)
            return allowed[name]

        ana, ben = (board.follow(lambda name=name: may(name)) for name in allowed)
        for stream in (ana, ben):
            await said(stream, "hello")
        await polled(marks)
        assert asked == []  # nobody is asked while nothing has changed
        allowed["Ben"] = False
        marks.mark = replace(CALM, people=(1, 0, 0))
        async with asyncio.timeout(120):
            assert [message async for message in ben] == []
        marks.mark = replace(CALM, people=(1, 0, 0), visits=(5, 0, 0))
        assert await said(ana, "change") == "event: change\ndata: visits\n\n"
        assert sorted(set(asked)) == ["Ana", "Ben"]
        await ana.aclose()

    asyncio.run(course())


def test_records_that_are_away_when_somebody_is_looked_up_end_his_stream():
    async def course() -> None:
        marks = Marks()
        board = live(marks)

        def away() -> bool:
            msg = "away"
            raise RecordsUnavailable(msg)

        stream = board.follow(away)
        await said(stream, "hello")
        await polled(marks)
        marks.mark = replace(CALM, people=(1, 0, 0))
        async with asyncio.timeout(120):
            assert [message async for message in stream] == []

    asyncio.run(course())


def test_too_many_are_asked_to_come_later():
    async def course() -> None:
        board = live(Marks())
        board.most_followers = 1
        stream = board.follow()
        await said(stream, "hello")
        assert [m async for m in board.follow()] == ["retry: 60000\n\n"]

    asyncio.run(course())


def test_what_many_ask_for_at_once_is_made_once():
    shared, made = Shared(keep_s=60.0), []
    together = threading.Barrier(8)

    def make() -> str:
        made.append(1)
        return "page"

    def ask() -> None:
        together.wait(60)
        assert shared.get("/", make) == "page"

    threads = [threading.Thread(target=ask) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert len(made) == 1


def test_nothing_is_left_of_what_was_asked_for_once():
    shared = Shared(keep_s=60.0, most=3)

    def fails() -> str:
        msg = "no"
        raise ValueError(msg)

    for k in range(50):
        shared.get(f"/{k}", lambda: "x")
        with pytest.raises(ValueError, match="no"):
            shared.get(f"/fails/{k}", fails)
        shared.forget()
    assert (len(shared._making), len(shared._kept)) == (0, 0)


def test_what_was_made_before_a_change_is_not_kept():
    shared = Shared(keep_s=60.0)

    def make() -> str:
        shared.forget()  # the change comes while it is being made
        return "old"

    assert shared.get("/", make) == "old"
    assert shared.get("/", lambda: "new") == "new"
    assert shared.get("/", lambda: "newer") == "new"
    shared.forget()
    assert shared.get("/", lambda: "newer") == "newer"


def test_an_answer_that_fails_is_not_kept_and_few_are_kept():
    shared = Shared(keep_s=60.0, most=3)

    def fails() -> str:
        msg = "no"
        raise ValueError(msg)

    with pytest.raises(ValueError, match="no"):
        shared.get("/", fails)
    assert shared.get("/", lambda: "yes") == "yes"
    for k in range(10):
        shared.get(f"/{k}", lambda: "x")
    assert len(shared._kept) == 3
