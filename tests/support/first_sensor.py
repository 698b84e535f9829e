"""The command with which the manual has a reader publish a first reading."""

from __future__ import annotations

from typing import Final

__all__ = ["FIRST_SENSOR_COMMAND"]

FIRST_SENSOR_COMMAND: Final = (
    "mosquitto_pub -h 127.0.0.1 -p 1883 -q 1 -t sites/quay-cold-store/ac-1/senml "
    """-m '[{"n":"basin_level","u":"mm","v":182}]'"""
)
"""One record with a unit and no time: the time is that of receipt (RFC 8428, section 4.5.3)."""
