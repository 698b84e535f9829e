"""Truth of three values over arrays: true, false, and not known (Kleene's strong logic).

A truth is two arrays of bool, whether it is true and whether that is known; what is not known is
not true. ``false and unknown`` is false, ``true or unknown`` is true; all else with unknown is
unknown.
Source: S. C. Kleene, Introduction to Metamathematics, 1952, section 64 (from memory).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from rules.arrays import F64, Bool

__all__ = ["Kleene", "as_truth", "both", "compared", "either", "joined", "negated"]

Kleene = tuple[Bool, Bool]
"""Whether it is true, and whether it is known."""


def as_truth(values: F64) -> Kleene:
    """Values above one half are true, NaN is not known."""
    return values > 0.5, ~np.isnan(values)


def compared(how: Callable[[F64, F64], Bool], left: F64, right: F64) -> Kleene:
    """A comparison; not known where one of the two is not."""
    known = ~(np.isnan(left) | np.isnan(right))
    return how(left, right) & known, known


def negated(inner: Kleene) -> Kleene:
    """The contrary."""
    true, known = inner
    return ~true & known, known


def both(one: Kleene, two: Kleene) -> Kleene:
    """True where both are, false where one is, known or not the other."""
    true = one[0] & two[0]
    false = (one[1] & ~one[0]) | (two[1] & ~two[0])
    return true, true | false


def either(one: Kleene, two: Kleene) -> Kleene:
    """True where one is, known or not the other; false where both are."""
    true = one[0] | two[0]
    false = (one[1] & ~one[0]) & (two[1] & ~two[0])
    return true, true | false


def joined(join: Callable[[Kleene, Kleene], Kleene], parts: list[Kleene]) -> Kleene:
    """All parts joined by :func:`both` or :func:`either`."""
    found = parts[0]
    for part in parts[1:]:
        found = join(found, part)
    return found
