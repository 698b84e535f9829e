"""A report as plain data, before it is laid out: facts, sections, tables, pictures, sentences.

One page of words and figures serves mail, HTML and PDF, so that none says what another does not.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

__all__ = ["GRADES", "REMINDER", "Block", "Fact", "Next", "Picture", "Report", "Section", "Table"]

GRADES: Final = {"now": "Now", "soon": "Soon", "plan": "Plan"}
REMINDER: Final = (
    "This list reminds; it does not authorise work and holds no instructions for any. Before "
    "anybody works on a machine: the ticket's own sheet, which begins with the isolation points, "
    "and the site's energy-control procedure. A remote stop is not isolation."
)


@dataclass(frozen=True)
class Fact:
    """A figure that stands for the month, with what it is and what it is compared with."""

    figure: str
    about: str
    beside: str = ""


@dataclass(frozen=True)
class Next:
    """Something to do, and why it stands where it stands in the list."""

    what: str
    why: str
    place: str
    grade: Literal["now", "soon", "plan"]


@dataclass(frozen=True)
class Picture:
    """A PNG with its description, and its size in pixels."""

    name: str
    png: bytes
    alt: str
    width: int
    height: int


@dataclass(frozen=True)
class Table:
    """Rows under a head; ``right`` are the columns of figures, ``widths`` relative widths."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    widths: tuple[int, ...]
    right: frozenset[int] = frozenset()
    total: bool = False
    """The last row sums up those above it."""


@dataclass(frozen=True)
class Block:
    """One part of a section: a sentence, a picture, a table or a list, in this order."""

    text: str = ""
    picture: Picture | None = None
    table: Table | None = None
    items: tuple[str, ...] = ()


@dataclass(frozen=True)
class Section:
    """A part of the report under a title."""

    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class Report:
    """The report of a month. ``made_ms`` is UTC, ms since 1970."""

    scope: str
    """'fleet' or 'site ID'."""
    period: str
    place: str
    month_title: str
    made_ms: int
    made: str
    time_zone: str
    page: Literal["A4", "Letter"]
    facts: tuple[Fact, ...]
    summary: tuple[str, ...]
    next_steps: tuple[Next, ...]
    sections: tuple[Section, ...]

    @property
    def title(self) -> str:
        """As 'Quay Cold Store, October 2026'."""
        return f"{self.place}, {self.month_title}"

    @property
    def pictures(self) -> tuple[Picture, ...]:
        """All pictures, in order."""
        blocks = (block for section in self.sections for block in section.blocks)
        return tuple(block.picture for block in blocks if block.picture is not None)
