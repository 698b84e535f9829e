"""How long one message takes to decode, in each form of the wire, beside the bare library.

Run from the project's directory: ``python tests/benchmarks/bench_decode.py [units]``. Each message
holds the same 15 readings of a unit at one instant. The bare figures are what the library alone
takes to make Python objects of the bytes: no names, units, times or limits. CPU time of this
thread, the least of several passes over all messages.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import cbor2

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from packs import packs  # noqa: E402
from support.sparkplug_edge import EdgeNode, Metric  # noqa: E402

from gateway.wire import Decoder, EdgePlace, UnitWire  # noqa: E402
from gateway.wire.senml_cbor import LABELS  # noqa: E402
from gateway.wire.sparkplug_payload import parse  # noqa: E402

__all__ = ["measured"]

_PASSES = 7
NOW_MS = 1_760_000_000_000
Message = tuple[str, bytes]


def cbor_of(message: Message) -> Message:
    """The same pack in CBOR."""
    number = {name: label for label, name in LABELS.items()}
    records = [{number[k]: v for k, v in r.items()} for r in json.loads(message[1])]
    return message[0] + "-cbor", cbor2.dumps(records)


def sparkplug_of(message: Message, nodes: dict[str, EdgeNode], births: list[Message]) -> Message:
    """The same readings as DDATA by alias; the births go before."""
    _, site, unit, _ = message[0].split("/")
    records = json.loads(message[1])
    time_ms = round(records[0]["bt"] * 1000)
    if site not in nodes:
        nodes[site] = EdgeNode("bench", site)
        births.append(nodes[site].birth(time_ms))
    key = f"{site}/{unit}"
    if key not in nodes:
        nodes[key] = nodes[site]
        metrics = [
            Metric(r["v"], r["n"], i, time_ms, told=True, unit=r.get("u", ""))
            for i, r in enumerate(records, start=1)
        ]
        births.append(nodes[site].device_birth(unit, time_ms, metrics))
    metrics = [Metric(r["v"], alias=i, timestamp=time_ms) for i, r in enumerate(records, start=1)]
    return nodes[site].data(unit, time_ms, metrics)


def cpu_us(
    call: Callable[[Message], object], messages: Sequence[Message], passes: int = 7
) -> float:
    """CPU time a message. [µs]"""
    best = float("inf")
    for _ in range(_PASSES):
        begun = time.thread_time()
        for message in messages:
            call(message)
        best = min(best, time.thread_time() - begun)
    return 1e6 * best / len(messages)


def measured(units: int = 200, messages: int = 4_000) -> list[tuple[str, int, float, float]]:
    """By form: bytes a message, and the time here and of the bare library. [µs]"""
    names = [(f"s{i // 20}", f"u{i}") for i in range(units)]
    wires = {name: UnitWire(*name, row=row) for row, name in enumerate(names)}
    edges = {
        ("bench", site): EdgePlace(
            site, {u: w for (s, u), w in wires.items() if s == site},
            {u: w for (s, u), w in wires.items() if s == site},
        )
        for site in {s for s, _ in names}
    }  # fmt: skip
    decoder = Decoder(wires, edges=edges)
    as_json = list(packs(names, messages, NOW_MS))
    as_cbor = [cbor_of(m) for m in as_json]
    births: list[Message] = []
    nodes: dict[str, EdgeNode] = {}
    as_sparkplug = [sparkplug_of(m, nodes, births) for m in as_json]
    for topic, body in (*births, *as_sparkplug):
        found = decoder.decode(topic, body, NOW_MS)
        assert not found.rejects, found.rejects
    lines = []
    for form, sent, bare in (
        ("SenML JSON", as_json, lambda m: json.loads(m[1])),
        ("SenML CBOR", as_cbor, lambda m: cbor2.loads(m[1])),
        ("Sparkplug B", as_sparkplug, lambda m: parse(m[1])),
    ):
        assert decoder.decode(*sent[0], NOW_MS).samples == 15
        ours = cpu_us(lambda m: decoder.decode(m[0], m[1], NOW_MS), sent)
        lines.append((form, len(sent[0][1]), ours, cpu_us(bare, sent)))
    return lines


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("units", type=int, nargs="?", default=200)
    for form, size, ours, bare in measured(parser.parse_args().units):
        sys.stdout.write(
            f"{form:<12} {size:>4} bytes {ours:6.1f} µs, library alone {bare:5.1f} µs\n"
        )


if __name__ == "__main__":
    main()
