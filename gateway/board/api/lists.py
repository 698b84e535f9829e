"""Hand-over, what close-outs teach, the alarms' figures, what was refused, and the audit trail."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query

from gateway.accounts.actors import How
from gateway.board.api.alarms import Alarm, alarm_of
from gateway.board.api.routing import ApiRoute, answers
from gateway.board.api.sites import known_place
from gateway.board.api.terms import (
    After,
    Fact,
    Key,
    Limit,
    Moment,
    Name,
    Page,
    Time,
    at,
    cursor_of,
    keyed,
    ms,
    page_of,
)
from gateway.board.api.tickets import TicketBrief, brief
from gateway.board.board import Board
from gateway.board.doors import needs
from gateway.board.house import House
from gateway.board.visitor import Role
from gateway.lessons import read_lessons
from gateway.overview.figures import OftenLine, figures_view
from gateway.overview.handover import handover_view
from gateway.overview.refused import refused_view
from gateway.records.rows import QuarantineRow
from gateway.tickets.document import clean

__all__ = ["lists_routes"]

DAY_MS = 86_400_000
Days = Annotated[int, Query(ge=1, le=3_650, description="So many days back.")]


class Duty(Fact):
    """Who is told first of a priority's tickets in a team now."""

    team: str
    priority: Literal["high", "medium", "low"]
    names: list[str]


class HandOver(Fact):
    """What a coming shift takes over; of each list the gravest and of those the oldest first."""

    made: Time
    since: Time
    on_duty: list[Duty]
    unanswered: list[TicketBrief]
    on_site: list[TicketBrief]
    taken: list[TicketBrief]
    to_close: list[TicketBrief]
    """Readings are back to normal, or the work is done: to be looked at and closed."""
    closed: list[TicketBrief]
    """Since `since`."""
    opened: int
    """How many were opened since `since`."""
    held: list[Alarm]
    """Alarms that are shelved or out of service by a person's word: they come back."""
    totals: dict[str, int]
    """How many there are of each list, of which only the first are given."""


class InsteadOf(Fact):
    """What was found where the first cause was wrong."""

    found: str
    times: int


class Suggestion(Fact):
    """A change of settings to think about; it is never applied by itself."""

    settings: list[str]
    value: float | None
    """To try; null where the evidence names none."""
    unit: str
    saves: int
    """So many of the refuted tickets would not have come."""
    misses: int
    """So many of the confirmed ones would not have come, or later."""
    p: float
    """How probable so good a division is by chance, 0 to 1."""
    said: str


class Lesson(Fact):
    """What the close-outs of one fault say of its first cause."""

    fault: str
    tickets: int
    judged: int
    right: int
    right_frac: float | None
    """Null where none could be judged."""
    low_frac: float
    """Begin of the 95 % Wilson interval of the share."""
    high_frac: float
    instead: list[InsteadOf]
    suggestions: list[Suggestion]


class Lessons(Fact):
    """What close-outs teach, by fault."""

    items: list[Lesson]


class Often(Fact):
    """An alarm to look at."""

    site: str
    unit: str
    fault: str
    count: int
    """How often, or for how many days."""


class Figures(Fact):
    """The figures of ISA-18.2 / IEC 62682 over a period; rates are for each operator."""

    start: Time
    end: Time
    operators: int
    announcements: int
    raised: int
    per_day: float
    per_hour: float
    per_ten_minutes: float
    peak_ten_minutes: float
    busy_periods_pct: float
    """Ten-minute periods with more than 10 announcements. [%]"""
    busy_hours_pct: float
    """Hours with more than 30. [%]"""
    flood_time_pct: float
    """Time in flood. [%]"""
    floods: int
    stale_most: int
    """The most that stood for over a day at once."""
    top_ten_pct: float | None
    """Share of the ten most frequent; null where nothing was announced. [%]"""
    priority_pct: dict[str, float]
    """Raised by priority. [%]"""
    acknowledged_median_s: dict[str, float]
    """By priority: from raising to acknowledgement. [s]"""
    shelved: int
    suppressed: int
    out_of_service: int
    frequent: list[Often]
    chattering: list[Often]
    fleeting: list[Often]
    stale: list[Often]


class Refusal(Fact):
    """What was refused on one UTC day for one reason from one topic, with the latest example."""

    day: str
    reason: str
    site: str
    unit: str
    topic: str
    count: int
    first: Time
    last: Time
    detail: str
    excerpt: str


class Stranger(Fact):
    """A unit that is heard and that no site file knows."""

    site: str
    unit: str
    topic: str
    count: int
    last: Time
    knows_site: bool
    lines: str
    """What the site's file needs, with the figures left to be filled in from the nameplate."""


class RefusedList(Page):
    """What was refused, the newest day first."""

    items: list[Refusal]
    unregistered: list[Stranger]


class AuditEntry(Fact):
    """Who did what, when and from where, and what was there before and after."""

    id: int
    time: Time
    account: str
    name: str
    how: How
    """How he was recognised; `token`: a program."""
    address: str
    token: str
    """Number of a program's token and what it is for; empty for people."""
    action: str
    subject: str
    before: dict[str, Any] | None
    after: dict[str, Any] | None


class AuditTrail(Page):
    """Entries, newest first."""

    items: list[AuditEntry]


def lists_routes(board: Board, house: House) -> APIRouter:
    """Routes of all these."""
    router = APIRouter(route_class=ApiRoute, dependencies=[needs(Role.VIEW)])
    source = house.source

    @router.get("/hand-over", responses=answers(), tags=["hand-over"])
    def get_hand_over(
        hours: Annotated[int, Query(ge=1, le=168, description="Length of the shift. [h]")] = 8,
        team: Name = "",
    ) -> HandOver:
        """What a coming shift takes over."""
        view = handover_view(source, board.clock_ms(), hours=hours, team=team)
        groups = ("unanswered", "on_site", "taken", "to_close", "closed")
        return HandOver(
            made=at(view.made_ms), since=at(view.since_ms),
            on_duty=[
                Duty(team=d.team, priority=d.priority, names=list(d.names)) for d in view.on_duty
            ],
            opened=view.opened, held=[alarm_of(a) for a in view.held], totals=dict(view.totals),
            **{name: [brief(t) for t in getattr(view, name)] for name in groups},
        )  # fmt: skip

    @router.get("/learned", responses=answers(404), tags=["learned"])
    def get_lessons(days: Days = 365, site: Name = "") -> Lessons:
        """How often the first cause was right by what close-outs found, and what to think about."""
        known_place(source, site, "")
        found = read_lessons(
            source.records, source.configuration.settings,
            since_ms=board.clock_ms() - days * DAY_MS, site=site,
        )  # fmt: skip
        return Lessons(
            items=[
                Lesson(
                    fault=one.fault, tickets=one.tickets, judged=one.judged, right=one.right,
                    right_frac=one.right_frac, low_frac=one.low_frac, high_frac=one.high_frac,
                    instead=[InsteadOf(found=what, times=n) for what, n in one.instead],
                    suggestions=[
                        Suggestion(
                            settings=list(s.settings), value=s.value, unit=s.unit, saves=s.saves,
                            misses=s.misses, p=s.p, said=s.said,
                        )
                        for s in one.suggestions
                    ],
                )
                for one in found
            ]
        )  # fmt: skip

    @router.get("/figures", responses=answers(404), tags=["figures"])
    def get_figures(
        days: Annotated[int, Query(ge=1, le=366, description="So many days back.")] = 30,
        operators: Annotated[int, Query(ge=1, le=1000)] = 1,
        site: Name = "",
    ) -> Figures:
        """How well the alarms serve the people: the standard's figures."""
        known_place(source, site, "")
        view = figures_view(source, board.clock_ms(), days=days, operators=operators, site=site)
        figures = view.figures
        own = {
            "start", "end", "floods", "frequent", "chattering", "fleeting", "stale",
            "priority_pct", "acknowledged_median_s",
        }  # fmt: skip
        return Figures(
            start=at(figures.start_ms), end=at(figures.end_ms), floods=len(figures.floods),
            priority_pct=dict(figures.priority_pct),
            acknowledged_median_s=dict(figures.acknowledged_median_s),
            frequent=_often(view.frequent), chattering=_often(view.chattering),
            fleeting=_often(view.fleeting), stale=_often(view.stale),
            **{n: getattr(figures, n) for n in set(Figures.model_fields) - own},
        )  # fmt: skip

    @router.get("/refused", responses=answers(), tags=["refused and unregistered"])
    def list_refused(
        days: Annotated[int, Query(ge=1, le=366, description="So many days back.")] = 7,
        site: Annotated[str, Query(max_length=200)] = "",
        limit: Limit = 100,
        after: After = "",
    ) -> RefusedList:
        """What arrived and was not taken, and units that no site file knows."""
        view = refused_view(source, board.clock_ms(), days=days, site=site, limit=10_000)
        items, following = keyed(view.rows, after, limit, _refused_place, (int, str, str, str, str))
        names = set(Refusal.model_fields) - {"first", "last"}
        return RefusedList(
            next=following,
            items=[
                Refusal(
                    first=at(r.first_ms), last=at(r.last_ms), **{n: getattr(r, n) for n in names}
                )
                for r in items
            ],
            unregistered=[
                Stranger(
                    site=u.site, unit=u.unit, topic=u.topic, count=u.count, last=at(u.last_ms),
                    knows_site=u.knows_site, lines=u.lines,
                )
                for u in view.unregistered
            ],
        )  # fmt: skip

    @router.get(
        "/audit", responses=answers(), tags=["audit"], dependencies=[needs(Role.ADMINISTER)]
    )
    def list_audit(
        account: Name = "",
        subject: Annotated[str, Query(max_length=200)] = "",
        since: Annotated[Moment | None, Query(description="Not before then.")] = None,
        limit: Limit = 100,
        after: After = "",
    ) -> AuditTrail:
        """The audit trail, newest first; for administrators."""
        before = cursor_of(after, 1)
        rows = source.records.audit.entries(
            account=account, subject=subject, since_ms=ms(since) if since else 0,
            before_id=before[0] if before else None, limit=limit + 1,
        )  # fmt: skip
        items, following = page_of(rows, limit, lambda row: (row.id,))
        return AuditTrail(
            next=following,
            items=[
                AuditEntry(
                    id=e.id, time=at(e.time_ms), account=e.actor.account,
                    name=clean(e.actor.shown_name, 100), how=e.actor.how, address=e.actor.address,
                    token=e.actor.token,
                    action=e.action, subject=e.subject,
                    before=None if e.before is None else dict(e.before),
                    after=None if e.after is None else dict(e.after),
                )
                for e in items
            ],
        )  # fmt: skip

    return router


def _refused_place(row: QuarantineRow) -> Key:
    """The newest day first; a row stays where it is however often more is refused."""
    return -date.fromisoformat(row.day).toordinal(), row.topic, row.reason, row.site, row.unit


def _often(lines: tuple[OftenLine, ...]) -> list[Often]:
    return [Often(site=o.site, unit=o.unit, fault=o.fault, count=o.count) for o in lines]
