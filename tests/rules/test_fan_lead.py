"""Fans that take turns without a speed command, and one that is in hand: it leads for ever.

The banks are switched here step by step by a controller that has a list of its fans and starts the
first ones on it, as many as are wanted beside those that run in hand. One list moves on by a fan
each morning at ten, also while they run; another only when all start from rest. 16 days, one
reading in five minutes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray
from side_by_side import Columns, Played, hour_of, play, without_fan_words
from support.fleet import T0_MS, Feed, engine_of

from rules.events import Action, ActionKind, Change, Severity
from rules.faults.fans import FAN_NOT_PROVEN

F = NDArray[np.float64]
STEP_S = 300
DAYS = 16
N = DAYS * 86_400 // STEP_S
HOURS = np.arange(1, N + 1) * STEP_S / 3600.0
HAND_FROM_H, MENDED_H = 8 * 24.0 + 5.0, 15 * 24.0
HAND = 0


def some_cool_nights(fans: int) -> Callable[[float], int]:
    """All of them on a hot afternoon, none in the small hours of cool days, to and fro between."""

    def wanted(hour: float) -> int:
        share = 0.55 + 0.5 * np.sin(2.0 * np.pi * (hour / 24.0 - 0.4))
        share += 0.2 * np.sin(2.0 * np.pi * hour / 61.0) + 0.2 * np.sin(2.0 * np.pi * hour / 0.7)
        return int(np.clip(round(fans * share), 0, fans))

    return wanted


def then_mild(hour: float) -> int:
    """From when one fan is in hand no more than one is ever wanted."""
    return min(some_cool_nights(2)(hour), 1 if hour > HAND_FROM_H else 2)


def mild_later(hour: float) -> int:
    """The same three days later: the other fan has come and gone until then."""
    return min(some_cool_nights(2)(hour), 1 if hour > HAND_FROM_H + 72.0 else 2)


def then_hot(hour: float) -> int:
    """From the ninth day on one is wanted always, and the other by day."""
    return max(some_cool_nights(2)(hour), 1 if hour > HAND_FROM_H else 0)


@dataclass(frozen=True)
class Bank:
    fans: int
    wanted: Callable[[float], int]
    in_hand: bool = False
    at_starts: bool = False
    """The list moves on when all start from rest, and at no other time."""

    def proofs(self) -> F:
        words, first, rested = np.zeros(N), 0, True
        for i, hour in enumerate(HOURS.tolist()):
            need = self.wanted(hour)
            if self.at_starts and need and rested:
                first += 1
            rested = need == 0
            lead = first if self.at_starts else int((hour + 14.0) // 24.0)
            hand = self.in_hand and HAND_FROM_H < hour <= MENDED_H
            running = {HAND} if hand else set()
            for k in range(self.fans):
                if len(running) < need:
                    running.add((lead + k) % self.fans)
            words[i] = sum(1 << fan for fan in running)
        return words


BANKS = {
    "two": Bank(2, some_cool_nights(2)),
    "four": Bank(4, some_cool_nights(4)),
    "two, a hot week": Bank(2, then_hot),
    "two by starts, a hot week": Bank(2, then_hot, at_starts=True),
    "two, in hand": Bank(2, some_cool_nights(2), in_hand=True),
    "four, in hand": Bank(4, some_cool_nights(4), in_hand=True),
    "two, in hand, mild later": Bank(2, mild_later, in_hand=True),
    "two, in hand, mild": Bank(2, then_mild, in_hand=True),
}


@pytest.fixture(scope="module")
def lived() -> Played:
    rng = np.random.default_rng(3)
    scenes: dict[str, Columns] = {
        name: without_fan_words(bank.proofs(), rng) for name, bank in BANKS.items()
    }
    plates = {name: {"fans__count": bank.fans} for name, bank in BANKS.items()}
    return play(scenes, T0_MS + (HOURS * 3_600_000).astype(np.int64), plates)


@pytest.mark.parametrize(
    ("name", "severity"), [("two, in hand", Severity.MEDIUM), ("four, in hand", Severity.LOW)]
)
def test_a_fan_that_leads_for_ever_is_in_hand(lived, name, severity):
    raised, returned = lived.of("fan-not-commanded")[name]
    assert (raised.change, returned.change) == (Change.RAISED, Change.RETURNED)
    assert raised.severity is severity
    assert HAND_FROM_H + 24.0 < hour_of(raised) < HAND_FROM_H + 6 * 24.0
    assert MENDED_H < hour_of(returned) < MENDED_H + 24.0
    evidence = raised.evidence
    assert evidence.summary.startswith(f"Fan 1 of {BANKS[name].fans} does not stop any more")
    assert evidence.causes[0].slug == "hand"
    rest = evidence.readings[1]
    assert rest.measured > 12.0 + 2.0 * rest.high


@pytest.mark.parametrize("name", ["two, in hand", "four, in hand", "two, in hand, mild later"])
def test_the_others_miss_no_turn_beside_it(lived, name):
    """They are not wanted; and when it is mended their waits begin anew."""
    assert lived.of("fan-not-commanded")[name]
    assert lived.of("fan-not-proven")[name] == []


@pytest.mark.parametrize("name", ["two", "four", "two, a hot week", "two by starts, a hot week"])
def test_fans_that_take_turns_are_in_order(lived, name):
    """In a hot week a bank that changes its lead at starts from rest alone does not change it."""
    assert lived.of("fan-not-commanded")[name] == []
    assert lived.of("fan-not-proven")[name] == []


def test_where_the_other_never_runs_both_causes_are_named(lived):
    """A dead fan and one that is not wanted beside a fan in hand look the same then."""
    assert lived.of("fan-not-commanded")["two, in hand, mild"] == []
    raised, *_ = lived.of("fan-not-proven")["two, in hand, mild"]
    evidence = raised.evidence
    assert evidence.summary.startswith("Fan 2 of 2 takes its turn no more")
    assert evidence.summary.endswith(
        "Or fan 1, which never rested, is in hand, and it is not wanted."
    )
    assert {c.slug for c in evidence.causes[:2]} == {"contactor", "hand"}
    assert {c.slug for c in evidence.causes} <= {c.slug for c in FAN_NOT_PROVEN.fault.causes}


def test_after_work_on_the_fans_their_lead_is_learned_anew():
    feed = Feed(engine_of())
    state = feed.engine.state
    for n in range(14 * 12 * 4):
        feed.run(
            300.0, step_s=300.0, fan_speed=None, fan_fault=None, fan_run=float(1 << n // 24 % 4)
        )
    assert state.leads[0] > 0
    feed.engine.act(Action(1, ActionKind.CLEANED, 0, "", feed.now_ms, "R. Marsh", parts=("fans",)))
    assert (state.leads[0], state.lead_longest_bins[0], state.lead_set[0]) == (0, 0.0, 0)
