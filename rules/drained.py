"""When a basin counts as drained: what the rules take for no water in it."""

from __future__ import annotations

from typing import Final

__all__ = ["DRAINED_MM", "PROBE_IN_AIR_FRAC"]

DRAINED_MM: Final = 20.0
"""Below this level probes stand in air and the basin counts as drained (common practice)."""

PROBE_IN_AIR_FRAC: Final = 0.1
"""Share of the make-up's conductivity below which the probe hangs in air or is unplugged: no water
in the basin reads so little, and where nothing measures the level it is drained (common
practice)."""
