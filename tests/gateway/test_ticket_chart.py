"""The chart in a mail: what it draws, in whose units and time, and that no store delays a mail."""

from __future__ import annotations

import email
import threading
from dataclasses import replace
from email import policy
from email.message import EmailMessage
from io import BytesIO
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from PIL import Image
from ticket_scenes import (
    FAULTS,
    HOUR_MS,
    ONSET_MS,
    SCENES,
    cut_off_notice,
    fan_notice,
    mesa_site,
    notice,
    quay_site,
)

from gateway.batch import Batch
from gateway.telemetry import StoreUnavailable
from gateway.telemetry.base import ROLLUP_MS, Rollups
from gateway.telemetry.embedded import EmbeddedStore
from gateway.tickets.chart import Chart, charted_signals, draw_chart, window_ms
from gateway.tickets.chart_reader import ChartReader
from gateway.tickets.notice import NoticeKind, TicketNotice
from gateway.tickets.render import MailRenderer
from rules.events import Evidence
from rules.signals import INDEX, N_SIGNALS

LISBON = ZoneInfo("Europe/Lisbon")
ONSET_RED = (155, 28, 28)
LINE_BLUE = (29, 79, 145)
BAND_GREEN = (227, 239, 225)


def figures(scene: TicketNotice, *, before: float = 88.0, after: float = 61.0) -> Rollups:
    """Each charted signal at ``before`` until the onset, at ``after`` from then on."""
    start_ms, end_ms = window_ms(scene)
    signals = charted_signals(scene.evidence)
    time_ms = np.arange(-(-start_ms // ROLLUP_MS) * ROLLUP_MS, end_ms, ROLLUP_MS)
    mean = np.repeat(np.where(time_ms < scene.onset_ms, before, after)[:, None], len(signals), 1)
    return Rollups(time_ms, mean - 1, mean, mean + 1, np.full(mean.shape, 30), signals)


def drawn(scene: TicketNotice, **values: float) -> tuple[Chart, Image.Image]:
    chart = draw_chart(scene, figures(scene, **values), LISBON, "metric")
    assert chart is not None
    return chart, Image.open(BytesIO(chart.png)).convert("RGB")


def columns(image: Image.Image, colour: tuple[int, int, int]) -> np.ndarray:
    """The columns in which a colour occurs, allowing for the palette's rounding."""
    near = np.abs(np.asarray(image, int) - colour).max(axis=2) <= 12
    return np.flatnonzero(near.any(axis=0))


def test_it_is_a_small_png_of_the_size_it_says() -> None:
    chart, image = drawn(notice())
    assert image.size == (chart.width, chart.height)
    assert chart.png.startswith(b"\x89PNG\r\n\x1a\n")  # PNG specification, 5.2
    assert len(chart.png) < 60_000


def test_the_noisiest_three_weeks_stay_below_the_size_of_a_small_mail() -> None:
    scene = notice(onset_ms=ONSET_MS - 14 * 24 * HOUR_MS)
    data = figures(scene)
    noise = np.random.default_rng(5).normal(0, 20, data.mean.shape)
    noisy = replace(data, mean=data.mean + noise, minimum=data.mean + noise - 9)
    chart = draw_chart(scene, noisy, LISBON, "metric")
    assert chart is not None
    assert len(chart.png) < 60_000


def test_the_mark_stands_where_the_condition_was_first_seen() -> None:
    scene = notice()
    _, image = drawn(scene)
    start_ms, end_ms = window_ms(scene)
    share = (scene.onset_ms - start_ms) / (end_ms - start_ms)
    body = image.crop((0, 120, image.width, image.height))  # below the mark's words
    red = columns(body, ONSET_RED)
    assert red.mean() == pytest.approx(124 + share * (960 - 124 - 20), abs=3)
    assert len(red) <= 5


def test_the_course_and_what_was_expected_are_both_drawn() -> None:
    _, image = drawn(notice())
    assert len(columns(image, LINE_BLUE)) > 780
    assert len(columns(image, BAND_GREEN)) > 780


def test_a_silence_is_left_open() -> None:
    scene = notice(evidence=replace(notice().evidence, signals=("spray_pressure",)))
    data = figures(scene)
    hole = slice(30, 60)
    data.mean[hole] = np.nan
    chart = draw_chart(scene, data, LISBON, "metric")
    assert chart is not None
    blue = columns(Image.open(BytesIO(chart.png)).convert("RGB"), LINE_BLUE)
    assert np.diff(blue).max() > 100


def test_the_words_say_what_the_picture_shows() -> None:
    chart, _ = drawn(notice())
    assert chart.alt.startswith(
        "Chart from 14:40 on Mon 20 to Tue 21, 03:17; first seen at 02:40 on Tue 21. "
        "Spray pressure: last 61.0 kPa, between 61.0 kPa and 88.0 kPa; expected 88.0 kPa; "
        "allowed at least 80.0 kPa. Pump current: "
    )


def test_us_units_and_the_local_zone() -> None:
    """6.894757 kPa a psi (NIST SP 811, Appendix B, from memory): 1760 kPa are 255.3 psi."""
    scene = fan_notice()
    data = figures(scene, before=1540.0, after=1760.0)
    chart = draw_chart(scene, data, ZoneInfo("America/Denver"), "us")
    assert chart is not None
    assert "last 255.3 psia" in chart.alt
    assert "first seen at 19:40 on Mon 20" in chart.alt


@pytest.mark.parametrize("values", [(0.0, 0.0), (1e6, -1e6), (3.0, 3.0 + 1e-9)])
def test_any_course_can_be_drawn(values: tuple[float, float]) -> None:
    drawn(notice(), before=values[0], after=values[1])


@pytest.mark.parametrize("zone", ["Asia/Kathmandu", "Australia/Lord_Howe", "UTC"])
@pytest.mark.parametrize("days", [0, 1, 3, 9, 40])
def test_any_length_in_any_zone(zone: str, days: int) -> None:
    scene = notice(onset_ms=notice().time_ms - days * 24 * HOUR_MS)
    assert draw_chart(scene, figures(scene), ZoneInfo(zone), "metric") is not None


def test_nothing_to_draw_is_no_chart() -> None:
    scene = notice()
    assert draw_chart(scene, Rollups.empty(("spray_pressure",)), LISBON, "metric") is None
    masks = replace(scene, evidence=Evidence("x", 1.0, signals=("fan_run", "fan_fault")))
    assert charted_signals(masks.evidence) == ()


# --- the mail ---------------------------------------------------------------------------------


def mail_of(scene: TicketNotice, render: MailRenderer) -> EmailMessage:
    mail = email.message_from_bytes(render(scene).as_bytes(), policy=policy.default)
    assert isinstance(mail, EmailMessage)
    assert not mail.defects
    return mail


def renderer(source=figures) -> MailRenderer:
    return MailRenderer([quay_site(), mesa_site()], FAULTS, figures=source)


def test_the_page_and_its_picture_belong_together() -> None:
    """RFC 2387: multipart/related, the page first; RFC 2392: cid: is the Content-ID (from memory).

    RFC 2046, 5.1.4: of alternatives the plainest comes first.
    """
    mail = mail_of(notice(), renderer())
    assert mail.get_content_type() == "multipart/mixed"
    alternatives, _sheet = mail.iter_parts()
    assert alternatives.get_content_type() == "multipart/alternative"
    plain, related = alternatives.iter_parts()
    assert plain.get_content_type() == "text/plain"
    assert related.get_content_type() == "multipart/related"
    page, picture = related.iter_parts()
    assert page.get_content_type() == "text/html"
    cid = picture["Content-ID"].strip("<>")
    assert f'src="cid:{cid}"' in page.get_content()
    assert picture.get_content_type() == "image/png"
    assert picture.get_content_disposition() == "inline"
    assert 'alt="Chart from 14:40 on Mon 20' in page.get_content()
    boundaries = [part.get_boundary() for part in mail.walk() if part.is_multipart()]
    assert len(set(boundaries)) == len(boundaries)


def test_the_same_figures_make_the_same_bytes() -> None:
    assert renderer()(notice()).as_bytes() == renderer()(notice()).as_bytes()


@pytest.mark.parametrize(
    ("kind", "has"),
    [
        (NoticeKind.OPENED, True),
        (NoticeKind.WORSENED, True),
        (NoticeKind.ESCALATED, True),
        (NoticeKind.RETURNED, False),
        (NoticeKind.PASSED, False),
    ],
)
def test_which_mails_have_a_chart(kind: NoticeKind, has: bool) -> None:
    mail = mail_of(notice(kind), renderer())
    assert ("image/png" in [p.get_content_type() for p in mail.walk()]) is has
    assert ("cid:" in mail.get_body(("html",)).get_content()) is has


def test_a_drawing_that_fails_costs_the_chart_alone(caplog: pytest.LogCaptureFixture) -> None:
    def broken(scene: TicketNotice) -> Rollups:
        good = figures(scene)
        return replace(good, mean=good.mean[:5])

    mail = mail_of(notice(), renderer(broken))
    assert not [part for part in mail.walk() if part.get_content_maintype() == "image"]
    assert "cid:" not in mail.get_body(("html",)).get_content()
    assert "The chart of ticket BW-000123 cannot be drawn" in caplog.text


# --- the store --------------------------------------------------------------------------------


def test_it_reads_what_the_telemetry_store_holds(tmp_path: Path) -> None:
    scene = SCENES["screen-opened"]
    start_ms, _ = window_ms(scene)
    store = EmbeddedStore(tmp_path / "telemetry.sqlite", {0: ("quay-cold-store", "ac-1")})
    time_ms = np.arange(start_ms, scene.time_ms, 60_000)
    values = np.full((len(time_ms), N_SIGNALS), np.nan)
    values[:, INDEX["spray_pressure"]] = np.where(time_ms < scene.onset_ms, 88.0, 61.0)
    store.write(Batch(np.zeros(len(time_ms), np.int64), time_ms, values))
    reader = ChartReader(store)
    found = reader(scene)
    assert found is not None
    assert found.signals == charted_signals(scene.evidence)
    chart = draw_chart(scene, found, LISBON, "metric")
    assert chart is not None
    assert "Spray pressure: last 61.0 kPa, between 61.0 kPa and 88.0 kPa" in chart.alt
    assert "Pump current" not in chart.alt
    store.close()


class Store:
    """A store whose reading does what the test says."""

    def __init__(self, answer) -> None:
        self.answer = answer
        self.asked = 0

    def rollups(self, *_about: object) -> Rollups:
        self.asked += 1
        return self.answer()


def test_a_store_that_is_away_is_left_in_peace_for_a_while() -> None:
    def away() -> Rollups:
        raise StoreUnavailable("no connection")

    now_s = [0.0]
    store = Store(away)
    reader = ChartReader(store, pause_s=60, monotonic_s=lambda: now_s[0])
    assert reader(notice()) is None
    now_s[0] = 59.0
    assert reader(notice()) is None
    assert store.asked == 1
    store.answer = lambda: figures(notice())
    now_s[0] = 61.0
    assert reader(notice()) is not None


def test_a_store_that_does_not_answer_holds_nothing_up() -> None:
    free = threading.Event()

    def stuck() -> Rollups:
        free.wait(120)
        return figures(notice())

    store = Store(stuck)
    reader = ChartReader(store, limit_s=0.01, pause_s=0)
    for _ in range(50):
        assert reader(notice()) is None
    assert store.asked == 1  # one thread waits for it, not fifty
    free.set()


def test_a_whole_site_has_no_chart() -> None:
    store = Store(lambda: figures(notice()))
    assert ChartReader(store)(cut_off_notice()) is None
    assert store.asked == 0
