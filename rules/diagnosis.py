"""Diagnosis: which cause fits the signs.

Several causes can explain one symptom. For each symptom a table says what each cause does to each
sign: up (+), down (-) or nothing (0); a sign that a cause says nothing of is left out. The signs
seen are compared with each row. A cause that a *deciding* sign contradicts is ruled out, and the
ticket says so, so that nobody looks for it again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from rules.events import Cause

__all__ = ["Sign", "SignatureRow", "rank", "signature_table"]


@dataclass(frozen=True)
class Sign:
    """One thing to look at: ``up``, ``down`` and ``same`` say in words what each value means.

    ``weight`` says how much it counts; a ``deciding`` sign rules a cause out when it contradicts.
    """

    name: str
    up: str
    down: str
    same: str
    weight: float = 1.0
    deciding: bool = False

    def words(self, value: int) -> str:
        """The sign's value in words."""
        return {1: self.up, -1: self.down, 0: self.same}[value]


@dataclass(frozen=True)
class SignatureRow:
    """A cause and what it does to the signs; ``look_at`` says what would decide."""

    slug: str
    title: str
    signs: Mapping[str, int]
    look_at: str


def rank(
    signs: Sequence[Sign], rows: Sequence[SignatureRow], seen: Mapping[str, int | None]
) -> tuple[Cause, ...]:
    """The causes, best first, each with its agreement with the signs seen.

    Parameters
    ----------
    signs, rows
        The symptom's signature table.
    seen
        By sign: +1, -1, 0, or None where the unit has no such reading.

    Returns
    -------
    tuple of Cause
        By agreement: the weighted share of the known signs that fit. Equal ones keep the order of
        the table, in which the commonest cause comes first. Causes ruled out come last.
    """
    by_name = {s.name: s for s in signs}
    causes: list[Cause] = []
    for row in rows:
        fits: list[str] = []
        against: list[str] = []
        for_weight = all_weight = 0.0
        out = False
        for name, expected in row.signs.items():
            sign, value = by_name[name], seen.get(name)
            if value is None:
                continue
            all_weight += sign.weight
            if value == expected:
                for_weight += sign.weight
                fits.append(sign.words(value))
            else:
                against.append(f"{sign.words(value)} (this cause: {sign.words(expected)})")
                out = out or sign.deciding
        agreement = for_weight / all_weight if all_weight else 0.0
        causes.append(
            Cause(
                row.slug,
                row.title,
                round(agreement, 3),
                tuple(fits),
                tuple(against),
                row.look_at,
                out,
            )
        )
    order = sorted(
        range(len(causes)),
        key=lambda i: (causes[i].ruled_out, -causes[i].agreement, i),
    )
    return tuple(causes[i] for i in order)


def signature_table(signs: Sequence[Sign], rows: Sequence[SignatureRow]) -> str:
    """The table as text, for the documentation: causes down, signs across."""
    marks = {1: "+", -1: "-", 0: "0", None: "."}
    width = max(len(r.title) for r in rows)
    head = " " * width + "  " + "  ".join(s.name for s in signs)
    lines = [head]
    for row in rows:
        cells = "  ".join(marks[row.signs.get(s.name)].center(len(s.name)) for s in signs)
        lines.append(f"{row.title:<{width}}  {cells}")
    return "\n".join(lines)
