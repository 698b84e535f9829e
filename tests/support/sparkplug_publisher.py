"""A Sparkplug edge node made with an independent library, in an environment of its own.

Run as ``PYTHON sparkplug_publisher.py PORT`` with the Python of :data:`ENVIRONMENT_VARIABLE`: it
imports nothing but that library. Lines on its standard input are orders, ``by-name {"name": 1}``
and ``by-alias {"name": 1}``; it writes a line for its births and for every command that reaches it.
 :class:`Publisher` starts it and talks with it.
"""

from __future__ import annotations

import json
import queue
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any, Self

ENVIRONMENT_VARIABLE = "BASINWARD_SPARKPLUG_PYTHON"
GROUP, EDGE, DEVICE = "north", "quay-edge", "plc 1"
METRICS = {
    "basin_level": (1, "FLOAT", 240.0), "basin_temperature": (2, "INT16", -5),
    "pump_command": (3, "BOOLEAN", True), "fan_run": (4, "UINT8", 63),
    "head_pressure": (5, "UINT32", 900_000), "pump_current": (6, "DOUBLE", 3.5),
}  # fmt: skip
"""Alias, datatype and the value in the birth."""


class Publisher:
    """The edge node in a process of its own, for the length of a block; it may be killed."""

    def __init__(self, port: int, python: Path) -> None:
        self._process = subprocess.Popen(
            [str(python), __file__, str(port)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        self._lines: queue.Queue[str] = queue.Queue()
        self._reader = threading.Thread(target=self._read)
        self._reader.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.kill()

    def wait_for(self, line: str, timeout_s: float = 120.0) -> None:
        """Wait until it says this."""
        heard = []
        while heard[-1:] != [line]:
            try:
                heard.append(self._lines.get(timeout=timeout_s))
            except queue.Empty:
                msg = f"it did not say {line!r} but {heard}"
                raise AssertionError(msg) from None

    def order(self, what: str, values: dict[str, Any]) -> None:
        """``by-name`` or ``by-alias``, and what to publish."""
        assert self._process.stdin is not None
        self._process.stdin.write(f"{what} {json.dumps(values)}\n")
        self._process.stdin.flush()
        self.wait_for("sent")

    def kill(self) -> None:
        """SIGKILL: the broker publishes its will. May be called twice."""
        self._process.kill()
        self._process.wait(60)
        self._reader.join(60)
        for stream in (self._process.stdin, self._process.stdout):
            assert stream is not None
            stream.close()

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self._lines.put(line.rstrip("\n"))


def main(port: int) -> None:
    """The edge node."""
    import pysparkplug as spb

    def told(line: str) -> None:
        sys.stdout.write(line + "\n")
        sys.stdout.flush()

    def metric(name: str, value: Any, *, named: bool = True) -> Any:
        alias, kind, _ = METRICS[name]
        return spb.Metric(
            timestamp=spb.get_current_timestamp(), name=name if named else None,
            datatype=spb.DataType[kind], value=value, alias=alias,
        )  # fmt: skip

    born = threading.Event()

    class Client(spb.Client):  # type: ignore[misc]  # the library is not in this environment
        def publish(self, message: Any, *, include_dtypes: bool = False) -> None:
            super().publish(message, include_dtypes=include_dtypes)
            if message.topic.message_type == spb.MessageType.DBIRTH:
                born.set()

    def commanded(_node: Any, message: Any) -> None:
        for one in message.payload.metrics:
            told(f"asked {one.name} {one.value}")

    client = Client()
    node = spb.EdgeNode(GROUP, EDGE, (), client, commanded)
    node.register(spb.Device(DEVICE, [metric(name, m[2]) for name, m in METRICS.items()]))
    node.connect("127.0.0.1", port=port)
    born.wait(120)
    told("born")
    topic = spb.Topic(
        message_type=spb.MessageType.DDATA, group_id=GROUP, edge_node_id=EDGE, device_id=DEVICE
    )
    for line in sys.stdin:
        how, _, values = line.partition(" ")
        pairs = json.loads(values).items()
        if how == "by-name":
            node.update_device(DEVICE, [metric(*pair) for pair in pairs])
        else:
            data = spb.DData(
                timestamp=spb.get_current_timestamp(), seq=node._seq,
                metrics=tuple(metric(*pair, named=False) for pair in pairs),
            )  # fmt: skip
            client.publish(spb.Message(topic, data, spb.QoS.AT_MOST_ONCE, retain=False))
        told("sent")


if __name__ == "__main__":
    main(int(sys.argv[1]))
