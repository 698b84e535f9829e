"""What people are shown of the fleet, as plain frozen data: no layout, nothing of the web.

Each module has one view and a function that makes it of a :class:`gateway.overview.source.Source`.
"""

from __future__ import annotations

__all__: list[str] = []
