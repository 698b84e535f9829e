"""Telemetry stores as the tests see them: short batches, and stores on two real servers."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from influxdb_client._sync.rest import RESTResponse
from influxdb_client.rest import ApiException

from gateway.batch import Batch, Frame
from gateway.telemetry import Series, StoreSettings
from gateway.telemetry.influx import InfluxStore
from rules.signals import INDEX
from support.influx import VictoriaServer

__all__ = ["Sample", "Version1Store", "VictoriaStore", "batch", "settings_for"]

Sample = tuple[int, int, dict[str, float]]
"""Unit row, time in ms, values by signal."""


def batch(*samples: Sample) -> Batch:
    """The samples as a batch, in this order."""
    return Batch.of(
        [
            Frame(row, time_ms, {INDEX[name]: value for name, value in values.items()})
            for row, time_ms, values in samples
        ]
    )


def settings_for(url: str, **changes: object) -> StoreSettings:
    """Settings of the InfluxDB kind for a throw-away server."""
    return StoreSettings(
        **{"kind": "influxdb", "url": url, "org": "plant", "bucket": "telemetry", **changes}
    )


class Version1Store(InfluxStore):
    """The store on a server of version 1, which lacks the version 2 write call.

    The same lines go to ``/write``; an error answer is raised as the client raises it.
    """

    def _send(self, body: bytes) -> None:
        response = self._http.request(
            "POST",
            f"{self._url}/write?db={self._settings.bucket}&precision=ms",
            body=body,
        )
        if response.status >= 300:
            answer = RESTResponse(response)
            answer.data = answer.data.decode()
            raise ApiException(http_resp=answer)


class VictoriaStore(InfluxStore):
    """The store on VictoriaMetrics: the client's own writes, read back by the server's export."""

    def __init__(self, settings: StoreSettings, register: object, server: VictoriaServer) -> None:
        super().__init__(settings, register)
        self._server = server

    def read(
        self, site: str, unit: str, signals: Sequence[str], start_ms: int, end_ms: int
    ) -> Series:
        exported = self._server.export(site=site, unit=unit)
        rows: dict[int, list[float]] = {}
        for column, name in enumerate(signals):
            seen = exported.get(f"unit_{name}", [])
            assert len(seen) == len({t for t, _ in seen}), f"{name}: an instant is there twice"
            for time_ms, value in seen:
                if start_ms <= time_ms < end_ms:
                    rows.setdefault(time_ms, [np.nan] * len(signals))[column] = value
        if not rows:
            return Series.empty(signals)
        times = sorted(rows)
        return Series(
            np.array(times, dtype=np.int64), np.array([rows[t] for t in times]), tuple(signals)
        )
