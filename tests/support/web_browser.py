"""Debian's chromium, driven by playwright, for one block; a test without it is skipped.

What a page says to the console, and every address that it asks for, is kept.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import pytest

__all__ = ["Visit", "browser"]


@dataclass
class Visit:
    """A page that is open, and what it said and asked for."""

    page: Any
    said: list[str] = field(default_factory=list)
    asked_for: list[str] = field(default_factory=list)


@contextmanager
def browser(width: int, height: int, *, dark: bool = False, script: bool = True) -> Iterator[Visit]:
    """A window of that size [CSS px]; without ``script`` pages cannot run any."""
    program = shutil.which("chromium")
    if program is None:
        pytest.skip("chromium is not installed (Debian package chromium)")
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    # Root may not use the browser's sandbox; the pages are our own.
    options = ["--no-sandbox"] if os.geteuid() == 0 else []
    with playwright.sync_playwright() as driver:
        chromium = driver.chromium.launch(executable_path=program, args=options)
        try:
            page = chromium.new_page(
                viewport={"width": width, "height": height},
                color_scheme="dark" if dark else "light",
                java_script_enabled=script,
            )
            visit = Visit(page)
            page.on("console", lambda message: visit.said.append(message.text))
            page.on("pageerror", lambda error: visit.said.append(str(error)))
            page.on("request", lambda request: visit.asked_for.append(request.url))
            yield visit
        finally:
            chromium.close()
