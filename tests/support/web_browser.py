"""Debian's chromium, driven by playwright: a window for one block; without it a test is skipped.

What a page says to the console, and every address that it asks for, is kept.
"""

from __future__ import annotations

import atexit
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, Final

import pytest

__all__ = ["Visit", "browser", "close_browser"]

_PATIENCE_S: Final = 120.0


@dataclass
class Visit:
    """A page that is open, and what it said and asked for."""

    page: Any
    said: list[str] = field(default_factory=list)
    asked_for: list[str] = field(default_factory=list)


_open: Final[list[tuple[Any, Any]]] = []
"""The driver and the browser, while there is one."""


def _chromium() -> Any:
    """The browser: started at the first need, and again should it have ended."""
    program = shutil.which("chromium")
    if program is None:
        pytest.skip("chromium is not installed (Debian package chromium)")
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    if _open and not _open[-1][1].is_connected():
        close_browser()
    if not _open:
        # Root may not use the browser's sandbox; the pages are our own.
        options = ["--no-sandbox"] if os.geteuid() == 0 else []
        driver = playwright.sync_playwright().start()
        try:
            made = driver.chromium.launch(
                executable_path=program, args=options, timeout=1000 * _PATIENCE_S
            )
        except BaseException:
            driver.stop()
            raise
        _open.append((driver, made))
    return _open[-1][1]


def close_browser() -> None:
    """End the browser, if there is one.

    It must end with its module of tests: as long as it is there, its driver's event loop counts as
    this thread's, and nothing else can run one here.
    """
    while _open:
        driver, made = _open.pop()
        made.close()
        driver.stop()


atexit.register(close_browser)


@contextmanager
def browser(width: int, height: int, *, dark: bool = False, script: bool = True) -> Iterator[Visit]:
    """A window of that size [CSS px], with cookies and cache of its own, in a browser for all.

    Without ``script`` pages cannot run any.
    """
    context = _chromium().new_context(
        viewport={"width": width, "height": height},
        color_scheme="dark" if dark else "light",
        java_script_enabled=script,
    )
    try:
        context.set_default_timeout(1000 * _PATIENCE_S)
        page = context.new_page()
        visit = Visit(page)
        page.on("console", lambda message: visit.said.append(message.text))
        page.on("pageerror", lambda error: visit.said.append(str(error)))
        page.on("request", lambda request: visit.asked_for.append(request.url))
        yield visit
    finally:
        context.close()
