"""The tables of visits: what is planned and confirmed, what planners wish, and the last plan."""

from __future__ import annotations

from typing import Any

from sqlalchemy import BigInteger, Index
from sqlalchemy.orm import Mapped, mapped_column

from gateway.records.models import Base

__all__ = ["VisitPlanRecord", "VisitRecord", "VisitWishRecord"]


class VisitRecord(Base):
    """One crew's day, see :class:`gateway.records.visit_rows.VisitRow`.

    ``sequence`` counts what the crew was told: -1 before anything was. ``message_id`` is that of
    the first mail, which later ones answer. ``course`` is the day itself, as plain data.
    """

    __tablename__ = "visits"

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    number: Mapped[str] = mapped_column(unique=True)
    state: Mapped[str]
    crew: Mapped[str]
    day: Mapped[str]
    begins_ms: Mapped[int] = mapped_column(BigInteger)
    ends_ms: Mapped[int] = mapped_column(BigInteger)
    sequence: Mapped[int]
    message_id: Mapped[str]
    course: Mapped[dict[str, Any]]
    changed_ms: Mapped[int] = mapped_column(BigInteger)
    changed_by: Mapped[str]
    note: Mapped[str]

    __table_args__ = (Index(None, "state", "day"), Index(None, "changed_ms"))


class VisitWishRecord(Base):
    """What a planner decided, see :class:`rules.visits.wishes.Wish`. Days are ISO dates."""

    __tablename__ = "visit_wishes"

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    kind: Mapped[str]
    needs: Mapped[dict[str, Any]]
    day: Mapped[str]
    until_day: Mapped[str]
    crew: Mapped[str]
    by: Mapped[str]
    note: Mapped[str]
    made_ms: Mapped[int] = mapped_column(BigInteger)
    ended_ms: Mapped[int | None] = mapped_column(BigInteger)
    ended_by: Mapped[str]


class VisitPlanRecord(Base):
    """What the last plan left, and how good it is."""

    __tablename__ = "visit_plans"

    name: Mapped[str] = mapped_column(primary_key=True)
    made_ms: Mapped[int] = mapped_column(BigInteger)
    outcome: Mapped[dict[str, Any]]
