"""A month of the calendar on the wall of a place."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from typing import Final

__all__ = ["Month"]

_NAMES: Final = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September",
    "October", "November", "December",
)  # fmt: skip


@dataclass(frozen=True, order=True)
class Month:
    """One month; it begins and ends by the clock of the zone that is asked for.

    >>> Month.parse("2026-10").after
    Month(year=2026, number=11)
    """

    year: int
    number: int

    @classmethod
    def parse(cls, text: str) -> Month:
        """From '2026-10'; ValueError says what to write."""
        match = re.fullmatch(r"(\d{4})-(\d{2})", text.strip())
        year, number = (int(match[1]), int(match[2])) if match else (0, 0)
        if not (1969 <= year <= 2200 and 1 <= number <= 12):
            msg = f"'{text}' is no month. Write year and month, for instance 2026-10."
            raise ValueError(msg)
        return cls(year, number)

    @classmethod
    def of(cls, time_ms: int, zone: tzinfo) -> Month:
        """The month that a moment is in."""
        local = datetime.fromtimestamp(time_ms / 1000, UTC).astimezone(zone)
        return cls(local.year, local.month)

    def __str__(self) -> str:
        """As '2026-10'."""
        return f"{self.year:04d}-{self.number:02d}"

    @property
    def title(self) -> str:
        """As 'October 2026'."""
        return f"{_NAMES[self.number - 1]} {self.year}"

    @property
    def before(self) -> Month:
        """The month before."""
        return Month(self.year - (self.number == 1), (self.number - 2) % 12 + 1)

    @property
    def after(self) -> Month:
        """The next month."""
        return Month(self.year + (self.number == 12), self.number % 12 + 1)

    def start_ms(self, zone: tzinfo) -> int:
        """Its first moment there, UTC, ms since 1970."""
        first = datetime(self.year, self.number, 1, tzinfo=zone)
        return round(first.astimezone(UTC).timestamp() * 1000)

    def end_ms(self, zone: tzinfo) -> int:
        """The first moment of the next one."""
        return self.after.start_ms(zone)
