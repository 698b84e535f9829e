"""How many examples a costly search tries: few in a check, more when asked for."""

from __future__ import annotations

import os

__all__ = ["examples"]


def examples(few: int) -> int:
    """``few``, or as many times that as ``BASINWARD_LONG_RUNS`` says."""
    return few * int(os.environ.get("BASINWARD_LONG_RUNS", "1"))
