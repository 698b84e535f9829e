"""What a planner has decided by hand: pins, moves, splits and refusals, and what they rule out.

A wish holds until somebody ends it. Of two pins or moves of the same need the later one counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from rules.visits.problem import Problem

__all__ = ["Limits", "Wish", "WishKind", "limits_of"]


class WishKind(StrEnum):
    """What a planner can wish."""

    PIN = "pin"
    """These needs on the day and by the crew that the plan gave them."""
    MOVE = "move"
    """These needs on another day, or by another crew."""
    SPLIT = "split"
    """These needs not in the same visit as those they were planned with."""
    REFUSE = "refuse"
    """These needs not on these days."""


@dataclass(frozen=True)
class Wish:
    """One wish. ``number`` is the records'; ``by`` and ``note`` say whose it is and why.

    ``day`` is the wanted day of a pin or move, or the first of a refusal that ends with
    ``until_day``. ``crew`` may be empty: any. ``apart`` are the needs that a split parts from.
    """

    number: int
    kind: WishKind
    needs: frozenset[str]
    by: str
    day: int | None = None
    until_day: int | None = None
    crew: str = ""
    apart: frozenset[str] = frozenset()
    note: str = ""

    @property
    def named(self) -> str:
        """The wish in a few words, for a sentence."""
        return f"wish {self.number} ({self.kind.value}, by {self.by})"


@dataclass
class Limits:
    """What wishes leave open. ``day`` and ``crew`` by need; ``closed`` days by need."""

    day: dict[str, Wish] = field(default_factory=dict)
    closed: dict[str, list[Wish]] = field(default_factory=dict)
    apart: list[Wish] = field(default_factory=list)
    unknown: list[str] = field(default_factory=list)

    def allows(self, need: str, day: int, crew: str) -> bool:
        """Whether the need may be done then, by them."""
        wish = self.day.get(need)
        if wish is not None and (wish.day not in {None, day} or wish.crew not in {"", crew}):
            return False
        return not any(_covers(other, day) for other in self.closed.get(need, ()))

    def parts(self, needs: frozenset[str]) -> bool:
        """Whether some of these may not be done together."""
        return any(wish.needs & needs and wish.apart & needs for wish in self.apart)


def limits_of(problem: Problem, wishes: Sequence[Wish]) -> Limits:
    """The wishes, oldest first, as limits; those that name what does not exist are told."""
    limits = Limits()
    known = {need.key for need in problem.needs}
    crews = {crew.id for crew in problem.crews}
    for wish in wishes:
        here = wish.needs & known
        if not here:
            continue  # done meanwhile, or not due any more
        if wish.crew and wish.crew not in crews:
            limits.unknown.append(f"{_capital(wish.named)} names crew '{wish.crew}', who is gone.")
            continue
        if wish.kind is WishKind.SPLIT:
            limits.apart.append(wish)
        elif wish.kind is WishKind.REFUSE:
            for key in here:
                limits.closed.setdefault(key, []).append(wish)
        else:
            if wish.day is not None and not 0 <= wish.day < problem.day_count:
                limits.unknown.append(
                    f"{_capital(wish.named)} wants a day outside the plan's {problem.day_count} "
                    "days, so it is not kept now."
                )
                continue
            for key in here:
                limits.day[key] = wish
    return limits


def _covers(wish: Wish, day: int) -> bool:
    first = 0 if wish.day is None else wish.day
    last = day if wish.until_day is None else wish.until_day
    return first <= day <= last


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
