"""Pictures of the board for the pages that explain it, taken from a running demonstration.

    .venv/bin/basinward demo                 # says at which address its board answers
    .venv/bin/python tests/pictures.py http://127.0.0.1:PORT --out pictures

Needs Debian's chromium. It only looks: nothing is acknowledged or reported.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from support.web_browser import browser

PAGES = {
    "sites": "/",
    "alarms": "/alarms",
    "tickets": "/tickets",
    "plan": "/plan",
    "learned": "/learned",
    "hand-over": "/hand-over",
    "figures": "/figures",
}


def main() -> None:
    """Write the pictures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("board", help="where the board answers")
    parser.add_argument("--out", type=Path, default=Path("pictures"))
    asked = parser.parse_args()
    asked.out.mkdir(parents=True, exist_ok=True)
    base = asked.board.rstrip("/")
    for width, dark in ((1280, False), (1280, True), (390, False)):
        with browser(width, 900, dark=dark) as visit:
            page, name = visit.page, f"{width}{'-dark' if dark else ''}"
            for title, path in PAGES.items():
                page.goto(base + path)
                page.screenshot(path=asked.out / f"{title}-{name}.png")
            page.goto(base + "/alarms?show=all")
            unit = page.locator("table.alarms th[scope=row] a").first
            ticket = page.locator("table.alarms td a").first
            ways = {"unit": unit, "ticket": ticket}
            found = {k: v.get_attribute("href") for k, v in ways.items() if v.count()}
            for title, path in found.items():
                page.goto(f"{base}/{path}")
                if title == "unit":
                    page.locator("#trend .chart, #trend .empty").first.wait_for()
                page.screenshot(path=asked.out / f"{title}-{name}.png", full_page=True)
            if visit.said:
                sys.stderr.write(f"The browser says: {visit.said}\n")


if __name__ == "__main__":
    main()
