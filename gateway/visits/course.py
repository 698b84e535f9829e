"""The course of a visit as plain data: where a crew goes, when, what it does there and why.

It is decided when the plan is made and kept in the records, so that what a crew was told can be
shown later. Times are UTC, ms since 1970.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

__all__ = ["Course", "CourseJob", "CourseStop", "Left", "Outcome"]


@dataclass(frozen=True)
class CourseJob:
    """One job at one unit (``unit`` '' for the panel of the site's gateway).

    ``key`` is the need's. ``job`` is the job plan's slug, ``why`` says why it is due; the date
    range is None where an open ticket asks for the job. ``read_from_ms`` and ``read_to_ms`` are the
    first and newest daily figures that the range rests on.
    """

    key: str
    unit: str
    part: str
    job: str
    hours: float
    dry_pads: bool
    tickets: tuple[str, ...]
    why: str
    early_ms: int | None = None
    likely_ms: int | None = None
    late_ms: int | None = None
    read_from_ms: int | None = None
    read_to_ms: int | None = None


@dataclass(frozen=True)
class CourseStop:
    """A site of the day. ``why`` is the plan's sentence.

    ``wet_off_ms`` is when wet running must have stopped, so that the pads are dry; None where no
    pads are touched. ``is_hot`` tells that the units want their wet pads in the afternoon.
    """

    site: str
    begins_ms: int
    ends_ms: int
    drive_h: float
    why: str
    is_hot: bool
    wet_off_ms: int | None
    jobs: tuple[CourseJob, ...]


@dataclass(frozen=True)
class Course:
    """The whole day. ``why`` says why these sites make one, '' where there is one."""

    crew_name: str
    leaves_ms: int
    home_ms: int
    drive_h: float
    cost_h: float
    why: str
    stops: tuple[CourseStop, ...]

    @property
    def needs(self) -> frozenset[str]:
        """The keys of all jobs."""
        return frozenset(job.key for stop in self.stops for job in stop.jobs)

    def to_json(self) -> dict[str, Any]:
        """As plain JSON data."""
        return asdict(self)

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> Course:
        """Read back from :meth:`to_json`."""
        stops = tuple(
            CourseStop(**{
                **stop,
                "jobs": tuple(
                    CourseJob(**{**job, "tickets": tuple(job["tickets"])}) for job in stop["jobs"]
                ),
            })
            for stop in data["stops"]
        )  # fmt: skip
        return cls(**{**data, "stops": stops})


@dataclass(frozen=True)
class Left:
    """A need without a visit in the last plan, and why."""

    key: str
    why: str


@dataclass(frozen=True)
class Outcome:
    """How the last plan came out, beside its visits.

    ``gap`` is how far it may be from the best plan of its kind, as a share of its cost.
    ``conflicts`` are wishes that could not be kept, ``not_planned`` sites without coordinates.
    ``awaited`` units had a date that was not worked out yet. Hours are a crew's.
    """

    first_day: str
    day_count: int
    cost_h: float
    bound_h: float
    gap: float
    left: tuple[Left, ...]
    conflicts: tuple[str, ...]
    not_planned: tuple[str, ...]
    is_cut: bool = False
    awaited: int = 0

    def to_json(self) -> dict[str, Any]:
        """As plain JSON data."""
        return asdict(self)

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> Outcome:
        """Read back from :meth:`to_json`."""
        return cls(**{
            **data,
            "left": tuple(Left(**one) for one in data["left"]),
            "conflicts": tuple(data["conflicts"]),
            "not_planned": tuple(data["not_planned"]),
        })  # fmt: skip
