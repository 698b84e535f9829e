"""How the gateway deals with Sparkplug edge nodes; the messages are read in :mod:`gateway.wire`."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["SparkplugSettings"]


@dataclass(frozen=True)
class SparkplugSettings:
    """``request_rebirth``: whether edge nodes may be asked to send their births again.

    ``reorder_wait_s`` is how long a message that is out of order may wait for those before it.
    """

    request_rebirth: bool = False
    reorder_wait_s: float = 5.0
