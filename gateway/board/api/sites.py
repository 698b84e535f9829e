"""Sites and units: how they are, each reading against what is expected, the condition of parts."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Final, Literal

from fastapi import APIRouter, Query

from gateway.board.api.routing import ApiRoute, answers
from gateway.board.api.terms import After, Fact, Limit, Name, Page, Time, at, keyed
from gateway.board.board import Board
from gateway.board.doors import needs
from gateway.board.house import House
from gateway.board.problems import Refused
from gateway.board.visitor import Role
from gateway.overview.fleet import Condition, SiteLine, fleet_view, selected
from gateway.overview.site import site_view
from gateway.overview.source import GatewayNow, Source
from gateway.overview.unit import UnitView, UnitWear, unit_view, unit_wear
from rules.expected import LiveReading

__all__ = ["Gateway", "gateway_of", "known_place", "no_site", "no_unit", "sites_routes"]

Priority = Literal["high", "medium", "low", ""]


class Gateway(Fact):
    """Whether the gateway is at work: what is answered is no newer than it."""

    written: datetime | None
    """When it last said how it is; null: never."""
    is_silent: bool
    """It has said nothing for a minute: what is answered may be old."""
    behind_s: float
    """So far the rules are behind what came in. [s]"""
    troubles: list[str]
    """Sentences with what to do."""


class SiteBrief(Fact):
    """One site in a list."""

    id: str
    name: str
    address: str
    team: str
    units: int
    condition: Condition
    priority: Priority
    """The gravest of what stands; empty where nothing does."""
    high: int
    """Standing alarms of high priority; the next two likewise."""
    medium: int
    low: int
    unacknowledged: int
    held: int
    """Alarms that are shelved, suppressed by design or out of service."""
    tickets: int
    """Tickets that nobody has closed."""
    silent: int
    """Units that are not heard."""
    heard: datetime | None
    """When any unit was heard last; null: never."""
    people: list[str]
    """Who works there now."""


class Sites(Page):
    """Sites, the worst first."""

    gateway: Gateway
    items: list[SiteBrief]


class UnitBrief(Fact):
    """One unit of a site."""

    id: str
    name: str
    location: str
    refrigerant: str
    rated_capacity_kw: float
    """Heat rejected at the nameplate's conditions. [kW]"""
    priority: Priority
    alarms: int
    """Alarms that are not normal."""
    unacknowledged: int
    heard: datetime | None


class SiteFacts(Fact):
    """One site with its units."""

    id: str
    name: str
    address: str
    team: str
    time_zone: str
    """Of the IANA database."""
    gateway: Gateway
    units: list[UnitBrief]


class ReadingNow(Fact):
    """The newest value of one signal beside what the rules expected at their last look."""

    signal: str
    """As the catalogue names it."""
    title: str
    unit: str
    """Of the values beside it; empty for none."""
    measured: float | None
    time: Time
    """When it was measured."""
    is_stale: bool
    """Too old to say anything of now."""
    expected: float | None
    low: float | None
    """Below it the value is not as expected; null for no such limit."""
    high: float | None
    verdict: Literal["low", "high", ""]


class Running(Fact):
    """How the unit ran at the rules' last look; null for what was not known."""

    looked: datetime | None
    is_wet: bool | None
    """Whether its pads were wetted."""
    pump_runs: bool | None
    condensing_degc: float | None
    """Condensing temperature. [°C]"""
    wet_bulb_degc: float | None
    """Of the air drawn in. [°C]"""
    head_margin_k: float | None
    """What is left of condensing temperature to the high-pressure cut-out. [K]"""
    evaporation_l_min: float | None
    """Water evaporated. [L/min]"""


class PartNow(Fact):
    """One part: how far from clean and whole, and when it reaches its limit."""

    part: str
    of: datetime
    """End of the day that the figure is of."""
    condition_pct: float | None
    """100 is clean and whole, 0 the limit at which it should be worked on. [%]"""
    uncertainty_pct: float | None
    """One standard deviation. [%]"""
    said: str
    """What was found, or why there is no figure."""
    basis: str
    """What it is told by; figures of different ones are not compared. Empty without a figure."""
    count: int
    """Means that the day rests on."""
    since: datetime
    """Begin of the first of them."""
    clean_learned: datetime | None
    """When the clean state was learned; null where the nameplate gives it."""
    due_early: datetime | None
    """Begin of the 80 % range in which it reaches the limit; null where no date can be told."""
    due_likely: datetime | None
    due_late: datetime | None
    due_reason: str


class BaselineNow(Fact):
    """A quantity that was learned as normal."""

    quantity: str
    mode: str
    value: float | None
    """Null after a reset."""
    unit: str
    count: int
    """Of how many steady five-minute means it was made."""
    time: Time


class CleaningDone(Fact):
    """A cleaning, and what the readings say of its effect."""

    part: str
    time: Time
    by: str
    ticket: str
    verdict: str
    """Empty while it is not known."""
    effect_pct: float | None
    """Gain of the judged quantity. [%]"""
    said: str


class UnitFacts(Fact):
    """One unit as it is."""

    site: str
    id: str
    name: str
    heard: datetime | None
    is_out_of_service: bool
    """Its alarms are out of service; that isolates nothing."""
    people: list[str]
    running: Running | None
    readings: list[ReadingNow]
    parts: list[PartNow]
    baselines: list[BaselineNow]
    cleanings: list[CleaningDone]


_AWAITED: Final = "The gateway still works out this date."


def no_site(site: str) -> Refused:
    """A site that the configuration does not have."""
    return Refused(404, f"There is no site '{site[:64]}'. api/1/sites lists them.")


def no_unit(site: str, unit: str) -> Refused:
    """A unit that the configuration does not have."""
    return Refused(404, f"There is no unit '{unit[:64]}' at site '{site[:64]}'.")


def known_place(source: Source, site: str, unit: str) -> None:
    """Refuse what neither the configuration nor the records have ever had; '' stands for all."""
    names = source.names
    if (not site or site in names.sites) and (not unit or (site, unit) in names.units):
        return
    ever = {*names.units, *source.records.units().values()}
    if site and site not in names.sites and not any(s == site for s, _ in ever):
        raise no_site(site)
    if unit and not any(u == unit and site in {"", s} for s, u in ever):
        raise no_unit(site, unit)


def gateway_of(now: GatewayNow) -> Gateway:
    """How the gateway is."""
    return Gateway(
        written=at(now.written_ms), is_silent=now.is_silent, behind_s=now.behind_s,
        troubles=list(now.troubles),
    )  # fmt: skip


def sites_routes(board: Board, house: House) -> APIRouter:
    """Routes below ``/sites``."""
    router = APIRouter(
        route_class=ApiRoute, tags=["sites and units"], dependencies=[needs(Role.VIEW)]
    )
    source = house.source

    @router.get("/sites", responses=answers())
    def list_sites(
        q: Annotated[
            str, Query(max_length=200, description="Words of names or ids of sites and units.")
        ] = "",
        team: Name = "",
        condition: Condition | None = None,
        limit: Limit = 100,
        after: After = "",
    ) -> Sites:
        """All sites that match, the worst first."""
        view = fleet_view(source, board.clock_ms())
        found = selected(view, search=q, team=team, condition=condition.value if condition else "")
        items, following = keyed(
            found, after, limit, lambda s: (*s.rank, s.id), (int, int, int, int, str, str)
        )
        return Sites(
            next=following, gateway=gateway_of(view.gateway), items=[_brief(s) for s in items]
        )

    @router.get("/sites/{site}", responses=answers(404))
    def get_site(site: str) -> SiteFacts:
        """One site with its units, in the order of its file."""
        view = site_view(source, site, board.clock_ms())
        if view is None:
            raise no_site(site)
        return SiteFacts(
            id=view.site.id, name=view.site.name, address=view.site.address, team=view.site.team,
            time_zone=view.site.time_zone, gateway=gateway_of(view.gateway),
            units=[
                UnitBrief(
                    id=line.unit.id, name=line.unit.name, location=line.unit.location,
                    refrigerant=line.unit.condenser.refrigerant,
                    rated_capacity_kw=line.unit.condenser.rated_capacity_kw,
                    priority=line.priority, alarms=len(line.alarms),
                    unacknowledged=line.unacknowledged, heard=at(line.heard_ms),
                )
                for line in view.units
            ],
        )  # fmt: skip

    @router.get("/sites/{site}/units/{unit}", responses=answers(404))
    def get_unit(site: str, unit: str) -> UnitFacts:
        """One unit: how it runs, its newest readings, the condition of its parts."""
        now_ms = board.clock_ms()
        view = unit_view(source, site, unit, now_ms)
        if view is None:
            raise no_unit(site, unit)
        return _facts(view, unit_wear(source, site, unit, now_ms))

    return router


def _brief(line: SiteLine) -> SiteBrief:
    names = set(SiteBrief.model_fields) - {"heard", "people"}
    return SiteBrief(
        heard=at(line.heard_ms), people=list(line.people), **{n: getattr(line, n) for n in names}
    )


def _facts(view: UnitView, wear: UnitWear) -> UnitFacts:
    state = view.state
    running = state and Running(
        looked=at(view.looked_ms), is_wet=state.wet, pump_runs=state.pump_runs,
        condensing_degc=state.condensing_degc, wet_bulb_degc=state.wet_bulb_degc,
        head_margin_k=state.head_margin_k, evaporation_l_min=state.evaporation_l_min,
    )  # fmt: skip
    return UnitFacts(
        site=view.site.id, id=view.unit.id, name=view.unit.name, heard=at(view.heard_ms),
        is_out_of_service=view.is_out_of_service, people=list(view.people), running=running,
        readings=[_reading(r) for r in view.readings],
        parts=_parts(view, wear),
        baselines=[
            BaselineNow(
                quantity=b.quantity, mode=b.mode, value=b.value, unit=b.measure, count=b.count,
                time=at(b.time_ms),
            )
            for b in view.baselines
        ],
        cleanings=[
            CleaningDone(
                part=c.part, time=at(c.cleaned_ms), by=c.by, ticket=c.ticket, verdict=c.verdict,
                effect_pct=c.effect_pct, said=c.said,
            )
            for c in wear.cleanings
        ],
    )  # fmt: skip


def _parts(view: UnitView, wear: UnitWear) -> list[PartNow]:
    found = []
    for one in view.conditions:
        due = wear.due.get(one.part)
        found.append(
            PartNow(
                part=one.part, of=at(one.time_ms), condition_pct=one.condition_pct,
                uncertainty_pct=one.uncertainty_pct, said=one.said,
                basis=one.basis, count=one.count, since=at(one.since_ms),
                clean_learned=at(one.baseline_ms or None),
                due_early=at(due.early_ms) if due else None,
                due_likely=at(due.likely_ms) if due else None,
                due_late=at(due.late_ms) if due else None,
                due_reason=due.reason if due else (_AWAITED if wear.is_awaited else ""),
            )
        )  # fmt: skip
    return found


def _reading(one: LiveReading) -> ReadingNow:
    r = one.reading
    return ReadingNow(
        signal=one.signal, title=r.quantity, unit=r.unit, measured=r.measured,
        time=at(one.measured_ms), is_stale=one.stale, expected=r.expected, low=r.low, high=r.high,
        verdict=one.verdict,
    )  # fmt: skip
