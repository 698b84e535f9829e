"""For all tests: hypothesis without deadlines, which would be timed assertions."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("steady", deadline=None, print_blob=True)
settings.load_profile("steady")
