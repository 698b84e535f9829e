"""The telemetry store on an InfluxDB server.

Samples go out through the InfluxDB 2 write call, synchronously, as ready-made line protocol; they
are read with InfluxQL over ``/query``. A bucket must be mapped to a database of its own name for
that (servers do so by themselves unless the bucket was brought over from version 1). The token
travels in the Authorization header only and is cut out of every error text.

Rollups are computed by the server from the samples, and retention is the bucket's: both are the
server's work, so ``maintain`` has nothing to do.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
import urllib3
from influxdb_client.client.exceptions import InfluxDBError
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.domain.write_precision import WritePrecision

from gateway.batch import Batch
from gateway.telemetry import influxql
from gateway.telemetry.base import (
    Outline,
    Rollups,
    Series,
    StoreRefused,
    StoreUnavailable,
    check_signals,
    check_width,
    whole_buckets,
)
from gateway.telemetry.lineprotocol import lines
from gateway.telemetry.rows import merged_rows
from gateway.telemetry.settings import StoreSettings
from rules.signals import SIGNALS

__all__ = ["InfluxStore"]

_log = logging.getLogger(__name__)

_LINES_A_REQUEST: Final = 5_000  # InfluxDB's documented optimum for a write request
_PAST_RETENTION: Final = "points beyond retention policy"
_RETRY_LATER: Final = frozenset({408, 425, 429})
_TOO_LARGE: Final = 413
_WHAT_TO_DO: Final = {
    400: "Compare the bucket's field types with the signal catalogue (every field is a float)",
    401: "Check the token (token_env or token_file in fleet.toml)",
    403: "Give the token read and write access to the bucket",
    413: "Raise the limit on request size of the server or of a proxy before it",
    404: "Check url, org and bucket in fleet.toml, and that the bucket exists on the server",
}


class InfluxStore:
    """A :class:`gateway.telemetry.base.TelemetryStore` on InfluxDB. Safe to use from any thread."""

    def __init__(self, settings: StoreSettings, register: Mapping[int, tuple[str, str]]) -> None:
        """Prepare the connection; the server is first spoken to when the store is used."""
        self._settings = settings
        self._register = register
        self._url = settings.url.rstrip("/")
        # Its annotations are partly absent and partly wrong, hence Any.
        self._client: Any = InfluxDBClient(
            url=self._url,
            token=settings.token,
            org=settings.org or "-",
            timeout=int(settings.timeout_s * 1000),
            enable_gzip=False,  # costs four times what formatting the line does
        )
        self._writer: Any = self._client.write_api(write_options=SYNCHRONOUS)
        self._http = urllib3.PoolManager(
            timeout=urllib3.Timeout(total=settings.timeout_s), retries=False
        )

    def write(self, batch: Batch) -> None:
        """Send the batch, at most 5,000 lines a request.

        After a refusal some requests may have been carried out already; writing the batch again
        later is harmless. Samples that the bucket's retention turned away are logged and dropped,
        since no later attempt could store them.
        """
        text = lines(merged_rows(batch, self._register))
        for at in range(0, len(text), _LINES_A_REQUEST):
            self._write_lines(text[at : at + _LINES_A_REQUEST])

    def read(
        self, site: str, unit: str, signals: Sequence[str], start_ms: int, end_ms: int
    ) -> Series:
        """See the protocol."""
        names = check_signals(signals)
        if not names or start_ms >= end_ms:
            return Series.empty(names)
        (table,) = self._query(influxql.raw(site, unit, names, start_ms, end_ms))
        if table is None:
            return Series.empty(names)
        return Series(table.time_ms, table.values, names)

    def rollups(
        self, site: str, unit: str, signals: Sequence[str], start_ms: int, end_ms: int
    ) -> Rollups:
        """See the protocol. The server computes them from the samples when asked."""
        names = check_signals(signals)
        start_ms, end_ms = whole_buckets(start_ms, end_ms)
        if not names or start_ms >= end_ms:
            return Rollups.empty(names)
        (table,) = self._query(influxql.rollup(site, unit, names, start_ms, end_ms))
        if table is None:
            return Rollups.empty(names)
        minimum, mean, maximum, count = np.split(table.values, 4, axis=1)
        return Rollups(
            table.time_ms, minimum, mean, maximum, np.nan_to_num(count).astype(np.int64), names
        )

    def outline(
        self,
        site: str,
        unit: str,
        signals: Sequence[str],
        start_ms: int,
        end_ms: int,
        width_ms: int,
    ) -> Outline:
        """See the protocol. The server computes it from the samples when asked."""
        names, width_ms = check_signals(signals), check_width(width_ms)
        start_ms, end_ms = whole_buckets(start_ms, end_ms)
        table = None
        if names and start_ms < end_ms:
            query = influxql.outline(site, unit, names, start_ms, end_ms, width_ms)
            (table,) = self._query(query)
        if table is None:
            return Outline.of(np.empty((0, 1 + 3 * len(names))), names, width_ms)
        return Outline.of(np.column_stack([table.time_ms, table.values]), names, width_ms)

    def latest(self, site: str, unit: str) -> dict[str, tuple[int, float]]:
        """See the protocol."""
        names = [s.name for s in SIGNALS]
        (newest,) = self._query(influxql.time_of_newest(site, unit, names))
        if newest is None:
            return {}
        answers = self._query(influxql.newest(site, unit, names, int(newest.time_ms[0])))
        return {
            name: (int(table.time_ms[0]), float(table.values[0, 0]))
            for name, table in zip(names, answers, strict=True)
            if table is not None
        }

    def maintain(self, now_ms: int) -> None:
        """Nothing: rollups and retention are the server's work."""

    def close(self) -> None:
        """Let go of the connections."""
        self._writer.close()
        self._client.close()
        self._http.clear()

    def _write_lines(self, text: Sequence[str]) -> None:
        """Write, halving what the server (or a proxy before it) finds too large for one request."""
        try:
            self._send("\n".join(text).encode())
        except InfluxDBError as err:
            # The client sets these on every error that a server's answer caused.
            status: int = getattr(err, "status", None) or 0
            body = getattr(err, "body", None) or getattr(err, "reason", None) or err.message
            said = self._clean(_message(str(body)))
            if status == _TOO_LARGE and len(text) > 1:
                half = len(text) // 2
                self._write_lines(text[:half])
                self._write_lines(text[half:])
            elif _PAST_RETENTION in said:
                # The rest of the request was carried out; what is too old is never taken.
                _log.warning("the bucket's retention turned samples away; dropped: %s", said)
            else:
                headers = getattr(err, "headers", None) or {}
                raise self._refusal("written to", status, said, headers) from None
        except (urllib3.exceptions.HTTPError, OSError) as err:
            raise self._unreachable(err) from None

    def _send(self, body: bytes) -> None:
        """One write request."""
        self._writer.write(
            bucket=self._settings.bucket,
            org=self._settings.org or "-",
            record=body,
            write_precision=WritePrecision.MS,
        )

    def _query(self, query: str) -> list[influxql.Table | None]:
        headers = {"Accept": "application/json"}
        if self._settings.token:
            headers["Authorization"] = f"Token {self._settings.token}"
        try:
            # By POST, because a query for every signal is longer than some proxies let an
            # address be.
            response = self._http.request_encode_body(
                "POST",
                f"{self._url}/query",
                fields={"db": self._settings.bucket, "epoch": "ms", "q": query},
                encode_multipart=False,
                headers=headers,
            )
            body = response.data
        except (urllib3.exceptions.HTTPError, OSError) as err:
            raise self._unreachable(err) from None
        if response.status != 200:
            said = self._clean(_message(body.decode(errors="replace")))
            raise self._refusal("read", response.status, said, response.headers)
        try:
            answer = json.loads(body)
        except ValueError:
            answer = None  # influxql says what to make of that
        try:
            return influxql.tables(answer)
        except StoreRefused as err:
            raise StoreRefused(self._without_token(str(err))) from None

    # The errors below are raised "from None": a cause's text may quote what was sent.

    def _unreachable(self, err: Exception) -> StoreUnavailable:
        msg = (
            f"the telemetry server at {self._url} can't be reached ({self._clean(str(err))}). "
            "Check that it runs and that url in fleet.toml is right. It is tried again later; "
            "samples wait in the journal meanwhile."
        )
        return StoreUnavailable(msg)

    def _refusal(
        self, doing: str, status: int, said: str, headers: Mapping[str, Any]
    ) -> StoreUnavailable | StoreRefused:
        text = (
            f"bucket {self._settings.bucket!r} of the telemetry server at {self._url} can't be "
            f"{doing}: status {status}, {said or 'no reason given'}."
        )
        if not 400 <= status < 500 or status in _RETRY_LATER:
            return StoreUnavailable(
                f"{text} It is tried again later; samples wait in the journal meanwhile.",
                _retry_after_s(headers),
            )
        advice = _WHAT_TO_DO.get(status, "Correct what the server names")
        return StoreRefused(f"{text} {advice}; samples wait in the journal meanwhile.")

    def _clean(self, text: str) -> str:
        """Foreign text for one line of our own: short, printable, without the token."""
        text = self._without_token(text)
        text = " ".join("".join(c if c.isprintable() else " " for c in text).split())
        return text[:300].rstrip(".")

    def _without_token(self, text: str) -> str:
        return text.replace(self._settings.token, "(token)") if self._settings.token else text


def _message(body: str) -> str:
    """The server's own words: ``message`` (version 2) or ``error`` (version 1), or all of it."""
    try:
        document = json.loads(body)
    except ValueError:
        return body
    if isinstance(document, dict):
        return str(document.get("message") or document.get("error") or body)
    return body


def _retry_after_s(headers: Mapping[str, Any]) -> float | None:
    value = str(headers.get("Retry-After", ""))
    return float(value) if value.isascii() and value.isdigit() else None
