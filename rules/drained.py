"""When a basin counts as drained: what the rules take for no water in it."""

from __future__ import annotations

from typing import Final

__all__ = ["DRAINED_MM"]

DRAINED_MM: Final = 20.0
"""Below this level probes stand in air and the basin counts as drained (common practice)."""
