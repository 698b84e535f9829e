"""A site's own gateway with a buffer: it publishes all it has, whoever listens or breaks.

What the broker has not acknowledged is sent again by the client library after a reconnection. A
broker that is killed may have acknowledged what it had not saved yet: :meth:`BufferedSite.repeat`
sends the last part again, as a gateway with a buffer does when its broker comes back.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Sequence
from typing import Self

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from support.stream import Message

__all__ = ["BufferedSite"]

_BURST = 20
_REPEATED = 200


class BufferedSite:
    """Publishes ``messages`` with QoS 1 in their order, in a thread of its own.

    ``pause_s`` is the time between bursts of 20 messages.
    """

    def __init__(self, port: int, messages: Sequence[Message], pause_s: float = 0.0) -> None:
        self._messages = messages
        self._pause_s = pause_s
        self._published = 0
        self._recent: deque[Message] = deque(maxlen=_REPEATED)
        self._halted = threading.Event()
        self._turn = threading.Lock()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="site")
        self._client.max_inflight_messages_set(100)
        self._client.reconnect_delay_set(1, 1)
        self._news = threading.Condition()
        self._acknowledged: set[int] = set()
        self._client.on_publish = self._on_publish
        self._client.connect("127.0.0.1", port)
        self._thread = threading.Thread(target=self._run)

    def __enter__(self) -> Self:
        self._client.loop_start()
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._halted.set()
        with self._news:
            self._news.notify_all()
        self._thread.join(120)
        self._client.disconnect()
        self._client.loop_stop()

    @property
    def done_frac(self) -> float:
        """The part of the messages that the broker has acknowledged, 0 to 1."""
        return self._published / len(self._messages)

    def repeat(self) -> None:
        """Send what was published last once more, before what follows."""
        with self._turn:
            self._send(list(self._recent))

    def finish(self) -> None:
        """Wait until the last message is acknowledged."""
        self._thread.join(120)
        assert self._published == len(self._messages), "the site could not publish everything"

    def _run(self) -> None:
        for start in range(0, len(self._messages), _BURST):
            burst = self._messages[start : start + _BURST]
            with self._turn:
                self._recent.extend(burst)
                if not self._send(burst):
                    return
            self._published += len(burst)
            if self._halted.wait(self._pause_s):
                return

    def _send(self, messages: Sequence[Message]) -> bool:
        """Publish and wait; False if it was told to end before all was acknowledged."""
        with self._news:
            # The number of a message is known only once it may have been acknowledged already.
            self._acknowledged.clear()
        sent = {self._client.publish(topic, payload, qos=1).mid for topic, payload in messages}
        with self._news:
            self._news.wait_for(lambda: sent <= self._acknowledged or self._halted.is_set())
            return sent <= self._acknowledged

    def _on_publish(self, _client: object, _data: object, mid: int, *_: object) -> None:
        with self._news:
            self._acknowledged.add(mid)
            self._news.notify_all()
