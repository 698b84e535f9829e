"""The tables of wear: the condition of parts by day, and what cleanings did to it."""

from __future__ import annotations

from typing import Any

from sqlalchemy import BigInteger, ForeignKey, Index
from sqlalchemy.orm import Mapped, mapped_column

from gateway.records.models import Base

__all__ = ["CleaningRecord", "ConditionDayRecord", "ConditionRecord", "DueDateRecord"]


class ConditionRecord(Base):
    """The newest figure of one part, see :class:`rules.condition.PartCondition`."""

    __tablename__ = "conditions"

    unit_row: Mapped[int] = mapped_column(ForeignKey("units.row"), primary_key=True)
    part: Mapped[str] = mapped_column(primary_key=True)
    time_ms: Mapped[int] = mapped_column(BigInteger)
    condition_pct: Mapped[float | None]
    uncertainty_pct: Mapped[float | None]
    raw_pct: Mapped[float | None]
    basis: Mapped[str]
    count: Mapped[int]
    since_ms: Mapped[int] = mapped_column(BigInteger)
    baseline_ms: Mapped[int] = mapped_column(BigInteger)
    said: Mapped[str]
    readings: Mapped[dict[str, Any] | None]


class ConditionDayRecord(Base):
    """One day's figure of one part, where the readings gave one: what trends are drawn from."""

    __tablename__ = "condition_days"

    unit_row: Mapped[int] = mapped_column(ForeignKey("units.row"), primary_key=True)
    part: Mapped[str] = mapped_column(primary_key=True)
    time_ms: Mapped[int] = mapped_column(BigInteger, primary_key=True)
    raw_pct: Mapped[float]
    uncertainty_pct: Mapped[float]
    basis: Mapped[str]
    count: Mapped[int]
    baseline_ms: Mapped[int] = mapped_column(BigInteger)


class DueDateRecord(Base):
    """When one part reaches its limit, see :class:`rules.forecast.DueRange`, as of ``made_ms``.

    ``figure_ms`` and ``cleaned_ms`` are the newest figure and cleaning (0: none) that it rests on.
    """

    __tablename__ = "due_dates"

    unit_row: Mapped[int] = mapped_column(ForeignKey("units.row"), primary_key=True)
    part: Mapped[str] = mapped_column(primary_key=True)
    made_ms: Mapped[int] = mapped_column(BigInteger)
    figure_ms: Mapped[int] = mapped_column(BigInteger)
    cleaned_ms: Mapped[int] = mapped_column(BigInteger)
    verdict: Mapped[str]
    early_ms: Mapped[int | None] = mapped_column(BigInteger)
    likely_ms: Mapped[int | None] = mapped_column(BigInteger)
    late_ms: Mapped[int | None] = mapped_column(BigInteger)
    condition_pct: Mapped[float | None]
    uncertainty_pct: Mapped[float | None]
    per_day_pct: Mapped[float | None]
    count: Mapped[int]
    since_ms: Mapped[int | None] = mapped_column(BigInteger)
    reason: Mapped[str]

    __table_args__ = (Index(None, "verdict", "early_ms"),)


class CleaningRecord(Base):
    """One cleaning of one part, and whether the readings show that it helped.

    The work went on from ``work_from_ms`` to ``cleaned_ms``. ``verdict`` is empty while readings in
    like conditions are awaited, until ``settled_ms``; see :mod:`rules.proof` for the words and for
    ``before`` and ``after``, in ``measure``. ``effect_pct`` with its interval is the gain as a
    share of what the part had lost.
    """

    __tablename__ = "cleanings"

    unit_row: Mapped[int] = mapped_column(ForeignKey("units.row"), primary_key=True)
    part: Mapped[str] = mapped_column(primary_key=True)
    cleaned_ms: Mapped[int] = mapped_column(BigInteger, primary_key=True)
    work_from_ms: Mapped[int] = mapped_column(BigInteger)
    ticket_id: Mapped[int | None] = mapped_column(ForeignKey("tickets.id"))
    by: Mapped[str]
    verdict: Mapped[str]
    settled_ms: Mapped[int | None] = mapped_column(BigInteger)
    looked_ms: Mapped[int | None] = mapped_column(BigInteger)
    confidence_pct: Mapped[float | None]
    effect_pct: Mapped[float | None]
    low_pct: Mapped[float | None]
    high_pct: Mapped[float | None]
    quantity: Mapped[str]
    measure: Mapped[str]
    before: Mapped[float | None]
    after: Mapped[float | None]
    count_before: Mapped[int]
    count_after: Mapped[int]
    said: Mapped[str]

    __table_args__ = (Index(None, "verdict"), Index(None, "cleaned_ms"))
