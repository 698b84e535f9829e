"""Which labelled faults no signal of their unit bears on.

A fault's catalogue entry says which signals it cannot be judged without. Where a unit never sends
one of them, no rule of this catalogue can find the fault there, however it is set. Such cases stay
in every figure; they are only told beside them.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping

from rules.evaluation.cases import Label
from rules.faults.base import Fault

__all__ = ["missing_signals", "without_signals"]


def missing_signals(fault: Fault, sent: Collection[str]) -> tuple[str, ...]:
    """What of the fault's needs a unit that sends these signals lacks: names, or 'a or b'."""
    alone = tuple(name for name in fault.needs if name not in sent)
    groups = tuple(
        " or ".join(group) for group in fault.needs_any if not any(n in sent for n in group)
    )
    return alone + groups


def without_signals(
    labels: Iterable[Label],
    sent: Mapping[tuple[str, str], Collection[str]],
    catalogue: Mapping[str, Fault],
) -> dict[int, tuple[str, ...]]:
    """By number of the label, what its unit lacks for its fault; only those that lack something.

    Where a label accepts other names, each of them must lack something. A fault that the catalogue
    does not have, or of a site as a whole, or of a unit of which nothing is known, is left out.
    """
    found = {}
    for label in labels:
        known = [catalogue[name] for name in sorted(label.names) if name in catalogue]
        own = catalogue.get(label.fault)
        if own is None or label.whole_site or (label.site, label.unit) not in sent:
            continue
        have = sent[label.site, label.unit]
        if all(missing_signals(fault, have) for fault in known):
            found[label.number] = missing_signals(own, have)
    return found
