"""What comes over the wire, read: topic and payload to frames, refusals or a site's status.

Pure: no socket, no clock, no log. The formats and rules are described in the wire guide.
"""

from gateway.wire.decoded import Decoded
from gateway.wire.decoder import Decoder
from gateway.wire.edge_nodes import EdgeNodes
from gateway.wire.unit_wire import EdgePlace, UnitWire, edges_of, from_equipment, of_sites

__all__ = [
    "Decoded",
    "Decoder",
    "EdgeNodes",
    "EdgePlace",
    "UnitWire",
    "edges_of",
    "from_equipment",
    "of_sites",
]
