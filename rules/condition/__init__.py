"""Condition of the parts that are cleaned: 0 to 100 %, with its uncertainty and its reasons.

:mod:`~rules.condition.figures` says what a figure is, the modules beside it work it out from the
readings against the clean baselines.
"""

from rules.condition.figures import PARTS, PartCondition

__all__ = ["PARTS", "PartCondition"]
