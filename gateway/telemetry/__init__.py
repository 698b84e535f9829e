"""Telemetry stores: where samples and their 5-minute rollups are kept and read back for charts."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Final

from gateway.telemetry.base import (
    LATEST_WINDOW_MS,
    ROLLUP_MS,
    Outline,
    Rollups,
    Series,
    StoreError,
    StoreRefused,
    StoreUnavailable,
    TelemetryStore,
)
from gateway.telemetry.embedded import EmbeddedStore
from gateway.telemetry.settings import StoreSettings

__all__ = [
    "LATEST_WINDOW_MS",
    "ROLLUP_MS",
    "TELEMETRY_FILE",
    "EmbeddedStore",
    "Outline",
    "Rollups",
    "Series",
    "StoreError",
    "StoreRefused",
    "StoreSettings",
    "StoreUnavailable",
    "TelemetryStore",
    "open_store",
]

TELEMETRY_FILE: Final = "telemetry.sqlite"


def open_store(
    settings: StoreSettings, data_dir: Path, register: Mapping[int, tuple[str, str]]
) -> TelemetryStore:
    """The store that the settings ask for; it touches file or server when first used.

    ``register`` maps a batch's unit row to (site, unit). It is looked into at each write, so rows
    added to it later are known. A process that only reads may give an empty one.
    """
    if settings.kind == "embedded":
        return EmbeddedStore(
            data_dir / TELEMETRY_FILE,
            register,
            retention_days=settings.retention_days,
            rollup_retention_days=settings.rollup_retention_days,
        )
    # The client takes a third of a second to import, which only those who use it should pay.
    from gateway.telemetry.influx import InfluxStore  # noqa: PLC0415

    return InfluxStore(settings, register)
