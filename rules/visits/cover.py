"""Chooses tours so that each need is done once: set partitioning, by the solver HiGHS.

Owns the two programs: the linear one, whose prices say which tours would still help, and the
mixed-integer one, which decides. A need may be left undone at its own cost. HiGHS comes with scipy.

Huangfu, Hall, *Parallelizing the dual revised simplex method*, Math. Prog. Comp. 10 (2018).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, linprog, milp
from scipy.sparse import coo_array, csr_array

from rules.arrays import F64, I64, Bool

__all__ = ["Column", "Prices", "SolverFailed", "choose", "decide", "relax"]

_WHOLE: Final = 0.5
_SMALL: Final = 120
"""Needs that the integer program takes on at once."""
_NEARLY_WHOLE: Final = 0.9
_SMALL_SHARE: Final = 1e-6
_GAP: Final = 1e-3


class SolverFailed(Exception):
    """The solver gave no answer; the message is its own."""


@dataclass(frozen=True)
class Column:
    """One tour of one crew on one day: which needs it does, which crew day it takes, its cost."""

    needs: tuple[int, ...]
    crew_day: int
    cost: float


@dataclass(frozen=True)
class Prices:
    """Of the linear program: what each need's row is worth, what each crew day is, and the cost.

    ``crew_day`` is 0 or below: a day that is wanted by many is dear.
    """

    need: F64
    crew_day: F64
    cost: float
    share: F64
    """How much of each column the program takes, 0 to 1."""


def relax(columns: Sequence[Column], left_cost: F64, crew_days: int) -> Prices:
    """The linear program over these columns; need n left undone costs ``left_cost[n]``."""
    equal, most, cost = _program(columns, left_cost, crew_days)
    done = linprog(
        cost,
        A_eq=equal,
        b_eq=np.ones(equal.shape[0]),
        A_ub=most,
        b_ub=np.ones(most.shape[0]),
        bounds=(0, None),
        method="highs",
    )
    if done.status != 0:
        raise SolverFailed(str(done.message))
    return Prices(
        np.asarray(done.eqlin.marginals),
        np.asarray(done.ineqlin.marginals),
        float(done.fun),
        np.asarray(done.x)[: len(columns)],
    )


def choose(columns: Sequence[Column], left_cost: F64, crew_days: int, limit_s: float) -> list[int]:
    """Which columns to take, by their indices.

    While more than a small problem is left, what the linear program takes all but whole is taken,
    and the rest is asked anew (diving); the integer program decides about what then remains. It
    ends after ``limit_s`` seconds with the best that was found, which may be to leave the rest.
    """
    fixed: list[int] = []
    open_columns = list(range(len(columns)))
    needs = np.ones(len(left_cost), dtype=np.bool_)
    while needs.sum() > _SMALL:
        rows = np.flatnonzero(needs)
        part = _renumbered([columns[i] for i in open_columns], rows, len(left_cost))
        share = relax(part, left_cost[rows], crew_days).share
        taken = np.flatnonzero(share >= _NEARLY_WHOLE)
        if not len(taken):
            if not len(share) or share.max() < _SMALL_SHARE:
                return fixed
            taken = np.array([int(share.argmax())])
        fixed += [open_columns[t] for t in taken]
        for t in taken:
            needs[list(columns[open_columns[t]].needs)] = False
        used = {columns[i].crew_day for i in fixed}
        open_columns = [
            i for i in open_columns
            if columns[i].crew_day not in used and needs[list(columns[i].needs)].all()
        ]  # fmt: skip
    rows = np.flatnonzero(needs)
    part = _renumbered([columns[i] for i in open_columns], rows, len(left_cost))
    if not part:
        return fixed
    whole, _ = decide(part, left_cost[rows], crew_days, limit_s)
    return fixed + [i for i, one in zip(open_columns, whole, strict=True) if one]


def _renumbered(columns: Sequence[Column], rows: I64, count: int) -> list[Column]:
    """The columns with their needs counted among the given rows only."""
    at = np.full(count, -1)
    at[rows] = np.arange(len(rows))
    return [replace(c, needs=tuple(int(at[n]) for n in c.needs)) for c in columns]


def decide(
    columns: Sequence[Column], left_cost: F64, crew_days: int, limit_s: float
) -> tuple[Bool, float]:
    """Which columns to take, and their cost with that of what is left.

    Ends after ``limit_s`` seconds with the best that was found, which may be to leave everything.
    """
    equal, most, cost = _program(columns, left_cost, crew_days)
    done = milp(
        cost,
        integrality=np.ones(len(cost)),
        bounds=Bounds(0, 1),
        constraints=[
            LinearConstraint(equal, 1, 1),
            LinearConstraint(most, -np.inf, 1),
        ],
        options={"time_limit": limit_s, "mip_rel_gap": _GAP},
    )
    if done.x is None:
        if done.status != 1:
            raise SolverFailed(str(done.message))
        return np.zeros(len(columns), dtype=np.bool_), float(left_cost.sum())
    taken: Bool = done.x[: len(columns)] > _WHOLE
    return taken, float(done.fun)


def _program(
    columns: Sequence[Column], left_cost: F64, crew_days: int
) -> tuple[csr_array, csr_array, F64]:
    """Rows of needs (with a column each for leaving it), rows of crew days, and costs."""
    needs, count = len(left_cost), len(columns)
    width = count + needs
    rows = np.concatenate([
        np.array([row for column in columns for row in column.needs], dtype=np.int64),
        np.arange(needs),
    ])  # fmt: skip
    at = np.concatenate([
        np.repeat(np.arange(count), [len(column.needs) for column in columns]),
        count + np.arange(needs),
    ]).astype(np.int64)  # fmt: skip
    equal = coo_array((np.ones(len(rows)), (rows, at)), shape=(needs, width)).tocsr()
    days = np.array([column.crew_day for column in columns], dtype=np.int64)
    most = coo_array((np.ones(count), (days, np.arange(count))), shape=(crew_days, width)).tocsr()
    cost = np.concatenate([np.array([column.cost for column in columns]), left_cost])
    return equal, most, cost
