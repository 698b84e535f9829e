"""Banks of fans without a speed command that a controller of the tests' own switches step by step.

Those that take turns start the fan that has stood longest and stop the one that has run longest
(common practice). Those that have a lead start the first fans of a list, as many as are wanted
beside those that run in hand: one list moves on by a fan each morning at ten, also while they run,
another only when all start from rest. Those that one contact switches run 40 minutes of 70, through
the hot hours of one day, and not at all in one night. All of them, and what else is seen of fans
each few minutes, are one fleet over twelve days, mostly with a reading in five minutes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from lives import Life, live
from numpy.typing import NDArray
from side_by_side import without_fan_words
from support.fleet import HEALTHY, T0_MS, row_of_values

from rules.engine import Engine
from rules.events import ActionKind
from rules.fan_gang import starts_as_one
from rules.fan_rounds import takes_turns

F = NDArray[np.float64]
STEP_S = 300
DAYS = 12
N = DAYS * 86_400 // STEP_S
HOURS = np.arange(1, N + 1) * STEP_S / 3600.0
FANS = 4
ILL_FROM_H, MENDED_H = 6 * 24.0 + 5.0, 11 * 24.0
"""Of banks that take turns or have a lead."""
GANG_ILL_FROM_H, GANG_MENDED_H = 7 * 24.0, 9 * 24.0


# ---------------------------------------------------------------- oldest first


LOST = 2


def asked(hour: float, mild: bool) -> int:
    """Fans that the weather asks for: one by night, four on most afternoons; three when mild."""
    day = 2.4 + 1.7 * np.sin(2.0 * np.pi * (hour / 24.0 - 0.4)) + 0.6 * np.sin(2.0 * np.pi * hour)
    return int(np.clip(round(day), 0, 3 if mild else FANS))


def rotating(ill: bool) -> Callable[[float, list[int], list[int]], None]:
    """Moves fans between those that stand and those that run, oldest first."""

    def turn(hour: float, standing: list[int], running: list[int]) -> None:
        def works(fan: int) -> bool:
            return not (ill and fan == LOST and ILL_FROM_H < hour <= MENDED_H)

        need = asked(hour, mild=False)
        while sum(map(works, running)) < need and standing:
            running.append(standing.pop(0))
        while sum(map(works, running)) > need and running:
            standing.append(running.pop(0))

    return turn


def in_order(hour: float, standing: list[int], running: list[int]) -> None:
    """Always the first fans; after a week the mild weather asks for no more than three."""
    need = asked(hour, mild=hour > 7 * 24.0)
    running[:] = range(need)
    standing[:] = range(need, FANS)


def turns(turn: Callable[[float, list[int], list[int]], None], ill: bool) -> F:
    standing, running = list(range(FANS)), []
    words = np.zeros(N)
    for i, hour in enumerate(HOURS.tolist()):
        turn(hour, standing, running)
        dead = ill and ILL_FROM_H < hour <= MENDED_H
        words[i] = sum(1 << fan for fan in running if not (dead and fan == LOST))
    return words


# ---------------------------------------------------------------- by a list


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
    return min(some_cool_nights(2)(hour), 1 if hour > ILL_FROM_H else 2)


def mild_later(hour: float) -> int:
    """The same three days later: the other fan has come and gone until then."""
    return min(some_cool_nights(2)(hour), 1 if hour > ILL_FROM_H + 72.0 else 2)


def then_hot(hour: float) -> int:
    """From the seventh day on one is wanted always, and the other by day."""
    return max(some_cool_nights(2)(hour), 1 if hour > ILL_FROM_H else 0)


def then_warm(hour: float) -> int:
    """As ever of five; in the seventh night all, then none, and three of them from then on."""
    before = hour - ILL_FROM_H
    return (
        some_cool_nights(5)(hour)
        if before <= 0.0
        else 5
        if before <= 2.0
        else (0 if before <= 3.0 else 3)
    )


def then_three(hour: float) -> int:
    """As ever, and from the seventh day on always three of them."""
    return some_cool_nights(FANS)(hour) if hour <= ILL_FROM_H else 3


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
            hand = self.in_hand and ILL_FROM_H < hour <= MENDED_H
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
    "five by starts, a warm week": Bank(5, then_warm, at_starts=True),
    "four by starts, one dead": Bank(FANS, then_three, at_starts=True),
    "two, in hand": Bank(2, some_cool_nights(2), in_hand=True),
    "four, in hand": Bank(4, some_cool_nights(4), in_hand=True),
    "two, in hand, mild later": Bank(2, mild_later, in_hand=True),
    "two, in hand, mild": Bank(2, then_mild, in_hand=True),
}


# ---------------------------------------------------------------- as one


EVERYONE, GANG_HAND = 0b1111, 0b0010


def called() -> F:
    """1 where the bank is asked for."""
    on = (np.arange(N) % 14 < 8).astype(np.float64)
    on[(HOURS > 4 * 24.0 + 8.0) & (HOURS < 4 * 24.0 + 22.0)] = 1.0
    on[(HOURS > 5 * 24.0) & (HOURS < 5 * 24.0 + 6.0)] = 0.0
    return on


def gangs() -> dict[str, F]:
    as_one = called() * EVERYONE
    there = (HOURS > GANG_ILL_FROM_H) & (HOURS <= GANG_MENDED_H)
    in_hand = np.where(there, np.where(as_one > 0, EVERYONE, GANG_HAND), as_one)
    # A start takes a while: the first picture of one in three shows half of the fans.
    slow = as_one.copy()
    slow[1 + np.flatnonzero((as_one[1:] > 0) & (as_one[:-1] == 0))[::3]] = 0b0011
    # Through two hot days it stops for moments only: a start halfway is all that is seen of them.
    caught = np.where(there, np.where(np.arange(N) % 14 > 0, EVERYONE, 0b0011), as_one)
    # The second one starts some minutes after the first, and both stop; then it gets warmer.
    stepwise = np.array([0, 0b0011, 0b1111])[np.arange(N) % 3].astype(np.float64)
    warmer = np.array([0b0011, 0b1111])[np.arange(N) % 2]
    stepwise = np.where(there, warmer, stepwise)
    # By day the bank runs through, and one fan trips and comes back; by night all stop.
    hour = HOURS % 24.0
    tripping = np.where(there & (hour > 8.0) & (hour < 19.0), EVERYONE, as_one)
    tripping[there & (hour > 8.0) & (hour < 19.0) & (np.arange(N) % 12 < 4)] = 0b1101
    # One fan stands from the same hour on; and all start again when it is mended.
    dead = np.where(there & (as_one > 0), EVERYONE & ~GANG_HAND, as_one)
    lead = np.array([0b0001, 0b0011, 0b0111, 0b1111, 0b0111, 0b0011])[np.arange(N) // 6 % 6]
    staged = np.where(HOURS < 5 * 24.0, np.where(hour < 6.0, 0, lead), lead).astype(np.float64)
    return {
        "as one": as_one, "gang, one in hand": in_hand, "slow starts": slow, "tripping": tripping,
        "caught at starts": caught.astype(np.float64), "staged": staged,
        "gang, one dead": dead, "stepwise": stepwise,
    }  # fmt: skip


# ---------------------------------------------------------------- other lives


NO_WORDS = {"step_s": 300.0, "fan_speed": None, "fan_fault": None}


def one_by_one(**frame: float | None) -> Life:
    """One fan after the other for two hours, for more than two days."""
    life = Life()
    for n in range(14 * 12 * 4):
        life.run(300.0, fan_run=float(1 << n // 24 % 4), **(NO_WORDS | frame))
    life.mark("learned")
    return life


def worked_on_in_turns() -> Life:
    """It takes turns and has leads; then somebody works on the fans."""
    life = one_by_one()
    life.known = []

    def look(engine: Engine, row: int) -> None:
        state, rows = engine.state, np.array([row])
        leads = (state.leads[row], state.lead_longest_bins[row], state.lead_set[row])
        life.known.append((bool(takes_turns(state, rows, np.array([FANS]))[0]), leads))

    life.then(look)
    life.act(ActionKind.CLEANED, parts=("fans",))
    life.then(look)
    return life


def shelved() -> Life:
    """The part is on order and the alarm shelved: the wait for it is no habit."""
    life = one_by_one(fan_fault=0.0)
    life.known = []

    def look(engine: Engine, row: int) -> None:
        state = engine.state
        life.known.append((float(state.round_longest_bins[row]), int(state.round_set[row])))

    life.then(look)
    alone = NO_WORDS | {"fan_fault": 0.0}
    life.run(24 * 3600.0, fan_run=float(0b1011), **alone)
    life.mark("shelved")
    life.act(ActionKind.SHELVE, "fan-not-proven", life.now_ms + 5 * 86_400_000)
    life.run(24 * 3600.0, fan_run=float(0b1011), **alone)
    life.run(3600.0, fan_run=float(0b0100), **alone)
    life.then(look)
    return life


def commanded_zero() -> Life:
    """Controllers send points that nobody wired as 0."""
    life = one_by_one(fan_speed=0.0, fan_fault=0.0)
    life.run(24 * 3600.0, step_s=300.0, fan_speed=0.0, fan_run=float(0b1011))
    return life


def switched_as_one() -> Life:
    """40 minutes of 70, for four days."""
    life = Life()
    for n in range(4 * 288):
        life.run(300.0, fan_run=15.0 * (n % 14 < 8), **NO_WORDS)
    life.known = []

    def look(engine: Engine, row: int) -> None:
        life.known.append(bool(starts_as_one(engine.state, np.array([row]))[0]))

    life.look = look
    life.then(look)
    return life


def worked_on_as_one() -> Life:
    life = switched_as_one()
    life.act(ActionKind.CLEANED, parts=("fans",))
    life.then(life.look)
    return life


def staged_from_now_on() -> Life:
    """A controller was set anew: the lead fan runs on, but not always the same ones with it."""
    life = switched_as_one()
    for n in range(3 * 288):
        part = (0b0001, 0b0011, 0b0111, 0b1111)[n // 6 % 4]
        life.run(300.0, fan_run=float(part), **NO_WORDS)
    life.then(life.look)
    return life


def caught(head_kpa: float, in_a_row: int) -> Life:
    """Read each five minutes, of a controller that starts all fans as often; then they are gone."""
    life = Life()
    bank = {"step_s": 300.0, "fan_speed": 30.0, "head_pressure": head_kpa}
    for i in range(12 * 48):
        life.run(300.0, **bank, fan_run=0.0 if i % 9 < in_a_row else 15.0)
    life.mark("gone")
    life.run(2400.0, **bank, fan_run=0.0)
    return life


def gone(step_s: float, head_kpa: float) -> Life:
    """A bank that runs, and then does not."""
    life = Life()
    life.run(3600.0, step_s=step_s)
    life.mark("gone")
    life.run(900.0, step_s=step_s, fan_speed=100.0, fan_run=0.0, head_pressure=head_kpa)
    return life


def in_two_records() -> Life:
    """The water in a record of its own, at the same instant."""
    life = Life()
    water = {name: HEALTHY[name] for name in ("basin_level", "conductivity")}
    bank = {**HEALTHY, "fan_speed": 30.0, "head_pressure": 1000.0}
    for i in range(12 * 24):
        life.now_ms += 300_000
        fans = {name: value for name, value in bank.items() if name not in water}
        fans["fan_run"] = 0.0 if i % 9 < 4 else 15.0
        for record in (fans, water):
            life.send(0, life.now_ms, row_of_values(record))
    return life


def read_at_starts() -> Life:
    """A controller that stops and starts all fans: a command before its proof, one time in two."""
    life = Life()
    for i in range(30 * 24):
        life.run(120.0, step_s=120.0, fan_speed=30.0, head_pressure=1000.0,
                 fan_run=0.0 if i % 2 else 15.0)  # fmt: skip
    return life


def drops_out() -> Life:
    """As one, for 100 s of each ten minutes."""
    life = Life()
    life.run(3600.0, step_s=20.0)
    for _ in range(40):
        life.run(100.0, step_s=20.0, fan_speed=100.0, fan_run=0.0)
        life.run(500.0, step_s=20.0, fan_speed=100.0)
    return life


@cache
def fan_lives() -> dict[str, Life]:
    """What became of all of them."""
    words = {
        "in turns": turns(rotating(ill=False), ill=False),
        "in turns, one fails": turns(rotating(ill=True), ill=True),
        "in a fixed order": turns(in_order, ill=False),
        **{name: bank.proofs() for name, bank in BANKS.items()},
        **gangs(),
    }
    time_ms = T0_MS + (HOURS * 3_600_000).astype(np.int64)
    rng = np.random.default_rng(3)
    lives = {
        name: Life.sending(
            without_fan_words(proofs, rng), time_ms,
            fans__count=BANKS[name].fans if name in BANKS else FANS,
        )
        for name, proofs in words.items()
    }  # fmt: skip
    lives |= {
        "worked on, in turns": worked_on_in_turns(),
        "shelved": shelved(),
        "commanded zero": commanded_zero(),
        "switched as one": switched_as_one(),
        "worked on, as one": worked_on_as_one(),
        "staged from now on": staged_from_now_on(),
        "caught, head unknown": caught(float("nan"), 2),
        "caught, ample margin": caught(1000.0, 4),
        "gone, each 10 s": gone(10.0, 1000.0),
        "gone, each minute": gone(60.0, 1000.0),
        "gone, near the cut-out": gone(300.0, 1650.0),
        "in two records": in_two_records(),
        "read at starts": read_at_starts(),
        "drops out": drops_out(),
    }
    live(lives.values())
    return lives
