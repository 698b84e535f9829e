"""For all tests: hypothesis without deadlines, which would be timed assertions; an orderly log."""

from __future__ import annotations

import logging
from collections.abc import Iterator

import pytest
from hypothesis import settings

settings.register_profile("steady", deadline=None, print_blob=True)
settings.load_profile("steady")


@pytest.fixture(autouse=True)
def _log_ends_with_its_test() -> Iterator[None]:
    """A command that a test runs in this process points the log at a stream of that test."""
    root = logging.getLogger()
    level = root.level
    yield
    root.setLevel(level)
    for handler in [h for h in root.handlers if type(h) is logging.StreamHandler]:
        root.removeHandler(handler)
