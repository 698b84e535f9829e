"""What people are shown of the fleet, made of real records and a real telemetry file."""

from __future__ import annotations

import tomllib
from contextlib import contextmanager

import numpy as np
import pytest
from board_bench import Page
from support.shown_board import board_of, client
from support.shown_fleet import NOW_MS, ShownFleet, evidence, fleet_of
from ticket_scenes import FAULTS

from gateway.batch import Reason
from gateway.overview.alarms import Show, alarms_view
from gateway.overview.figures import figures_view
from gateway.overview.fleet import Condition, fleet_view, selected
from gateway.overview.handover import handover_view
from gateway.overview.plan import plan_view
from gateway.overview.refused import refused_view
from gateway.overview.site import site_view
from gateway.overview.tickets import Shown, ticket_view, tickets_view
from gateway.overview.trend import SPANS, trend_view
from gateway.overview.unit import unit_view
from gateway.records import summaries
from gateway.tickets.closeout import PartFinding
from gateway.tickets.life import Act
from gateway.tickets.render import MailRenderer
from rules.alarm_figures import alarm_figures
from rules.equipment import Site
from rules.events import ActionKind, AlarmState, Change, Severity

MINUTE_MS = 60_000


@pytest.fixture
def fleet(tmp_path):
    made = ShownFleet(tmp_path, fleet_of(4, 2))
    yield made
    made.close()


# ---------------------------------------------------------------- the fleet


def test_the_worst_site_comes_first_and_one_that_is_answered_after_one_that_is_not(fleet):
    first = fleet.alarm(0, severity=Severity.LOW)
    second = fleet.alarm(2, severity=Severity.HIGH)
    fleet.commit(first, second, fleet.alarm(4, severity=Severity.MEDIUM))
    fleet.commit(fleet.changed(second, Change.ACKNOWLEDGED, AlarmState.ACKNOWLEDGED, by="Ana"))
    view = fleet_view(fleet.source, fleet.now_ms)
    assert [s.id for s in view.sites] == [fleet.sites[i].id for i in (2, 0, 1, 3)]
    assert [s.condition for s in view.sites] == [
        Condition.ALARM, Condition.ALARM, Condition.ANSWERED, Condition.UNHEARD,
    ]  # fmt: skip
    assert view.sites[0].worst.title == "Pump screen clogging"
    assert view.sites[0].worst.unit_name == "Condenser 1"
    assert (view.sites[2].high, view.sites[2].unacknowledged) == (1, 0)
    assert view.totals.waiting == {"high": 0, "medium": 1, "low": 1}
    assert view.totals.standing == {"high": 1, "medium": 1, "low": 1}
    assert (view.totals.sites, view.totals.units, view.totals.tickets) == (4, 8, 3)


def test_a_shelved_alarm_does_not_make_a_site_stand_out(fleet):
    fleet.look(0)
    event = fleet.alarm(0)
    fleet.commit(event)
    fleet.commit(fleet.changed(event, Change.SHELVED, AlarmState.SHELVED, by="Ana"))
    line = next(s for s in fleet_view(fleet.source, NOW_MS).sites if s.id == fleet.sites[0].id)
    assert (line.condition, line.held, line.standing, line.priority) == (Condition.HELD, 1, 0, "")


def test_sites_are_found_by_words_of_site_and_unit_and_by_team(fleet):
    view = fleet_view(fleet.source, NOW_MS)
    assert [s.name for s in selected(view, search="mill STORE")] == ["Mill Cold Store 2"]
    assert len(selected(view, search="condenser 2")) == 4
    assert selected(view, search="nowhere") == ()
    assert {s.team for s in selected(view, team="south")} == {"south"}
    assert len(selected(view, condition="unheard")) == 4


def test_a_silent_gateway_is_told(fleet):
    assert fleet_view(fleet.source, NOW_MS).gateway.is_well
    fleet.gateway_says("Disk is full.")
    assert fleet_view(fleet.source, NOW_MS).gateway.troubles == ("Disk is full.",)
    fleet.gateway_says(ago_ms=120_000)
    assert fleet_view(fleet.source, NOW_MS).gateway.is_silent
    (fleet.where / "status.json").write_text("{")
    assert fleet_view(fleet.source, NOW_MS).gateway.written_ms is None


# ---------------------------------------------------------------- alarms


def test_each_alarm_has_its_state_who_answered_and_what_may_be_done(fleet):
    events = [fleet.alarm(row, severity=Severity.HIGH) for row in range(4)]
    fleet.commit(*events)
    fleet.commit(
        fleet.changed(events[1], Change.ACKNOWLEDGED, AlarmState.ACKNOWLEDGED, by="Ana",
                      note="On my way"),
        fleet.changed(events[2], Change.RETURNED, AlarmState.RETURNED_UNACKNOWLEDGED,
                      severity=Severity.NONE),
        fleet.changed(events[3], Change.SUPPRESSED, AlarmState.SUPPRESSED),
    )  # fmt: skip
    view = alarms_view(fleet.source, show=Show.ALL)
    by_row = {(i.site, i.unit): i for i in view.items}
    items = [by_row[key] for key in list(fleet.rows)[:4]]
    assert [i.state_words for i in items] == [
        "Unacknowledged", "Acknowledged", "Returned to normal, unacknowledged",
        "Suppressed by design",
    ]  # fmt: skip
    assert [sorted(k.value for k in i.may) for i in items] == [
        ["acknowledge", "shelve"], ["shelve"], ["acknowledge", "shelve"], [],
    ]  # fmt: skip
    assert (items[1].by, items[1].note) == ("Ana", "On my way")
    assert items[0].cause == "Pump suction screen clogged"
    assert items[0].ticket.startswith("BW-")
    assert view.counts == {"standing": 3, "unacknowledged": 2, "held": 1, "all": 4}
    assert [i.priority for i in view.items][-1] == ""


def test_what_was_asked_for_shows_until_it_is_applied(fleet):
    fleet.commit(fleet.alarm(0))
    site, unit = next(iter(fleet.rows))
    fleet.records.request_action(
        ActionKind.SHELVE, site, unit, by="Ana", now_ms=NOW_MS, fault="pump-screen-clogging",
        note="On order", until_ms=NOW_MS + 3_600_000,
    )  # fmt: skip
    (item,) = alarms_view(fleet.source).items
    assert [(a.kind, a.by) for a in item.asked] == [(ActionKind.SHELVE, "Ana")]
    fleet.apply()
    (item,) = alarms_view(fleet.source, show=Show.HELD).items
    assert (item.state, item.by, item.note) == (AlarmState.SHELVED, "Ana", "On order")
    assert item.until_ms == NOW_MS + 3_600_000
    assert item.asked == ()
    assert item.may == {ActionKind.UNSHELVE}


def test_alarms_are_searched_and_paged(fleet):
    fleet.commit(*(fleet.alarm(row) for row in range(8)))
    assert alarms_view(fleet.source, search="mill screen").total == 2
    view = alarms_view(fleet.source, first=6, limit=6)
    assert (view.total, len(view.items)) == (8, 2)
    assert alarms_view(fleet.source, priority="high").total == 0


# ---------------------------------------------------------------- site, unit, trend


def test_a_site_lists_its_units_with_their_gravest_alarm(fleet):
    fleet.commit(fleet.alarm(1, severity=Severity.HIGH), fleet.alarm(1, "fan-fault", Severity.LOW))
    fleet.look(0)
    view = site_view(fleet.source, fleet.sites[0].id, NOW_MS)
    assert [(u.unit.id, u.priority, len(u.alarms)) for u in view.units] == [
        ("ac-1", "", 0), ("ac-2", "high", 2),
    ]  # fmt: skip
    assert view.units[0].heard_ms == NOW_MS
    assert view.units[1].heard_ms is None
    assert len(view.tickets) == 2
    assert site_view(fleet.source, "none", NOW_MS) is None


def test_a_unit_shows_the_newest_readings_against_what_the_rules_expect(fleet):
    fleet.look(0)
    site, unit = next(iter(fleet.rows))
    view = unit_view(fleet.source, site, unit, NOW_MS)
    assert view.deviating == 0
    fleet.now_ms += 2 * MINUTE_MS
    fleet.store.write(_level(fleet, 110.0))
    view = unit_view(fleet.source, site, unit, fleet.now_ms)
    level = next(r for r in view.readings if r.signal == "basin_level")
    assert (level.reading.measured, level.verdict) == (110.0, "low")
    assert view.heard_ms == fleet.now_ms
    assert view.state.pump_runs is True
    later = unit_view(fleet.source, site, unit, fleet.now_ms + 86_400_000)
    assert all(r.stale for r in later.readings)
    assert later.deviating == 0
    assert unit_view(fleet.source, site, "none", NOW_MS) is None


def _level(fleet, value):
    from gateway.batch import Batch, Frame
    from rules.signals import INDEX

    return Batch.of([Frame(0, fleet.now_ms, {INDEX["basin_level"]: value})])


def test_a_unit_lists_what_was_cleaned_and_the_trend_marks_it(fleet):
    event = fleet.alarm(0, ago_min=300)
    fleet.commit(event)
    fleet.commit(
        fleet.changed(event, Change.RETURNED, AlarmState.RETURNED_UNACKNOWLEDGED, ago_min=120,
                      severity=Severity.NONE)
    )  # fmt: skip
    number = fleet.records.tickets()[0].number
    fleet.records.close_ticket(
        number, by="Rui Prata", finding="Screen full of leaves", now_ms=NOW_MS - 60 * MINUTE_MS,
        findings=[PartFinding("pump-screen", "full of leaves", "cleaned")],
        cleaned=["pump-screen"],
    )  # fmt: skip
    fleet.samples(0, hours=24)
    site, unit = next(iter(fleet.rows))
    view = unit_view(fleet.source, site, unit, NOW_MS)
    assert [(c.part, c.by, c.ticket) for c in view.cleanings] == [
        ("pump-screen", "Rui Prata", number)
    ]
    trend = trend_view(
        fleet.source, site, unit, ("basin_level", "fan_run"), NOW_MS - SPANS["24h"], NOW_MS
    )
    assert [line.signal for line in trend.lines] == ["basin_level"]
    assert [(m.kind, m.priority) for m in trend.marks] == [("alarm", "medium"), ("cleaning", "")]
    assert trend.marks[0].end_ms - trend.marks[0].start_ms == 180 * MINUTE_MS
    line = trend.lines[0]
    assert trend.width_ms == 300_000
    assert (line.low <= line.values).all()
    assert (line.values <= line.high).all()


def test_short_trends_are_samples_and_gaps_stay_gaps(fleet):
    site, unit = next(iter(fleet.rows))
    fleet.samples(0, hours=2, every_s=60)
    start_ms = NOW_MS - SPANS["6h"] + 1
    trend = trend_view(fleet.source, site, unit, ("basin_level",), start_ms, NOW_MS + 1)
    assert trend.width_ms == 0
    assert len(trend.time_ms) == 120
    assert not np.isnan(trend.lines[0].values).any()
    fleet.now_ms -= 6 * 3_600_000
    fleet.samples(0, hours=2, every_s=60)
    trend = trend_view(fleet.source, site, unit, ("basin_level",), NOW_MS - SPANS["24h"], NOW_MS)
    assert np.isnan(trend.lines[0].values).sum() == 1  # between the two there is nothing


# ---------------------------------------------------------------- tickets, plan, hand-over


def test_a_ticket_has_its_document_and_what_its_phase_allows(fleet):
    fleet.commit(fleet.alarm(0, severity=Severity.HIGH))
    renderer = MailRenderer(fleet.sites, FAULTS)
    (line,) = tickets_view(fleet.source).items
    view = ticket_view(fleet.source, renderer, line.number)
    assert view.document.title == line.title == "Pump screen clogging"
    assert view.document.isolation.unit_id == "ac-1"
    assert Act.ASSIGN in view.may
    assert Act.FINISH not in view.may
    fleet.records.arrive(
        line.number, by="Rui Prata", until_ms=NOW_MS + 3_600_000, now_ms=NOW_MS, note=""
    )
    (line,) = tickets_view(fleet.source).items
    assert (line.phase, line.who) == ("on site", "Rui Prata")
    assert tickets_view(fleet.source, shown=Shown.CLOSED).items == ()
    assert ticket_view(fleet.source, renderer, "BW-999999") is None


def test_tickets_go_on_where_a_list_ends(fleet):
    fleet.commit(*(fleet.alarm(row) for row in range(8)))
    first = tickets_view(fleet.source, limit=5)
    rest = tickets_view(fleet.source, limit=5, before_id=first.next_before)
    assert len({t.number for t in (*first.items, *rest.items)}) == 8
    assert rest.next_before is None


def test_the_plan_is_in_order_of_what_is_due(fleet):
    fleet.commit(
        fleet.alarm(0, severity=Severity.LOW, ago_min=60),
        fleet.alarm(2, severity=Severity.HIGH, ago_min=30),
        fleet.alarm(4, severity=Severity.MEDIUM),
    )
    plan = plan_view(fleet.source, NOW_MS)
    assert [one.ticket.priority for one in plan.lines] == ["high", "medium", "low"]
    late = plan_view(fleet.source, NOW_MS + 2 * 86_400_000)
    assert [one.is_overdue for one in late.lines] == [True, False, False]
    assert (late.total, late.overdue, late.is_cut) == (3, 1, False)
    assert len(plan_view(fleet.source, NOW_MS, team="south").lines) == 1
    # What is due first is shown, however new other tickets are, and of the team alone.
    first = plan_view(fleet.source, NOW_MS, limit=1)
    assert ([one.ticket.priority for one in first.lines], first.total) == (["high"], 3)
    assert first.is_cut
    (north,) = plan_view(fleet.source, NOW_MS, team="north", limit=1).lines
    assert north.ticket.site in {s.id for s in fleet.sites if s.team == "north"}


def test_the_hand_over_tells_who_has_what(fleet):
    events = [fleet.alarm(row, severity=Severity.HIGH) for row in (0, 2, 4, 6)]
    fleet.commit(*events)
    tickets = {t.unit_row: t.number for t in fleet.records.tickets()}
    fleet.records.assign(tickets[2], by="Ana", to="Rui Prata", now_ms=NOW_MS)
    fleet.records.arrive(tickets[4], by="Rui Prata", until_ms=NOW_MS + 1, now_ms=NOW_MS, note="")
    fleet.records.close_ticket(tickets[6], by="Ana", finding="Nothing found", now_ms=NOW_MS)
    view = handover_view(fleet.source, NOW_MS)
    assert [t.number for t in view.unanswered] == [tickets[0]]
    assert [t.number for t in view.taken] == [tickets[2]]
    assert [t.number for t in view.on_site] == [tickets[4]]
    assert [t.number for t in view.closed] == [tickets[6]]
    assert view.on_duty[0].names == ("Rui Prata",)
    assert view.opened == 4
    only = handover_view(fleet.source, NOW_MS, team="south")
    assert [t.number for t in only.taken] == [tickets[2]]


def test_the_gravest_and_oldest_are_handed_over_however_many_came_after(tmp_path):
    """A high alarm of days ago stands first, before 590 of this hour and before another team's."""
    fleet = ShownFleet(tmp_path, fleet_of(150, 4))
    slug = "pump-screen-clogging"
    fleet.commit(fleet.alarm(0, slug, Severity.HIGH, ago_min=3_000))
    fleet.commit(fleet.alarm(9, slug, Severity.LOW, ago_min=2_000))
    fleet.commit(*(fleet.alarm(row, slug, Severity.LOW, ago_min=20) for row in range(10, 600)))
    numbers = {t.unit_row: t.number for t in fleet.records.tickets(limit=1_000)}
    teams = {site.id: site.team for site in fleet.sites}
    for team in ("", "north", "south"):
        view = handover_view(fleet.source, NOW_MS, team=team)
        rows = [row for (site, _), row in fleet.rows.items() if not team or teams[site] == team]
        wanted = [numbers[row] for row in (0, 9) if row in rows]
        assert [t.number for t in view.unanswered][: len(wanted)] == wanted
        assert view.totals["unanswered"] == sum(row in numbers for row in rows)
        assert len(view.unanswered) == min(200, view.totals["unanswered"])
        assert view.opened == sum(row in numbers for row in rows if row > 9)
    # What is cut is said.
    text = Page(client(board_of(fleet)).get("/hand-over").text).text
    assert "Only 200 of 592 are shown, the gravest and oldest." in text
    assert numbers[0] in text
    # What was closed before the shift, and of it, is told apart as before.
    fleet.records.close_ticket(numbers[0], by="Ana", finding="Leaves", now_ms=NOW_MS)
    view = handover_view(fleet.source, NOW_MS)
    assert [t.number for t in view.closed] == [numbers[0]]
    assert handover_view(fleet.source, NOW_MS + 9 * 3_600_000).closed == ()
    fleet.close()


# ---------------------------------------------------------------- refused, figures


def test_an_unregistered_unit_comes_with_the_lines_that_its_file_needs(fleet):
    site = fleet.sites[0].id
    fleet.refuse(site, "ac-9", Reason.UNREGISTERED, "No such unit.", 12)
    fleet.refuse("new-place", "ac-1", Reason.UNREGISTERED, "No such site.")
    fleet.refuse(site, "ac-1", Reason.OUT_OF_RANGE, "Level is 9999 mm.")
    view = refused_view(fleet.source, NOW_MS)
    assert len(view.rows) == 3
    known, new = sorted(view.unregistered, key=lambda u: u.site != site)
    assert (known.unit, known.count, known.knows_site) == ("ac-9", 12, True)
    assert not new.knows_site
    # Filled in with any figures, the lines are what the loader takes.
    filled = _filled(new.lines)
    made = Site.model_validate(filled)
    assert (made.id, made.units[0].id) == ("new-place", "ac-1")


def _filled(lines: str) -> dict[str, object]:
    figures = {
        "area_m2": 2, "depth_mm": 300, "float_shut_mm": 180, "float_band_mm": 40,
        "overflow_mm": 240, "pump_minimum_mm": 70, "makeup_max_l_min": 30, "rated_current_a": 4,
        "rated_voltage_v": 400, "rated_flow_l_min": 200, "rated_pressure_kpa": 60, "count": 4,
        "rated_airflow_m3_s": 20, "rated_capacity_kw": 300, "rated_td_k": 10,
        "cut_out_kpa_abs": 1700, "makeup_conductivity_us_cm": 300,
        "conductivity_limit_us_cm": 1500, "elevation_m": 0,
        "refrigerant": '"R134a"', "time_zone": '"Europe/Lisbon"', "team": '"north"',
    }  # fmt: skip
    out = []
    for line in lines.splitlines():
        name, equals, rest = line.partition(" =")
        value, _, _about = rest.partition("  #")
        if equals and value.strip() in {"", '""'}:
            out.append(f"{name} = {figures.get(name, json_text(name))}")
        else:
            out.append(line)
    return tomllib.loads("\n".join(out))


def json_text(name: str) -> str:
    return f'"some {name}"'


def test_ids_that_no_file_can_have_get_no_lines(fleet):
    fleet.refuse("New Place", "<b>", Reason.UNREGISTERED, "No such site.")
    (found,) = refused_view(fleet.source, NOW_MS).unregistered
    assert found.lines == ""


def test_the_figures_stand_beside_their_targets(fleet):
    fleet.commit(*(fleet.alarm(row, why=evidence()) for row in range(5)))
    view = figures_view(fleet.source, NOW_MS, days=1)
    assert view.figures.announcements == 5
    by_title = {line.title: line for line in view.lines}
    assert by_title["Announcements a day"].value == "5.0"
    assert by_title["Announcements a day"].target == "about 144, at most 288"
    assert by_title["Raised as low / medium / high"].value == "0 / 100 / 0 %"
    assert len(view.frequent) == 5
    one = figures_view(fleet.source, NOW_MS, days=1, site=fleet.sites[0].id)
    assert one.figures.announcements == 2


def test_figures_of_a_period_need_nothing_of_the_years_before(tmp_path):
    """They are those of the whole history, whatever stood, went on and ended before and within."""
    fleet = ShownFleet(tmp_path, fleet_of(3, 3))
    rng = np.random.default_rng(7)
    moves = (
        (Change.RAISED, AlarmState.UNACKNOWLEDGED), (Change.ACKNOWLEDGED, AlarmState.ACKNOWLEDGED),
        (Change.WORSENED, AlarmState.UNACKNOWLEDGED), (Change.RETURNED, AlarmState.NORMAL),
        (Change.SHELVED, AlarmState.SHELVED), (Change.RETURNED, AlarmState.RETURNED_UNACKNOWLEDGED),
    )  # fmt: skip
    history = []
    for minute in np.sort(rng.uniform(0, 40 * 1440, 1_500)):
        change, state = moves[rng.integers(len(moves))]
        raised = fleet.alarm(int(rng.integers(9)), "fan-fault", Severity(int(rng.integers(1, 4))))
        ago_min = 40 * 1440 - minute
        history.append(fleet.changed(raised, change, state, ago_min=ago_min))
    for i in range(0, len(history), 50):
        fleet.commit(*history[i : i + 50])
    site = fleet.sites[1].id
    for days in (0.02, 1, 7, 30, 90):
        for only in ("", site):
            rows = {row for (s, _), row in fleet.rows.items() if not only or s == only}
            events = [e for e in history if e.unit_row in rows]
            start_ms = NOW_MS - int(days * 86_400_000)
            wanted = alarm_figures(events, start_ms, NOW_MS, 2)
            view = figures_view(fleet.source, NOW_MS, days=days, operators=2, site=only)
            assert view.figures == wanted, (days, only)
    with asked_for(fleet) as taken:
        figures_view(fleet.source, NOW_MS, days=1)
    within = sum(e.time_ms >= NOW_MS - 86_400_000 for e in history)
    assert within <= sum(taken) < within + 200 < len(history) / 2
    fleet.close()


@contextmanager
def asked_for(fleet):
    """How many events are made of rows meanwhile, read by read."""
    taken = []
    real = summaries.counted

    def counted(*args, **options):
        found = list(real(*args, **options))
        taken.append(len(found))
        return iter(found)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(summaries, "counted", counted)
        yield taken


def test_figures_are_read_once_for_all_who_look_and_for_any_number_of_operators(fleet):
    fleet.commit(*(fleet.alarm(row) for row in range(5)))
    browser = client(board_of(fleet))
    site = fleet.sites[0].id
    with asked_for(fleet) as taken:
        for operators in (1, 2, 7, 100):
            page = browser.get(f"/figures?days=365&operators={operators}")
            assert "5 announcements" in page.text
        assert len(taken) == 1
        assert "2 announcements" in browser.get(f"/figures?days=365&site={site}").text
        browser.get("/figures?days=7")
        assert len(taken) == 3
        fleet.now_ms += 59 * MINUTE_MS
        browser.get("/figures?days=365")
        assert len(taken) == 3
        fleet.now_ms += 2 * MINUTE_MS
        browser.get("/figures?days=365")
        assert len(taken) == 4
    assert browser.get("/figures?site=nowhere").status_code == 404
    assert browser.get("/figures?operators=101").status_code == 422


def test_fans_are_counted_also_before_the_rules_have_looked(fleet):
    fleet.samples(0, hours=1)  # sets of fans travel as masks: 15 is four fans
    site, unit = next(iter(fleet.rows))
    view = unit_view(fleet.source, site, unit, NOW_MS)
    assert view.looked_ms is None
    fans = {r.signal: r.reading.measured for r in view.readings if r.signal.startswith("fan_")}
    assert (fans["fan_run"], fans["fan_fault"]) == (4.0, 0.0)
