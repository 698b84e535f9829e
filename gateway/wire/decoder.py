"""Topic and payload to frames, refusals or a site's status. Pure, and never an exception.

Every message ends as samples, as quarantine entries with a reason a person can act on, or both, and
the counts add up (see :class:`gateway.wire.decoded.Decoded`). Identity is the topic. What the topic
says is decided here; payloads are read by :mod:`gateway.wire.senml_packs` and
:mod:`gateway.wire.sparkplug`.
"""

from __future__ import annotations

from collections.abc import Mapping

from gateway.batch import Reason, SiteStatus
from gateway.sparkplug_settings import SparkplugSettings
from gateway.wire.advice import printable
from gateway.wire.decoded import MAX_PAYLOAD_BYTES, Decoded, of_unit, refused, too_large
from gateway.wire.edge_nodes import EdgeNodes
from gateway.wire.readings import DEFAULT_RETENTION_DAYS, Window
from gateway.wire.senml_packs import FORMATS, PackReader, UnitState
from gateway.wire.sparkplug import NAMESPACE, SparkplugReader
from gateway.wire.targets import Targets
from gateway.wire.unit_wire import EdgePlace, UnitWire
from rules.equipment import ID_PATTERN

__all__ = ["Decoder"]


class Decoder:
    """Decodes the messages of the known ``units``, given by (site, unit).

    ``retention_days`` is how far back samples are kept: what is older is refused, and counted.
    ``edges`` are the Sparkplug edge nodes that site files name, by (group, edge node), and
    ``nodes`` what is remembered of them, which outlives a decoder.
    """

    def __init__(
        self,
        units: Mapping[tuple[str, str], UnitWire],
        retention_days: float = DEFAULT_RETENTION_DAYS,
        *,
        edges: Mapping[tuple[str, str], EdgePlace] | None = None,
        nodes: EdgeNodes | None = None,
        sparkplug: SparkplugSettings | None = None,
    ) -> None:
        """Remembers what the units send as it comes, so keep one decoder for the process."""
        self._targets = Targets(units)
        self._sites = frozenset(site for site, _ in units)
        window = Window(retention_days)
        self._packs = PackReader(self._targets, window)
        self._nodes = EdgeNodes() if nodes is None else nodes
        self._sparkplug = SparkplugReader(
            edges or {}, self._nodes, self._targets, window, sparkplug or SparkplugSettings()
        )
        self._by_topic = {
            f"sites/{site}/{unit}/{suffix}": UnitState(wire, form)
            for (site, unit), wire in units.items()
            for suffix, form in FORMATS.items()
        }

    def decode(self, topic: str, payload: bytes, received_ms: int) -> Decoded:
        """What the message says. ``received_ms`` is UTC, ms since 1970."""
        try:
            return self._decode(topic, payload, received_ms)
        except Exception as error:  # noqa: BLE001 - one message must not stop all sites: it would be redelivered for ever
            text = printable(_defect(error), 500)
            return refused(topic, payload, received_ms, Reason.RECORD, text)

    def overdue(self, now_ms: int) -> Decoded:
        """What is to be said of messages that did not come, though others after them did."""
        try:
            return self._sparkplug.overdue(now_ms)
        except Exception as error:  # noqa: BLE001 - it would be met again at every look
            self._nodes.stop_waiting()
            text = f"{_defect(error)} Messages of Sparkplug that waited for others are lost."
            return refused("spBv1.0/#", b"", now_ms, Reason.RECORD, printable(text, 500))

    def notes(self) -> dict[str, bytes | None]:
        """What must be kept with what was decoded since the last call, by name; None: drop it.

        Given to :class:`gateway.wire.edge_nodes.EdgeNodes` at the next start.
        """
        return self._nodes.notes()

    def requests(self, now_ms: int) -> list[tuple[str, bytes]]:
        """Topics and payloads to be published (QoS 0, not retained) because of what was decoded."""
        return self._sparkplug.requests(now_ms)

    def _decode(self, topic: str, payload: bytes, received_ms: int) -> Decoded:
        state = self._by_topic.get(topic)
        if state is None:
            return self._other(topic, payload, received_ms)
        if len(payload) > MAX_PAYLOAD_BYTES:
            return too_large(topic, payload, received_ms, **of_unit(state.wire))
        return self._packs.read(state, topic, payload, received_ms)

    # --- topics that are no unit's ---------------------------------------------------------------

    def _other(self, topic: str, payload: bytes, received_ms: int) -> Decoded:
        parts = topic.split("/")
        if parts[0] == NAMESPACE:
            return self._sparkplug.read(topic, payload, received_ms)
        if parts[0] == "sites" and all(ID_PATTERN.fullmatch(p) for p in parts[1:-1]):
            if len(parts) == 3 and parts[2] == "status":
                return self._status(topic, parts[1], payload, received_ms)
            if len(parts) == 4 and parts[3] in FORMATS:
                site, unit = parts[1:3]
                what = (
                    f"Site {site} has no unit '{unit}' in its file."
                    if site in self._sites
                    else f"No site file describes site '{site}'."
                )
                return refused(
                    topic, payload, received_ms, Reason.UNREGISTERED, what, site=site, unit=unit
                )
        what = f"Nothing is expected under the topic '{topic[:120]}'."
        return refused(topic, payload, received_ms, Reason.TOPIC, what)

    def _status(self, topic: str, site: str, payload: bytes, received_ms: int) -> Decoded:
        if site not in self._sites:
            what = f"No site file describes site '{site}'."
            return refused(topic, payload, received_ms, Reason.UNREGISTERED, what, site=site)
        if payload not in (b"online", b"offline"):
            what = "A site's status is 'online' or 'offline', without quotes."
            return refused(topic, payload, received_ms, Reason.RECORD, what, site=site)
        return Decoded(status=SiteStatus(received_ms, site, payload == b"online"))


def _defect(error: Exception) -> str:
    return (
        f"The decoder failed on this message ({type(error).__name__}: {error}). Report it with the "
        "excerpt: this is a defect of basinward."
    )
