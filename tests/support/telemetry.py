"""Telemetry stores as the tests see them: short batches, and stores on two real servers."""

from __future__ import annotations

import time
from collections.abc import Sequence

import numpy as np
from influxdb_client._sync.rest import RESTResponse
from influxdb_client.rest import ApiException

from gateway.batch import Batch, Frame
from gateway.telemetry import Series, StoreSettings
from gateway.telemetry.influx import InfluxStore
from rules.signals import INDEX, SIGNALS
from support.influx import VictoriaServer

__all__ = ["Sample", "Version1Store", "VictoriaStore", "batch", "settings_for"]

Sample = tuple[int, int, dict[str, float]]
"""Unit row, time in ms, values by signal."""

VISIBLE_WITHIN_S = 120.0
"""An accepted write can be read after this long at the latest, on a busy machine too."""


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
    """The store on VictoriaMetrics: the client's own writes, read back by the server's export.

    The server accepts a write before a query can see it, and its flush does not wait for rows
    that a flush of its own has in hand. A read therefore waits until as many instants are there
    as were accepted, at most :data:`VISIBLE_WITHIN_S`, and then gives back what there is.
    """

    def __init__(self, settings: StoreSettings, register: object, server: VictoriaServer) -> None:
        super().__init__(settings, register)
        self._server = server
        self._accepted: dict[tuple[str, str, str], set[int]] = {}
        """Site, unit and signal to the instants whose values the server took."""

    def write(self, batch: Batch) -> None:
        super().write(batch)
        for row, column in np.argwhere(np.isfinite(batch.values)):
            key = (*self._register[int(batch.unit_row[row])], SIGNALS[column].name)
            self._accepted.setdefault(key, set()).add(int(batch.time_ms[row]))

    def read(
        self, site: str, unit: str, signals: Sequence[str], start_ms: int, end_ms: int
    ) -> Series:
        exported = self._export(site, unit)
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

    def _export(self, site: str, unit: str) -> dict[str, list[tuple[int, float]]]:
        accepted = {
            f"unit_{key[2]}": len(instants)
            for key, instants in self._accepted.items()
            if key[:2] == (site, unit)
        }
        give_up = time.monotonic() + VISIBLE_WITHIN_S
        while True:
            exported = self._server.export(site=site, unit=unit)
            if time.monotonic() > give_up or all(
                len(exported.get(name, ())) >= n for name, n in accepted.items()
            ):
                return exported
            time.sleep(0.05)  # the server tells nobody when rows become visible
