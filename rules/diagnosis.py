"""Diagnosis: which cause fits the signs.

Several causes can explain one symptom. For each symptom a table says what each cause does to each
sign: up (+), down (-) or nothing (0); a sign that a cause says nothing of is left out. The signs
seen are compared with each row. A cause that a *deciding* sign contradicts is ruled out, and the
ticket says so, so that nobody looks for it again.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from rules.events import Cause

__all__ = [
    "MARKS",
    "Sign",
    "SignatureRow",
    "SignatureTable",
    "heading",
    "legend",
    "rank",
    "signature_table",
]


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


@dataclass(frozen=True)
class SignatureTable:
    """The table of a symptom: signs across, causes down, the commonest cause first.

    ``when`` says which case it is for, where a fault has several.
    """

    signs: tuple[Sign, ...]
    rows: tuple[SignatureRow, ...]
    when: str = ""


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


MARKS: Final[Mapping[int | None, str]] = {1: "+", -1: "-", 0: "0", None: ""}
"""Up, down, nothing, and a sign that the cause says nothing of."""


def heading(sign: Sign) -> str:
    """The sign's name as a column has it: a star where it decides."""
    return f"{sign.name}*" if sign.deciding else sign.name


def legend(sign: Sign) -> tuple[tuple[str, str], ...]:
    """Mark and meaning of each value that the sign can take."""
    return tuple((MARKS[v], sign.words(v)) for v in (1, -1, 0) if sign.words(v))


LEAST_TITLE: Final = 20
"""Columns that the titles of causes have at least, to be read when they are wrapped."""


def signature_table(table: SignatureTable, *, width: int = 80) -> str:
    """The table as text: causes down, signs across, and below what the marks mean.

    Parameters
    ----------
    table
        What to print.
    width
        Columns of the terminal: long titles of causes are wrapped.

    Returns
    -------
    str
        Lines without a last line break. ``+`` is up, ``-`` down, ``0`` unchanged, blank a sign that
        the cause says nothing of; ``*`` at a sign's name: it rules out causes that it contradicts.
    """
    heads = [heading(s) for s in table.signs]
    gap = "  "
    if LEAST_TITLE + sum(len(gap + h) for h in heads) > width:
        gap = " "  # many signs stand closer together
    taken = sum(len(gap + h) for h in heads)
    room = max(LEAST_TITLE, min(width - taken, max(len(r.title) for r in table.rows)))
    lines = [(" " * room + "".join(gap + h for h in heads)).rstrip()]
    for row in table.rows:
        first, *rest = textwrap.wrap(
            row.title, room, subsequent_indent="  ", break_on_hyphens=False
        )
        cells = (
            f"{gap}{MARKS[row.signs.get(s.name)]:^{len(h)}}"
            for s, h in zip(table.signs, heads, strict=True)
        )
        lines += [f"{first:<{room}}{''.join(cells)}".rstrip(), *rest]
    lines.append("")
    for sign, head in zip(table.signs, heads, strict=True):
        # A mark stays on the line of its first word.
        words = "; ".join(f"{mark}\N{NO-BREAK SPACE}{text}" for mark, text in legend(sign))
        lines += textwrap.wrap(
            f"{head}: {words}", width, subsequent_indent="  ", break_on_hyphens=False
        )
    return "\n".join(lines).replace("\N{NO-BREAK SPACE}", " ")
