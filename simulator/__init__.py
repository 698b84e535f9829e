"""A fleet of adiabatic condensers that obeys physics, with faults to switch on.

Publishes like real sites do, or hands out histories in process. Shares nothing with the rules but
the signal catalogue: a formula common to plant and rules would prove nothing.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

__all__ = ["DEMO_FLEET"]

DEMO_FLEET: Final = Path(__file__).resolve().parent / "demo_fleet"
"""Configuration directory of the demonstration fleet, with its ``scenario.toml``."""
