"""Monthly reports: what they say, that all their forms say it, and that nothing leaks into them.

The goldens are regression tests of wording and layout, nothing more.
"""

from __future__ import annotations

import difflib
import html
import os
import re
from dataclasses import replace
from html.parser import HTMLParser
from io import BytesIO
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from PIL import Image
from pypdf import PdfReader
from report_scenes import (
    HOUR_MS,
    MONTH,
    PRICES,
    a_month,
    a_site,
    a_visit,
    fleet_scene,
    names,
    site_scene,
)
from support.examples import examples

from gateway.mail.letter_mail import letter_mail
from gateway.records.visit_rows import VisitState
from gateway.reports.charts import Bar, Gauge, Series, bars, days, gauges
from gateway.reports.compose import fleet_report, site_report
from gateway.reports.figures import Raised, response_of, response_over
from gateway.reports.model import Report
from gateway.reports.next_steps import next_steps
from gateway.reports.page import html_page, report_letter, text_page
from gateway.reports.paper import report_pdf
from gateway.reports.quantities import amount_text, money_text, rounded
from gateway.reports.sections import alarms_by_day, alarms_section
from gateway.reports.settings import ReportSettings
from gateway.reports.use_sections import cost_text, heard_of
from gateway.reports.words import counted, hours_text, listed, share_text
from rules.consumption import Amount
from rules.events import Severity
from rules.forecast import Verdict
from rules.safety_claims import claims

GOLDENS = Path(__file__).parent / "goldens"
SCENES = {
    "report-site": site_scene,
    "report-site-so-far": lambda: site_scene(over=False),
    "report-fleet-us": fleet_scene,
}


def words_of(page: str) -> str:
    body = page.partition("</head>")[2]
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", body)).split())


def paper_text(report: Report) -> str:
    pages = PdfReader(BytesIO(report_pdf(report))).pages
    return " ".join(" ".join(page.extract_text() for page in pages).split())


@pytest.mark.parametrize("name", SCENES)
def test_the_mail_reads_as_it_did(name: str) -> None:
    content = text_page(SCENES[name]())
    path = GOLDENS / f"{name}.txt"
    if os.environ.get("BASINWARD_UPDATE_GOLDENS") == "1":
        path.write_text(content)
    diff = difflib.unified_diff(path.read_text().splitlines(), content.splitlines(), lineterm="")
    assert list(diff) == [], "run pytest with BASINWARD_UPDATE_GOLDENS=1 and read the difference"


@pytest.mark.parametrize("name", SCENES)
def test_every_form_says_the_same(name: str) -> None:
    """Facts, next steps, table cells and sentences stand on the page and on the paper."""
    report = SCENES[name]()
    page, paper = words_of(html_page(report)), paper_text(report)
    squeezed = paper.replace(" ", "")
    said = [step.what for step in report.next_steps] + [step.why for step in report.next_steps]
    for section in report.sections:
        said.append(section.title)
        for block in section.blocks:
            said += [block.text, *block.items]
            if block.table is not None:
                said += [cell for row in (block.table.head, *block.table.rows) for cell in row]
    for text in said:
        assert " ".join(text.split()) in page
        # fpdf2 breaks lines within words where a column is narrow.
        assert "".join(text.split()) in squeezed, text
    for fact in report.facts:
        assert fact.figure in page
        assert fact.figure.replace(" ", "") in squeezed


@pytest.mark.parametrize("name", SCENES)
def test_no_form_claims_what_no_text_may(name: str) -> None:
    report = SCENES[name]()
    for text in (text_page(report), words_of(html_page(report)), paper_text(report)):
        squeezed = " ".join(text.split())
        assert claims(squeezed) == ()
        assert "does not authorise work" in squeezed
        assert "A remote stop is not isolation." in squeezed


class _Page(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))


def test_the_page_needs_nothing_from_elsewhere_and_runs_nothing() -> None:
    page = _Page()
    page.feed(html_page(site_scene()))
    names_ = {tag for tag, _ in page.tags}
    assert not names_ & {"script", "link", "iframe", "form", "a"}
    assert all(not key.startswith("on") for _, attributes in page.tags for key in attributes)
    pictures = [attributes for tag, attributes in page.tags if tag == "img"]
    assert len(pictures) == len(site_scene().pictures)
    for attributes in pictures:
        assert (attributes["src"] or "").startswith("data:image/png;base64,")
        assert attributes["alt"]


def test_names_and_findings_are_words_and_no_markup() -> None:
    page = html_page(site_scene())
    assert "<b>cleaned</b>" not in page
    assert "AC &lt;2&gt; &amp; more" in page
    assert "Leaves; <b>cleaned</b>." in paper_text(site_scene())


@settings(max_examples=examples(8), deadline=None)
@given(st.text(min_size=1, max_size=60))
@example("Kälte\r\nBcc: x@evil.example")
@example("\u202e冷蔵庫 <b>&\x00")
def test_any_name_makes_a_report(name: str) -> None:
    where = a_site().model_copy(update={"name": name})
    report = site_scene(where)
    letter = report_letter(report)
    mail = letter_mail(letter)
    assert "\n" not in mail["Subject"]
    mail.as_bytes()
    assert report_pdf(report).startswith(b"%PDF")


def test_the_same_report_makes_the_same_letter() -> None:
    assert report_letter(site_scene()) == report_letter(site_scene())


def test_the_letter_carries_page_pictures_and_paper() -> None:
    letter = report_letter(site_scene())
    assert letter.subject == "[REPORT] North Hall, October 2026"
    shown = {f.cid for f in letter.files if f.cid}
    assert all(f"cid:{cid}" in letter.html for cid in shown)
    (paper,) = [f for f in letter.files if not f.cid]
    assert paper.media_type == "application/pdf"
    assert PdfReader(BytesIO(paper.content)).metadata is not None
    assert max(len(line) for line in letter.text.splitlines()) <= 72


def test_paper_is_of_the_size_that_the_site_has() -> None:
    """A4 is 595 by 842 points (ISO 216), Letter 612 by 792 (ANSI/ASME Y14.1)."""
    for report, size in ((site_scene(), (595, 842)), (fleet_scene("us"), (612, 792))):
        box = PdfReader(BytesIO(report_pdf(report))).pages[0].mediabox
        assert (round(box.width), round(box.height)) == size
    assert fleet_scene("metric").page == "A4", "one metric site, and all is metric"


# --- what is said -------------------------------------------------------------------------------


def test_response_times_are_medians_of_what_was_answered_in_the_month() -> None:
    month = a_month()
    response = response_of(month.tickets, month.start_ms, month.until_ms)
    assert (response.opened, response.acknowledged, response.repaired) == (3, 2, 1)
    assert response.acknowledge_h == pytest.approx(0.75)  # half an hour and an hour
    assert response.repair_h == pytest.approx(24.0)
    assert response.still_open == 2
    late = replace(month.tickets[0], acknowledged_ms=month.until_ms + HOUR_MS)
    again = response_of([late], month.start_ms, month.until_ms)
    assert again.acknowledge_h is None, "a report of a month does not change with what came after"


def test_what_is_grave_comes_first_and_each_step_has_a_reason() -> None:
    steps = next_steps([a_month()], names(a_site()), 20)
    assert all(step.why and step.place for step in steps)
    whats = [step.what for step in steps]
    order = ["BW-000003", "BW-000002", "Plan the cleaning: coil", "Look again at what was cleaned",
             "comes back", "too much water leaves"]  # fmt: skip
    found = [next(i for i, what in enumerate(whats) if key in what) for key in order]
    assert found == sorted(found)
    grades = [step.grade for step in steps]
    assert grades[0] == "now"
    assert "pump screen" not in " ".join(w for w in whats if w.startswith("Plan")), "no trend"


@pytest.mark.parametrize(
    ("state", "says", "grade"),
    [
        (VisitState.CONFIRMED, "Clean as planned: coil", "plan"),
        (VisitState.PROPOSED, "Confirm the visit for the cleaning: coil", "soon"),
    ],
)
def test_what_a_visit_will_do_is_not_to_be_planned_again(
    state: VisitState, says: str, grade: str
) -> None:
    month = a_month()
    begins_ms = month.until_ms + 4 * 24 * HOUR_MS
    visit = a_visit(month.site, state, begins_ms, "ac-1", "coil", ("BW-000002",))
    steps = next_steps([replace(month, visits=(visit,))], names(a_site()), 20)
    (coil,) = [step for step in steps if "coil" in step.what and "cleaned" not in step.what]
    assert (coil.what, coil.grade) == (says, grade)
    said = f"Visit V-000007 on 5 Nov 2026 is {state.value}"
    assert said in coil.why
    told = {step.what[-11:]: step.why for step in steps if "(BW-" in step.what}
    assert told["(BW-000002)"].endswith(f"Ana <A> has it. {said}.")
    assert "Visit" not in told["(BW-000003)"]


@pytest.mark.parametrize(("days", "grade"), [(None, "soon"), (9, "soon"), (40, "plan")])
def test_a_part_that_is_due_and_has_a_ticket_is_one_step(days: int | None, grade: str) -> None:
    month = a_month()
    coil = month.due[0]
    due = replace(coil.due, verdict=Verdict.THERE if days is None else Verdict.DUE)
    if days is not None:
        ends = [month.until_ms + (days + more) * 24 * HOUR_MS for more in (0, 4, 9)]
        due = replace(coil.due, early_ms=ends[0], likely_ms=ends[1], late_ms=ends[2])
    ticket = replace(month.tickets[1], fault="coil-fouled", unit="ac-1", priority="low")
    other = replace(ticket, unit="ac-2", number="BW-000009")
    month = replace(month, due=(replace(coil, due=due),), tickets=(ticket, other))
    steps = next_steps([month], names(a_site()), 20)
    (one,) = [s for s in steps if ticket.number in s.what]
    assert not [s for s in steps if s.what.startswith(("Plan the", "Clean", "Confirm"))]
    assert one.grade == grade
    assert "the job is due as well (coil)" in one.why
    assert ("At its limit" if days is None else "Reaches its limit from") in one.why
    (same,) = [s for s in steps if "BW-000009" in s.what]
    assert "due as well" not in same.why, "it is of another unit"


def test_units_that_were_not_heard_are_one_step_of_their_site() -> None:
    month = a_month()
    unheard = [
        replace(row, use=replace(row.use, amounts=row.use.amounts | {
            "heard": replace(row.use.amounts["heard"], coverage_frac=share)}))
        for row, share in zip(month.uses, (0.7, 0.8), strict=True)
    ]  # fmt: skip
    steps = next_steps([replace(month, uses=tuple(unheard))], names(a_site()), 20)
    (way,) = [step for step in steps if "telemetry" in step.what]
    assert way.place == month.site.name
    assert way.why.startswith("2 units of 2 were heard in 70 % to 80 % of the month.")
    steps = next_steps([replace(month, uses=(unheard[0],))], names(a_site()), 20)
    (way,) = [step for step in steps if "telemetry" in step.what]
    assert way.place.startswith(f"{month.site.name} / ")
    assert way.why.startswith("It was heard in 70 % of the month.")


def test_samples_that_came_late_are_told_by_unit_and_of_a_fleet_by_site() -> None:
    month = replace(a_month(), late={"ac-2": 1200, "ac-1": 3})
    report = site_report(month, names(a_site()), ReportSettings(), month.until_ms)
    text = words_of(html_page(report))
    assert "Came after a newer one of its unit" in text
    assert text.index("1,200") < text.index("1,203")
    other = a_site("hill-dairy", name="Hill Dairy")
    months = [month, replace(a_month(other), late={"ac-1": 7})]
    fleet = fleet_report(
        months, "Test fleet", names(a_site(), other), ReportSettings(), month.until_ms
    )
    text = words_of(html_page(fleet))
    assert "North Hall 1,203" in text
    assert "Hill Dairy 7" in text
    quiet = site_report(a_month(), names(a_site()), ReportSettings(), month.until_ms)
    assert "Came after a newer" not in words_of(html_page(quiet))


def test_a_unit_that_had_not_begun_counts_in_no_share_of_the_heard() -> None:
    month = a_month()
    first, second = month.uses
    unborn = replace(second, use=replace(second.use, start_ms=second.use.end_ms, amounts={
        **second.use.amounts,
        "heard": replace(second.use.amounts["heard"], coverage_frac=0.0)}))  # fmt: skip
    assert heard_of([first, unborn]) == heard_of([first])
    steps = next_steps([replace(month, uses=(first, unborn))], names(a_site()), 30)
    assert not [s for s in steps if "telemetry" in s.what and "0 %" in s.why]


def test_each_site_s_alarms_are_counted_by_the_days_of_its_own_clock() -> None:
    """October 2026 has a day of 25 hours in Lisbon and one of 23 in Sydney (IANA tz database)."""
    months = []
    for site_id, zone, hours in (("north-hall", "Europe/Lisbon", 745), ("hill-dairy",
                                 "Australia/Sydney", 743)):  # fmt: skip
        month = a_month(a_site(site_id, time_zone=zone))
        assert (month.until_ms - month.start_ms) == hours * HOUR_MS
        raised = (
            Raised("ac-1", "fan-fault", month.start_ms, Severity.HIGH),
            Raised("ac-1", "fan-fault", month.until_ms - 1, Severity.HIGH),
        )
        months.append(replace(month, raised=raised))
    chart = alarms_section(months, names(a_site())).blocks[0].picture
    assert chart is not None
    labels, counts = alarms_by_day(months)
    assert labels == [str(day) for day in range(1, 32)]
    assert (counts[0], counts[30]) == ([2, 0, 0], [2, 0, 0])
    assert sum(map(sum, counts)) == 4
    # A ticket of the hours before a site's own month begins was not opened in it, though it is
    # October already where the other site is.
    ticket = replace(months[0].tickets[0], opened_ms=months[0].start_ms - HOUR_MS)
    assert months[1].start_ms < ticket.opened_ms
    late = [replace(months[0], tickets=(ticket,)), replace(months[1], tickets=())]
    assert response_over(late).opened == 0
    assert response_over(late).still_open == 1


def test_a_quiet_month_says_so() -> None:
    month = a_month()
    quiet = replace(
        month, raised=(), tickets=(), cleanings=(), conditions=(), due=(), uses=(), silent={},
        refused=(),
    )  # fmt: skip
    report = site_report(quiet, names(a_site()), ReportSettings(), month.until_ms)
    assert report.next_steps == ()
    text = words_of(html_page(report))
    for sentence in (
        "No alarm was raised.", "No ticket was open.", "Nothing stands",
        "No cleaning was closed out.", "Nothing has been heard of any unit.",
    ):  # fmt: skip
        assert sentence in text
    assert report_pdf(report).startswith(b"%PDF")


def test_days_are_those_of_the_site() -> None:
    """An alarm at half past eleven at night in Auckland is of that day there, not of UTC's."""
    where = a_site().model_copy(update={"time_zone": "Pacific/Auckland"})
    zone = ZoneInfo("Pacific/Auckland")
    month = a_month(where)
    at_ms = MONTH.start_ms(zone) + 23 * HOUR_MS + HOUR_MS // 2
    one = replace(month, raised=(replace(month.raised[0], time_ms=at_ms),))
    report = site_report(one, names(where), PRICES, month.until_ms)
    assert "Most on day 1: 1." in report.pictures[0].alt


def test_us_sites_read_us_units() -> None:
    text = words_of(html_page(site_scene(a_site().model_copy(update={"display_units": "us"}))))
    assert " gal" in text
    assert "m³" not in text
    assert "psi" in text, "sentences of the rules have US values beside theirs"


def test_water_and_energy_cost_what_the_prices_say() -> None:
    assert cost_text(10_000.0, 100.0, PRICES) == "65 EUR"
    assert cost_text(None, 100.0, PRICES) == "25 EUR"
    assert cost_text(10_000.0, None, ReportSettings()) == ""


# --- figures and pictures -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "sd", "text"),
    [
        (41_234.0, 8_200.0, "41 ± 8 m³"), (41_234.0, 1_240.0, "41.2 ± 1.2 m³"),
        (0.0, 0.0, "0 m³"), (512_000.0, 61_000.0, "510 ± 60 m³"), (2_000.0, 0.0, "2 m³"),
    ],
)  # fmt: skip
def test_figures_are_rounded_to_what_their_doubt_leaves(value: float, sd: float, text: str) -> None:
    """One digit of the doubt, two where it is a 1 (JCGM 100:2008, 7.2.6: two at most)."""
    assert amount_text(Amount(value, sd, 1.0, "x"), "makeup", "metric") == text
    assert amount_text(Amount.unknown("x"), "makeup", "metric") == "–"


@given(st.floats(-1e9, 1e9), st.floats(1e-6, 1e9))
def test_rounding_moves_no_figure_beyond_its_doubt(value: float, sd: float) -> None:
    text = rounded(value, sd, "x")
    shown = float(text.split(" ± ")[0].replace(",", ""))
    assert abs(shown - value) <= sd + 1e-9


def test_words_for_counts_times_and_shares() -> None:
    assert counted(0, "ticket") == "no tickets"
    assert counted(1, "ticket") == "1 ticket"
    assert listed(["a", "b", "c", "d"]) == "a, b and 2 more"
    assert [hours_text(h) for h in (None, 0.4, 7.46, 30.0, 77.0)] == [
        "–", "24 min", "7.5 h", "30 h", "3.2 days",
    ]  # fmt: skip
    assert [share_text(s) for s in (0.0, 0.001, 0.5, 0.999, 1.0)] == [
        "0 %", "under 1 %", "50 %", "99 %", "100 %",
    ]  # fmt: skip
    assert money_text(1_234_567.0, "EUR") == "1,230,000 EUR"


def _colours(png: bytes) -> dict[tuple[int, int, int], int]:
    image = Image.open(BytesIO(png)).convert("RGB")
    return {c: n for n, c in image.getcolors(1_000_000) or ()}  # type: ignore[misc]


def test_bars_are_as_long_as_what_they_stand_for() -> None:
    """The areas of two colours are as the amounts, but for rounding to pixels."""
    series = (Series("a", "#102030"), Series("b", "#c9a227"))
    drawn = bars(
        "x", "Water", [Bar("u", (300.0, 100.0), "400"), Bar("v", (None, None), "?")], series
    )
    colours = _colours(drawn.png)
    legend = 27 * 27
    a, b = colours[(16, 32, 48)] - legend, colours[(201, 162, 39)] - legend
    assert a / b == pytest.approx(3.0, rel=0.03)
    assert "u 400; v ?" in drawn.alt


def test_a_gauge_is_dark_below_its_limit_and_bare_where_nothing_is_known() -> None:
    dark, calm = (155, 28, 28), (127, 168, 209)
    for value, seen in ((10.0, {dark}), (90.0, {calm}), (None, set())):
        drawn = gauges("x", "c", [Gauge("u", value, 5.0, "s")], low=25.0, ends=("0", "100"))
        assert {dark, calm} & set(_colours(drawn.png)) == seen


def test_columns_count_and_the_worst_day_is_named() -> None:
    series = (Series("high", "#9b1c1c"), Series("low", "#b9c6d3"))
    drawn = days("x", "Alarms", ["1", "2"], [[0, 1], [3, 1]], series)
    assert drawn.alt == "Alarms: 3 high, 2 low. Most on day 2: 4."
    empty = days("x", "Alarms", ["1"], [[0, 0]], series)
    assert "Most" not in empty.alt
