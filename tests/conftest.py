"""For all tests: hypothesis that judges values and never time; an orderly log.

A check tries the same examples each time, so that it fails for what was changed and for nothing
else; ``BASINWARD_LONG_RUNS=20`` draws new ones, and more where a search is costly.
"""

from __future__ import annotations

import logging
import os
import sys
from collections.abc import Iterator

import pytest
from hypothesis import HealthCheck, settings

settings.register_profile(
    "steady", deadline=None, print_blob=True, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile("same-again", settings.get_profile("steady"), derandomize=True)
settings.load_profile(
    "steady" if int(os.environ.get("BASINWARD_LONG_RUNS", "1")) > 1 else "same-again"
)


@pytest.fixture(autouse=True)
def _log_ends_with_its_test() -> Iterator[None]:
    """A command that a test runs in this process points the log at a stream of that test."""
    root = logging.getLogger()
    level = root.level
    yield
    root.setLevel(level)
    for handler in [h for h in root.handlers if type(h) is logging.StreamHandler]:
        root.removeHandler(handler)


@pytest.fixture(scope="module", autouse=True)
def _browser_ends_with_its_module() -> Iterator[None]:
    """Tests of one module share a browser; a window is each one's own."""
    yield
    if opened := sys.modules.get("support.web_browser"):
        opened.close_browser()
