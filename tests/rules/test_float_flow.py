"""What passes a float valve after the pump has stopped, by nameplate and levels alone.

2 m², float shut at 180 mm, 20 mm come back at rest, overflow at 240: by hand, a rise from 180 to
220 mm within two bins is 40 mm, of which half the 20 is the pads' water. 30 mm of 2 m² in ten
minutes are 6 L/min.
"""

from __future__ import annotations

import numpy as np
import pytest
from support.fleet import engine_of

from rules.float_flow import float_flow
from rules.state import TRACE_BINS

UNKNOWN = np.full((1, TRACE_BINS), np.nan)


def passes_frac(running: dict[int, float], at_rest: dict[int, float]) -> float:
    """Share of the full flow, of levels by their bin."""
    traces = []
    for levels in (running, at_rest):
        trace = UNKNOWN.copy()
        trace[0, list(levels)] = list(levels.values())
        traces.append(trace)
    plan = engine_of().plan
    return float(float_flow(plan, np.array([0]), *traces, UNKNOWN, UNKNOWN).flow_frac[0])


def test_the_flow_after_a_stop_is_the_rise_without_half_of_what_comes_back():
    assert passes_frac({20: 180.0}, {22: 220.0}) == pytest.approx(6.0 / 30.0)


def test_a_stop_within_a_bin_tells_no_flow_and_hides_none():
    """Where levels settle within a minute or two one bin may hold both: no time lies between."""
    assert np.isnan(passes_frac({20: 180.0}, {20: 220.0}))
    both = passes_frac({10: 180.0, 20: 180.0}, {10: 215.0, 22: 220.0})
    assert both == pytest.approx(6.0 / 30.0)
