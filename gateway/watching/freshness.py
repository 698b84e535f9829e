"""How old the newest sample of each site is, as quantiles over the sites.

A fleet has a thousand sites; a figure with a label for each would grow with it. What the sites'
ages are like, and how many sites are silent, takes a handful of numbers.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from gateway.batch import Batch

__all__ = ["QUANTILES", "Freshness", "SiteAges"]

QUANTILES: Final = (0.5, 0.9, 0.99, 1.0)
"""Shares of the sites; 1 is the oldest of all."""

_NEVER: Final = np.iinfo(np.int64).min


@dataclass(frozen=True)
class SiteAges:
    """Ages of the newest samples, by the samples' own times, of the sites heard since the start.

    ``quantiles_s`` are those of :data:`QUANTILES`, empty while no site was heard. ``unheard``
    counts the other sites. ``silent`` counts the sites whose newest sample is older than an hour,
    and once the gateway has run for an hour also those unheard.
    """

    heard: int = 0
    unheard: int = 0
    silent: int = 0
    quantiles_s: tuple[float, ...] = ()


class Freshness:
    """The newest sample's time of each unit, in one array. Told by one thread, asked by another."""

    def __init__(self) -> None:
        """Nobody has been heard, and there are no sites."""
        self._lock = threading.Lock()
        self._newest_ms = np.full(0, _NEVER, dtype=np.int64)
        self._rows = np.empty(0, dtype=np.int64)
        self._site_of = np.empty(0, dtype=np.int64)
        self._n_sites = 0

    def know(self, rows: Mapping[tuple[str, str], int], sites: Sequence[str]) -> None:
        """These are the sites, with the unit register's row of each (site, unit)."""
        index = {site: i for i, site in enumerate(sites)}
        pairs = [(row, index[site]) for (site, _unit), row in rows.items() if site in index]
        with self._lock:
            self._rows = np.array([row for row, _ in pairs], dtype=np.int64)
            self._site_of = np.array([i for _, i in pairs], dtype=np.int64)
            self._n_sites = len(sites)
            self._reach(int(self._rows.max(initial=-1)) + 1)

    def heard(self, batch: Batch) -> None:
        """These samples have arrived."""
        with self._lock:
            self._reach(int(batch.unit_row.max(initial=-1)) + 1)
            np.maximum.at(self._newest_ms, batch.unit_row, batch.time_ms)

    def ages(self, now_ms: int, running_s: float, silent_after_s: float = 3600.0) -> SiteAges:
        """As seen at ``now_ms`` by a gateway that has run for ``running_s``."""
        newest_ms = np.full(self._n_sites, _NEVER, dtype=np.int64)
        with self._lock:
            np.maximum.at(newest_ms, self._site_of, self._newest_ms[self._rows])
        known = newest_ms[newest_ms > _NEVER]
        # A sender's clock may be ahead; a sample is not younger than new.
        age_s = np.maximum(now_ms - known, 0) / 1000.0
        unheard = len(newest_ms) - len(known)
        silent = int(np.count_nonzero(age_s > silent_after_s))
        if running_s > silent_after_s:
            silent += unheard
        quantiles: tuple[float, ...] = ()
        if len(age_s):
            quantiles = tuple(np.quantile(age_s, QUANTILES, method="higher").tolist())
        return SiteAges(len(known), unheard, silent, quantiles)

    def _reach(self, size: int) -> None:
        missing = size - len(self._newest_ms)
        if missing > 0:
            more = np.full(missing, _NEVER, dtype=np.int64)
            self._newest_ms = np.concatenate([self._newest_ms, more])
