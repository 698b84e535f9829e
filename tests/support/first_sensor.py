"""The command with which the manual has a reader publish a first reading."""

from __future__ import annotations

from typing import Final

__all__ = ["FIRST_SENSOR_COMMAND", "FIRST_SENSOR_UNIT"]

FIRST_SENSOR_UNIT: Final = "my-site/ac-1"
FIRST_SENSOR_COMMAND: Final = (
    "mosquitto_pub -q 1 -t sites/my-site/ac-1/senml "
    """-m '[{"n":"conductivity","u":"S/m","v":0.09}]'"""
)
"""One record with a unit and no time: the time is that of receipt (RFC 8428, section 4.5.3)."""
