"""Water and energy that a unit used in a period, each figure with its method and how sure it is.

Pure, over the five-minute means of one unit at a time. What was not measured is not known, and is
never filled up from what was: a sum goes with the share of the time that it is of.
"""

from rules.consumption.energy import CleanTd
from rules.consumption.figures import Amount, Share, UnitUse, summed
from rules.consumption.trace import FaultSpan, Trace
from rules.consumption.use import unit_use

__all__ = [
    "Amount", "CleanTd", "FaultSpan", "Share", "Trace", "UnitUse", "summed", "unit_use",
]  # fmt: skip
