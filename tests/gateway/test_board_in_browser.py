"""The board in a real browser: people's ways through it, live change, and what axe-core finds."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest
import support
from board_people import PASSWORD, People
from support.fleet import site_data, unit_data
from support.shown_board import ANA, board_of, served
from support.shown_fleet import ShownFleet, fleet_of
from support.shown_visits import visited_fleet, wear_down
from support.web_browser import browser

from gateway.batch import Reason
from gateway.records.visit_rows import VisitState
from rules.equipment import Site
from rules.events import AlarmState, Change, Severity

AXE = Path(support.__file__).parent / "vendor" / "axe.min.js"
WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
WIDTHS = {"phone": 360, "tablet": 820, "desk": 1366}


def busy(where: Path, sites: int = 6) -> ShownFleet:
    """A fleet with something on every page."""
    fleet = ShownFleet(where, fleet_of(sites, 2))
    events = [
        fleet.alarm(row, severity=Severity(1 + row % 3), ago_min=30 + row) for row in range(6)
    ]
    fleet.commit(*events)
    fleet.commit(
        fleet.changed(events[0], Change.SHELVED, AlarmState.SHELVED, by="Ana", note="On order"),
        fleet.changed(events[1], Change.ACKNOWLEDGED, AlarmState.ACKNOWLEDGED, by="Ana"),
        fleet.changed(events[2], Change.RETURNED, AlarmState.RETURNED_UNACKNOWLEDGED,
                      severity=Severity.NONE),
    )  # fmt: skip
    fleet.look(0, basin_level=110.0)
    fleet.samples(0, hours=48)
    fleet.refuse(fleet.sites[0].id, "ac-9", Reason.UNREGISTERED, "No such unit.", 12)
    return fleet


@pytest.fixture
def fleet(tmp_path) -> Iterator[ShownFleet]:
    made = busy(tmp_path)
    yield made
    made.close()


def pages_of(fleet: ShownFleet) -> list[str]:
    site, unit = next(iter(fleet.rows))
    number = fleet.records.tickets()[0].number
    return [
        "/", f"/sites/{site}", f"/sites/{site}/{unit}?span=7d", "/alarms", "/alarms?show=held",
        "/tickets", f"/tickets/{number}", "/plan", "/hand-over", "/refused", "/figures", "/reports",
        "/learned",
    ]  # fmt: skip


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_axe_finds_nothing_against_wcag_aa_on_any_page(fleet, dark):
    """WCAG 2.2 A and AA by axe-core, an independent checker."""
    source = AXE.read_text()
    with served(board_of(fleet)) as address, browser(1366, 900, dark=dark) as visit:
        for path in pages_of(fleet):
            visit.page.goto(address + path)
            if "span" in path:
                visit.page.locator(".chart").first.wait_for()
            for summary in visit.page.locator("summary").all():
                summary.click()
            visit.page.evaluate(source)  # the content policy keeps it out of the page's own scripts
            found = visit.page.evaluate(
                "tags => axe.run(document, {runOnly: {type: 'tag', values: tags}})", WCAG
            )
            assert found["passes"], path
            broken = [
                (v["id"], [(n["target"], n["failureSummary"]) for n in v["nodes"][:3]])
                for v in found["violations"]
            ]
            assert broken == [], path
        assert visit.said == []


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", [360, 1366])
def test_axe_finds_nothing_where_one_signs_in(tmp_path, width, dark):
    """Empty, after a wrong password, and on the page of one's own account."""
    people = People(tmp_path, public_url="")
    source = AXE.read_text()

    def check() -> None:
        assert visit.page.evaluate("document.documentElement.scrollWidth") <= width
        visit.page.evaluate(source)
        found = visit.page.evaluate(
            "tags => axe.run(document, {runOnly: {type: 'tag', values: tags}})", WCAG
        )
        assert found["passes"]
        assert [(v["id"], v["nodes"][0]["failureSummary"]) for v in found["violations"]] == []

    with served(people.board) as address, browser(width, 800, dark=dark) as visit:
        page = visit.page
        page.goto(f"{address}/sign-in")
        check()
        for password in ("wrong", PASSWORD):
            page.get_by_label("Name").fill("rui")
            page.get_by_label("Password").fill(password)
            page.get_by_role("button", name="Sign in").click()
            if password == "wrong":
                page.get_by_text("The name or the password is wrong").wait_for()
                check()
        page.goto(f"{address}/account")
        page.get_by_text("Rui Prata").first.wait_for()
        check()
    people.records.close()


@pytest.mark.parametrize("width", [768, 820, 1023])
def test_on_a_tablet_the_rooms_have_a_line_of_their_own(fleet, width):
    with served(board_of(fleet)) as address, browser(width, 800) as visit:
        visit.page.goto(f"{address}/alarms")
        name, who, rooms = (
            visit.page.locator(f".bar {part}").bounding_box() for part in (".fleet", ".who", "nav")
        )
        assert name["y"] == who["y"]
        assert max(one["y"] + one["height"] for one in (name, who)) <= rooms["y"]
        assert who["x"] + who["width"] == pytest.approx(width - 16, abs=1)
        tops = {link.bounding_box()["y"] for link in visit.page.locator(".bar li a").all()}
        assert len(tops) == 1


@pytest.mark.parametrize("width", WIDTHS.values(), ids=WIDTHS.keys())
def test_no_page_is_wider_than_its_window_and_none_complains(fleet, width):
    with served(board_of(fleet)) as address, browser(width, 800) as visit:
        for path in pages_of(fleet):
            visit.page.goto(address + path)
            if "span" in path:
                visit.page.locator(".chart canvas").nth(4).wait_for()
            assert visit.page.evaluate("document.documentElement.scrollWidth") <= width, path
        assert visit.said == []
        assert all(asked.startswith(address) for asked in visit.asked_for)


def test_an_operator_sees_a_new_alarm_by_itself_and_acknowledges_it_by_keyboard(tmp_path):
    fleet = ShownFleet(tmp_path, fleet_of(2, 1))
    board = board_of(fleet)
    try:
        with served(board) as address, browser(1366, 800) as visit:
            page = visit.page
            page.goto(address + "/")
            page.get_by_text("No site needs attention.").wait_for()
            fleet.commit(fleet.alarm(0, severity=Severity.HIGH))
            page.get_by_role("link", name="Pump screen clogging").wait_for()  # nobody loaded it
            page.get_by_role("link", name="Alarms").focus()
            page.keyboard.press("Enter")
            box = page.get_by_role("checkbox", name="Pump screen clogging")
            box.focus()
            page.keyboard.press("Space")
            page.get_by_text("1 chosen:").wait_for()
            page.get_by_role("button", name="Acknowledge").focus()
            page.keyboard.press("Enter")
            page.get_by_text("Recorded: 1 alarm to be acknowledged.").wait_for()
            page.get_by_text("Ana Reis: acknowledge, on its way").wait_for()
            fleet.apply()
            page.get_by_text("Acknowledged by Ana Reis").wait_for()
            assert visit.said == []
    finally:
        fleet.close()


def test_what_was_chosen_stays_chosen_when_the_list_changes(fleet):
    with served(board_of(fleet)) as address, browser(1366, 900) as visit:
        page = visit.page
        page.goto(address + "/alarms")
        boxes = page.locator('input[name="pick"]')
        before = boxes.count()
        boxes.nth(1).check()
        value = boxes.nth(1).get_attribute("value")
        fleet.commit(fleet.alarm(9, severity=Severity.HIGH))
        page.wait_for_function(
            "n => document.querySelectorAll('input[name=\"pick\"]').length > n", arg=before
        )
        assert page.locator('input[name="pick"]:checked').get_attribute("value") == value


def test_two_operators_at_the_same_alarm_learn_of_each_other(fleet):
    one = board_of(fleet)
    other = board_of(fleet, replace(ANA, name="Bea Costa", form_token="t0ken-of-bea"))
    with (
        served(one) as ana, served(other) as bea,
        browser(1366, 900) as first, browser_beside(first) as second,
    ):  # fmt: skip
        for page, address in ((first.page, ana), (second, bea)):
            page.goto(address + "/alarms?show=unacknowledged")
            page.locator('input[name="pick"]').first.check()
        first.page.get_by_role("button", name="Acknowledge").click()
        first.page.get_by_text("Recorded: 1 alarm").wait_for()
        # The second one is told before pressing, and told again after it.
        second.get_by_text("Ana Reis: acknowledge, on its way").wait_for()
        second.get_by_role("button", name="Acknowledge").click()
        second.get_by_text("Ana Reis has just asked for it.").wait_for()
    assert len(fleet.records.pending_actions()) == 1


def browser_beside(visit):
    """Another window of the same browser, with nothing of the first one's."""
    from contextlib import contextmanager

    @contextmanager
    def opened():
        context = visit.page.context.browser.new_context(viewport={"width": 1366, "height": 900})
        try:
            yield context.new_page()
        finally:
            context.close()

    return opened()


def test_a_technician_reports_from_a_phone_and_closes_the_ticket(fleet):
    number = fleet.records.tickets()[0].number
    with served(board_of(fleet)) as address, browser(360, 740) as visit:
        page = visit.page
        page.goto(f"{address}/tickets/{number}")
        page.get_by_role("button", name="I am on site").click()
        page.get_by_text("This isolates nothing").wait_for()
        page.get_by_role("button", name="Work done").click()
        page.get_by_text("Wait here for what the readings show").wait_for()
        page.get_by_text("Close the ticket").click()
        page.get_by_label("What was found and done").fill("Leaves on the screen, cleaned")
        page.locator("select[name=part0]").select_option("pump-screen")
        page.locator("input[name=found0]").fill("leaves")
        page.get_by_label("pump screen", exact=True).check()
        page.get_by_role("button", name=f"Close {number}").click()
        page.get_by_text("Recorded: closed.").wait_for()
        assert visit.said == []
    detail = fleet.records.ticket(number)
    assert detail.ticket.state.value == "closed"
    assert [f.finding.part for f in detail.findings] == ["pump-screen"]


def test_a_planner_finds_the_work_by_date_and_prints_it(fleet):
    with served(board_of(fleet)) as address, browser(1366, 900) as visit:
        page = visit.page
        page.goto(address + "/plan")
        rows = page.locator("table.tickets tbody tr")
        assert rows.count() == len(
            [t for t in fleet.records.tickets() if t.state.value != "closed"]
        )
        page.emulate_media(media="print")
        assert page.locator("nav").first.is_hidden()
        assert page.locator("table.tickets").first.is_visible()


def test_a_unit_shows_charts_that_follow_the_span_and_the_cursor(fleet):
    site, unit = next(iter(fleet.rows))
    with served(board_of(fleet)) as address, browser(1366, 900) as visit:
        page = visit.page
        page.goto(f"{address}/sites/{site}/{unit}")
        page.locator(".chart canvas").nth(4).wait_for()
        page.locator(".spans").get_by_text("7 days").click()
        page.get_by_role("button", name="Show").click()
        page.wait_for_url("**span=7d**")
        page.locator(".chart canvas").nth(4).wait_for()
        assert "least" in page.locator(".chart h3").first.inner_text()
        page.locator(".chart .u-over").first.hover()
        page.wait_for_function("!document.querySelector('.chart h3').textContent.includes('least')")
        assert visit.said == []


def test_hostile_names_run_nothing(tmp_path):
    hostile = (
        "<img src=x onerror=\"document.title='hacked'\"><script>document.title='hacked'</script>"
    )
    unit = unit_data(name=hostile)
    fleet = ShownFleet(tmp_path, [Site.model_validate(site_data(units=[unit]) | {"name": hostile})])
    fleet.commit(fleet.alarm(0))
    fleet.samples(0, hours=3)
    fleet.look(0)
    number = fleet.records.tickets()[0].number
    try:
        with served(board_of(fleet)) as address, browser(1366, 900) as visit:
            for path in ("/", "/sites/north-hall", "/sites/north-hall/ac-1", "/alarms",
                         f"/tickets/{number}"):  # fmt: skip
                visit.page.goto(address + path)
                if path.endswith("ac-1"):
                    visit.page.locator(".chart").first.wait_for()
                assert visit.page.locator("img").count() == 0
                assert visit.page.title() != "hacked"
                assert hostile[:20] in visit.page.locator("main").inner_text()
            assert visit.said == []
    finally:
        fleet.close()


def test_without_script_every_form_works(fleet):
    with served(board_of(fleet)) as address, browser(1366, 900, script=False) as visit:
        page = visit.page
        page.goto(address + "/alarms?show=unacknowledged")
        page.locator('input[name="pick"]').first.check()
        page.get_by_label("Reason or note").fill("Part on order")
        page.get_by_role("button", name="Shelve").click()
        page.get_by_text("Recorded: 1 alarm to be shelved.").wait_for()
    (action,) = fleet.records.pending_actions()
    assert (action.kind.value, action.note) == ("shelve", "Part on order")


def test_a_board_that_is_gone_is_told(fleet):
    with browser(1366, 900) as visit:
        page = visit.page
        with served(board_of(fleet)) as address:
            page.goto(address + "/")
            page.locator("#live table").wait_for()
        # The page asks again by itself once a minute; coming back to it does so at once.
        page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
        page.get_by_text("What is shown may be old.").wait_for()


def test_a_planner_pins_moves_and_confirms_a_visit_on_a_phone(tmp_path):
    fleet = visited_fleet(tmp_path)
    wear_down(fleet, 0, "pads", 12.0, 1.2)
    wear_down(fleet, 1, "coil", 20.0, 1.4)
    board = board_of(fleet)
    try:
        with served(board) as address, browser(390, 800) as visit:
            page = visit.page
            page.goto(address + "/plan")
            page.get_by_text("No plan was made yet.").wait_for()
            page.get_by_role("button", name="Plan anew").click()
            page.get_by_text("Planned anew.").wait_for()
            (row,) = fleet.records.visits()
            day = date.fromisoformat(row.day) + timedelta(days=1)
            while day.weekday() > 3:  # the crew works on it
                day += timedelta(days=1)
            page.locator(".visits a").first.click()
            page.get_by_role("button", name="Pin to this day and crew").click()
            page.get_by_text("Recorded: the visit keeps its day and crew").wait_for()
            page.get_by_label("Move to the day").fill(day.isoformat())
            page.get_by_label("Note").fill("Audit before")
            page.get_by_role("button", name="Move", exact=True).click()
            page.get_by_text("Recorded. Plan anew to see what comes of it.").wait_for()
            page.get_by_role("link", name="Plan", exact=True).first.click()
            page.get_by_role("button", name="Plan anew").click()
            page.get_by_text("Planned anew.").wait_for()
            moved = next(v for v in fleet.records.visits() if v.day == day.isoformat())
            page.get_by_text(moved.number).first.wait_for()
            page.locator(".visits a").first.click()
            page.get_by_role("button", name="Confirm and tell the crew").click()
            page.get_by_text("Confirmed. The crew gets the work pack").wait_for()
            assert fleet.records.visit(moved.number).state is VisitState.CONFIRMED
            for path in ("/plan", f"/plan/{moved.number}"):
                page.goto(address + path)
                assert page.evaluate("document.documentElement.scrollWidth") <= 390, path
                page.evaluate(AXE.read_text())
                found = page.evaluate(
                    "tags => axe.run(document, {runOnly: {type: 'tag', values: tags}})", WCAG
                )
                assert [v["id"] for v in found["violations"]] == [], path
            assert visit.said == []
    finally:
        fleet.close()
