"""Labelled histories: what a fleet measured over weeks, and what was truly wrong with it when.

A labelled history is a folder:

``sites/*.toml``
    Ordinary site files.
``samples.parquet`` or ``samples.csv``
    Columns ``time`` (UTC; a timestamp, or ISO 8601 text), ``site``, ``unit``, then signal names of
    :mod:`rules.signals` in the catalogue's units, empty where not measured. Rows stand in the order
    of their arrival: readings that a cut-off site kept back come after it is connected again, under
    their own times, and a unit whose clock is wrong stands among its neighbours of the same moment.
``faults.json``
    A list of ``{site, unit, fault, start, end, severity}``: ``fault`` a slug of the catalogue,
    ``severity`` one of low, medium and high, times in ISO 8601, ``unit`` null where a whole site is
    concerned. ``onsets`` is added: when each severity was truly reached. Readers take no notice of
    keys that they do not know.
``healthy.json``
    Not needed by a reader: the healthy events, ``{site, unit, event, start, end}``, so that a false
    alarm can be explained.
``out_of_service.json``
    Of these, when a technician had taken a unit out of service: ``{site, unit, start, end}``.

``start`` is the first moment at which the fault acted (a blocked bleed, for instance, when the
bleed was first asked to open), ``end`` its mending, or later while its effect stays above the
limit for low. ``severity`` is the highest that was reached, by a measure of the plant's true state
and limits that :data:`simulator.labelled.truth.MEASURES` defines; what acted without reaching low
is low too, with no ``onsets``. A fault that never acted has no label, nor has what merely follows
from a labelled one (pads that run dry because the pump stands). A pump that its protection stopped
for good has: it ``follows`` the overload, or ``accepts`` it where that could hardly be seen.
"""

from __future__ import annotations

from simulator.labelled.write import LabelledPlan, write_labelled

__all__ = ["LabelledPlan", "write_labelled"]
