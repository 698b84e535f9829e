"""A site's own gateway: SenML packs made by an independent encoder, published with QoS 1."""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from typing import Final, Self

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # the library's own, not ours
    from kpn_senml import SenmlPack, SenmlRecord

__all__ = ["HEALTHY", "PUMP_STANDS", "SiteGateway", "pack", "pack_of"]

UNITS_ON_THE_WIRE: Final = {
    "basin_level": "mm", "pump_current": "A", "pump_command": "", "wet_mode": "",
    "spray_pressure": "kPa", "ambient_temperature": "Cel",
}  # fmt: skip
"""Symbols of RFC 8428, section 12.1, and RFC 8798, section 3."""

HEALTHY: Final[Mapping[str, float | bool]] = {
    "basin_level": 240.0, "pump_current": 3.9, "pump_command": True, "wet_mode": True,
    "spray_pressure": 78.0, "ambient_temperature": 28.0,
}  # fmt: skip
PUMP_STANDS: Final = {**HEALTHY, "pump_current": 0.0, "spray_pressure": 0.0}
"""The pump is commanded and draws no current; no pressure either, so it does not run."""


def pack_of(
    site: str, unit: str, times_s: Sequence[float], values: Mapping[str, float | bool]
) -> SenmlPack:
    """A pack with the same values at each time, not encoded yet. [s since 1970]"""
    out = SenmlPack(f"{site}/{unit}/")
    out.base_time = times_s[0]
    for time_s in times_s:
        for name, value in values.items():
            unit_symbol = UNITS_ON_THE_WIRE[name] or None
            record = SenmlRecord(name, unit=unit_symbol, value=value)
            record.time = time_s
            out.add(record)
    return out


def pack(site: str, unit: str, times_s: Sequence[float], values: Mapping[str, float | bool]) -> str:
    """The same as JSON."""
    text: str = pack_of(site, unit, times_s, values).to_json()
    return text


class SiteGateway:
    """A connection that publishes; each call returns when the broker has the message."""

    def __init__(self, port: int) -> None:
        self._port = port
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)

    def __enter__(self) -> Self:
        self._client.max_inflight_messages_set(200)
        self._client.connect("127.0.0.1", self._port)
        self._client.loop_start()
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def publish(self, topic: str, payload: bytes | str, *, retain: bool = False) -> None:
        """One message."""
        self._client.publish(topic, payload, qos=1, retain=retain).wait_for_publish(120)

    def publish_all(self, messages: Sequence[tuple[str, bytes | str]]) -> None:
        """Many messages, in this order."""
        sent = [self._client.publish(topic, payload, qos=1) for topic, payload in messages]
        for one in sent:
            one.wait_for_publish(120)

    def send(
        self, site: str, unit: str, times_s: Sequence[float], values: Mapping[str, float | bool]
    ) -> None:
        """The same values at each time, one message a time."""
        topic = f"sites/{site}/{unit}/senml"
        self.publish_all([(topic, pack(site, unit, [t], values)) for t in times_s])
