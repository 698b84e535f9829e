"""What to do about everything the wire can refuse: one sentence for each reason.

The quarantine shows a person what was wrong (written where it was found) followed by the sentence
from here. Never says what a value should have been: that is for the site to find out.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Final

from gateway.batch import Reason

__all__ = ["ADVICE", "EXCERPT_LIMIT", "excerpt", "explain", "printable"]

EXCERPT_LIMIT: Final = 200
"""Characters of a refused message or record that are kept."""

ADVICE: Final[Mapping[Reason, str]] = {
    Reason.TOPIC: (
        "Publish to sites/<site>/<unit>/senml, sites/<site>/<unit>/senml-cbor or "
        "sites/<site>/status, with ids as in the site file (a-z, 0-9 and '-', 64 characters at "
        "most)."
    ),
    Reason.UNREGISTERED: (
        "Add the unit to its site file and reload, or correct the topic that the sensor "
        "publishes to."
    ),
    Reason.TOO_LARGE: "Split it into smaller packs; each pack needs its own base name and time.",
    Reason.NOT_SENML: (
        "Send one array of SenML records (RFC 8428): under senml as JSON (section 5, UTF-8, "
        "without byte-order mark), under senml-cbor as CBOR (section 6, definite lengths)."
    ),
    Reason.NOT_SPARKPLUG: (
        "Send the protobuf payload of Sparkplug B 3.0 (chapter 6.4) under spBv1.0/<group>/<type>/"
        "<edge node>[/<device>]."
    ),
    Reason.NO_BIRTH: (
        "Make the edge node send its births again (restart it, or write true to its 'Node "
        "Control/Rebirth'); with request_rebirth = true under [sparkplug] in fleet.toml the "
        "gateway asks for them itself."
    ),
    Reason.MISSING: (
        "Look at the connection between edge node and broker, and whether the gateway was away: "
        "Sparkplug sends data with QoS 0, which no broker keeps. The readings are lost unless the "
        "edge node sends them as historical."
    ),
    Reason.VERSION: (
        "Set the publisher to SenML version 10 (RFC 8428) and give bver once, in the first record "
        "of the pack, or not at all."
    ),
    Reason.IDENTITY: (
        "Correct the base name or the topic; the topic decides which unit a reading belongs to, "
        "so nothing was stored for either unit."
    ),
    Reason.UNKNOWN_SIGNAL: (
        "Map the name to a signal of the catalogue under [units.signals.<name>] in the site file, "
        "or stop sending it. A base name must end with ':' or '/'."
    ),
    Reason.NO_UNIT: (
        'Send the unit (u or bu), or declare it with unit = "..." under [units.signals.<name>] '
        "in the site file."
    ),
    Reason.WRONG_UNIT: (
        "Send a SenML unit symbol of the right quantity, or one of the trade's units that the "
        "wire guide lists."
    ),
    Reason.NOT_A_NUMBER: (
        "Send a finite number in v (or a boolean in vb for an on/off signal); leave the "
        "record out while the sensor has no reading."
    ),
    Reason.OUT_OF_RANGE: (
        "Check the sensor's wiring and scaling, and the unit it declares; correct it with scale "
        "and offset in the site file if the transmitter cannot be changed."
    ),
    Reason.CLOCK_AHEAD: (
        "Set the site's clock (UTC, network time), or leave bt and t out so that the time of "
        "receipt counts."
    ),
    Reason.TOO_OLD: (
        "Nothing to do if the site sent a long backlog; otherwise set the site's clock. Time is "
        "in seconds, not milliseconds."
    ),
    Reason.NO_TEMPERATURE: (
        "Send basin_temperature in the same pack with the same time, or set the probe to refer "
        "to 25 °C itself and say so in the site file."
    ),
    Reason.RECORD: "Correct the publisher; RFC 8428, sections 4 and 5 say what a record may hold.",
}


def printable(text: str, limit: int = EXCERPT_LIMIT) -> str:
    """At most ``limit`` characters of ``text`` that every file, database and screen can take.

    What cannot be printed (control characters, halves of surrogate pairs) is written as an escape.
    """
    cut = text[: limit + 1]
    clean = cut if cut.isprintable() else "".join(map(_escaped, cut))
    return clean if len(clean) <= limit else clean[: limit - 1] + "…"


def _escaped(character: str) -> str:
    if character.isprintable():
        return character
    return character.encode("unicode_escape", "backslashreplace").decode("ascii")


def excerpt(refused: object) -> str:
    """At most :data:`EXCERPT_LIMIT` printable characters of a payload or of one of its records."""
    if isinstance(refused, (bytes, bytearray, memoryview)):
        text = bytes(refused[: EXCERPT_LIMIT * 4]).decode("utf-8", "backslashreplace")
    else:
        try:
            text = json.dumps(refused, ensure_ascii=False, default=str)
        except TypeError:  # a map within it has keys that JSON cannot have
            text = str(refused)
    return printable(text)


def explain(reason: Reason, what: str) -> str:
    """What was wrong, then what to do about it."""
    return f"{what} {ADVICE[reason]}"
