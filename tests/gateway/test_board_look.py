"""The board's look by published criteria, and in a real browser: a phone, a keyboard, no script."""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import uvicorn
from board_bench import Bench
from support.web_browser import browser

import gateway.board
from gateway.board.app import make_app
from gateway.board.server import configured, listen

CSS = (Path(gateway.board.__file__).parent / "static" / "board.css").read_text()


def colours(scheme: str) -> dict[str, str]:
    """The named colours of one scheme."""
    light, dark = re.findall(r":root \{(.*?)\}", CSS, re.DOTALL)
    return dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", light if scheme == "light" else dark))


def luminance(colour: str) -> float:
    """WCAG 2.2, definition of relative luminance."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return sum(w * c for w, c in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def contrast(one: str, other: str) -> float:
    """WCAG 2.2, definition of contrast ratio."""
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def test_the_contrast_formula_gives_known_ratios():
    """WCAG 2.2: 21 for black on white. #767676 on white is the grey just above 4.5 (common)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)
    assert contrast("#777777", "#ffffff") < 4.5


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_and_controls_have_enough_contrast(scheme):
    """WCAG 2.2, 1.4.3: 4.5 to 1 for text; 1.4.11: 3 to 1 for edges of controls and the focus."""
    c = colours(scheme)
    texts = [("ink", "card"), ("soft", "card"), ("soft", "page"), ("on-strong", "strong")]
    texts += [("on-priority", priority) for priority in ("high", "medium", "low")]
    for text, ground in texts:
        assert contrast(c[text], c[ground]) >= 4.5, (text, ground)
    for edge in ("edge", "focus", "strong", "high", "medium", "low"):
        assert contrast(c[edge], c["card"]) >= 3, edge


def test_both_schemes_name_the_same_colours_and_no_other_is_used():
    assert colours("light").keys() == colours("dark").keys()
    rooms = (Path(gateway.board.__file__).parent / "static" / "rooms.css").read_text()
    rules = re.sub(r":root \{.*?\}", "", CSS, flags=re.DOTALL) + rooms
    # Names of elements have no digits of a colour alone; '#live' and the like are not one.
    assert re.findall(r":[^;{]*#[0-9a-f]{3,8}\b|\brgb|\bhsl", rules) == []
    assert not re.search(r"url\(|@import", CSS + rooms)


@contextmanager
def served(bench: Bench) -> Iterator[str]:
    """The bench's application on a real socket; gives its address."""
    with listen("127.0.0.1", 0) as listening:
        server = uvicorn.Server(configured(make_app(bench.board)))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
        thread.start()
        try:
            yield f"http://127.0.0.1:{listening.getsockname()[1]}"
        finally:
            server.should_exit = True
            thread.join(120)


def test_a_phone_acknowledges_by_keyboard_without_script(tmp_path):
    bench = Bench(tmp_path)
    with served(bench) as address, browser(360, 740, script=False) as visit:
        page = visit.page
        assert page.goto(address + bench.link).status == 200
        for radio in page.locator("label.choice").all():
            box = radio.bounding_box()
            assert box["height"] >= 44  # WCAG 2.2, 2.5.5: what a finger hits
            assert box["x"] >= 0
            assert box["x"] + box["width"] <= 360
        page.keyboard.press("Tab")
        page.keyboard.press("Space")
        page.keyboard.press("Tab")
        page.keyboard.type("I go at nine.")
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        page.get_by_role("heading", name="Acknowledged by Rui Prata").wait_for()
        assert page.url == address + bench.link
        assert page.locator("form").count() == 0
        page.reload()  # a page that was reached by a GET sends nothing again
        page.get_by_role("heading", name="Acknowledged by Rui Prata").wait_for()
        assert visit.said == []
        assert all(asked.startswith(address) for asked in visit.asked_for)
    (action,) = bench.records.pending_actions()
    assert (action.by, action.note) == ("Rui Prata", "I go at nine.")
    bench.records.close()


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_no_page_is_wider_than_a_phone_and_its_style_is_taken(tmp_path, dark):
    bench = Bench(tmp_path)
    wanted = colours("dark" if dark else "light")["card"]
    with served(bench) as address, browser(320, 640, dark=dark) as visit:
        for path in (bench.link, "/", "/ack/wrong"):
            visit.page.goto(address + path)
            assert visit.page.evaluate("document.documentElement.scrollWidth") == 320
            ground = visit.page.evaluate(
                "getComputedStyle(document.querySelector('main')).backgroundColor"
            )
            assert [int(n) for n in re.findall(r"\d+", ground)] == list(bytes.fromhex(wanted[1:]))
    # The browser itself tells of the status of the last one; nothing else is said.
    assert [said for said in visit.said if "404" not in said] == []
    bench.records.close()
