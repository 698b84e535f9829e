"""Which telemetry store a gateway uses, and how. Reads no file and no environment."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal
from urllib.parse import urlsplit

__all__ = ["StoreSettings"]


@dataclass(frozen=True)
class StoreSettings:
    """The telemetry store's settings, checked; ``ValueError`` names each fault and its cure.

    ``kind`` "embedded" keeps one SQLite file in the data directory. ``kind`` "influxdb" writes to
    the ``bucket`` of ``org`` on the server at ``url`` with ``token``, which is kept out of every
    text. ``retention_days`` (samples) and ``rollup_retention_days`` (5-minute rollups) hold for the
    embedded store; an InfluxDB bucket's retention is set on its server. ``timeout_s`` bounds
    one request to a server.
    """

    kind: Literal["embedded", "influxdb"] = "embedded"
    retention_days: int = 400
    rollup_retention_days: int = 3650
    url: str = ""
    org: str = ""
    bucket: str = ""
    token: str = field(default="", repr=False)
    timeout_s: float = 10.0

    def __post_init__(self) -> None:
        """Check the settings together."""
        faults = [*self._retention_faults(), *self._server_faults()]
        if faults:
            raise ValueError(" ".join(faults))

    def _retention_faults(self) -> list[str]:
        if not 1 <= self.retention_days <= self.rollup_retention_days:
            fault = (
                f"retention_days = {self.retention_days} must be at least 1 and at most "
                f"rollup_retention_days = {self.rollup_retention_days}: rollups outlive the "
                "samples they were made of."
            )
            return [fault]
        return []

    def _server_faults(self) -> list[str]:
        if self.kind != "influxdb":
            return []
        faults = []
        try:
            parts = urlsplit(self.url)
            usable = parts.scheme in {"http", "https"} and bool(parts.hostname)
            has_secret = parts.username is not None or parts.password is not None
        except ValueError:
            usable, has_secret = False, "@" in self.url
        if has_secret:
            faults.append(
                "url holds a user name or password: take it out, and give the token by token_env "
                "or token_file, so that it does not show in logs."
            )
        elif not usable:
            faults.append(f"url = {self.url!r} is not an http:// or https:// address.")
        if not self.bucket:
            faults.append("bucket is missing: name the bucket that samples are written to.")
        if any(c.isspace() or not c.isprintable() for c in self.token):
            faults.append("the token holds a space or a line break: check the token's file.")
        if self.timeout_s <= 0:
            faults.append(f"timeout_s = {self.timeout_s} must be above 0.")
        return faults
