"""From a tree to array operations, with units checked and unknown kept apart from false.

A truth is a pair of arrays (:mod:`rules.own_rules.truth`). A number is NaN where not known, and so
is the result of dividing by zero.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from rules.arrays import F64, Bool
from rules.own_rules.errors import ExpressionError
from rules.own_rules.quantities import BASELINES, QUANTITIES, UNUSABLE, Quantity, Sight
from rules.own_rules.syntax import (
    Arithmetic,
    Call,
    Comparison,
    Expression,
    Junction,
    Name,
    Negative,
    Not,
    Number,
    parse,
    written,
)
from rules.own_rules.tokens import nearest
from rules.own_rules.truth import Kleene, as_truth, both, compared, either, joined, negated
from rules.own_rules.units import (
    COUNT,
    RATIO,
    UNITS,
    Unit,
    as_difference,
    kind_of,
)

__all__ = ["FUNCTIONS", "Condition", "compile_condition"]

Get = Callable[[str], F64]

FUNCTIONS: Final = {
    "min": "The least of two or more values.",
    "max": "The greatest of two or more values.",
    "abs": "A value without its sign.",
    "baseline": "What was learned of a quantity while the unit was clean.",
}


@dataclass(frozen=True)
class Condition:
    """A condition that was checked. ``written`` is its plain form; ``operands`` what it rests on,
    in the order of the text.
    """

    text: str
    written: str
    operands: tuple[Quantity, ...]
    _holds: Callable[[Get], Kleene]

    def holds(self, sight: Sight) -> Kleene:
        """Where it is true, and where that is known; (k,) each."""
        with np.errstate(all="ignore"):
            return self._holds(sight.value)

    def holds_of(self, get: Get) -> Kleene:
        """The same of values by key, wherever they come from."""
        with np.errstate(all="ignore"):
            return self._holds(get)

    @property
    def signals(self) -> tuple[str, ...]:
        """The signals that it rests on, each once."""
        return tuple(dict.fromkeys(s for q in self.operands for s in q.signals))


def compile_condition(text: str) -> Condition:
    """The condition that ``text`` says; raises :class:`ExpressionError` and nothing else."""
    tree = parse(text)
    compiler = _Compiler(text)
    holds = compiler.truth(tree)
    return Condition(text, written(tree), tuple(compiler.operands.values()), holds.get)


@dataclass(frozen=True)
class _Value:
    """A number: its unit (None: a bare number, of whatever unit is wanted) and how to get it.

    ``varies`` is False for what stays the same while the machine runs; ``constant`` is the value
    of one written in the text.
    """

    unit: Unit | None
    get: Callable[[Get], F64]
    varies: bool = True
    constant: float | None = None
    operand: Quantity | None = None


@dataclass(frozen=True)
class _Truth:
    get: Callable[[Get], Kleene]


_COMPARE: Final[dict[str, Callable[[F64, F64], Bool]]] = {
    "<": np.less,
    "<=": np.less_equal,
    ">": np.greater,
    ">=": np.greater_equal,
    "==": np.equal,
    "!=": np.not_equal,
}
_ARITHMETIC: Final[dict[str, Callable[[F64, F64], F64]]] = {
    "+": np.add,
    "-": np.subtract,
    "*": np.multiply,
    "/": np.divide,
}


class _Compiler:
    """One pass over the tree; each method gives a checked value or truth, or raises."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.operands: dict[str, Quantity] = {}

    def refused(self, at: Expression, what: str, todo: str = "") -> ExpressionError:
        return ExpressionError(self.text, at.start, at.end, what, todo)

    def said(self, tree: Expression) -> str:
        text = " ".join(self.text[tree.start : tree.end].split())
        return text if len(text) <= 40 else "this"

    # -- truths ---------------------------------------------------------------------------

    def truth(self, tree: Expression) -> _Truth:
        """The tree as something true or false."""
        found = self.either(tree)
        if isinstance(found, _Truth):
            return found
        kind = kind_of(found.unit) if found.unit else "a number"
        raise self.refused(
            tree, f"{self.said(tree)} is {kind}, which is neither true nor false.",
            "Compare it with something, for instance by <.",
        )  # fmt: skip

    def value(self, tree: Expression) -> _Value:
        """The tree as a number."""
        found = self.either(tree)
        if isinstance(found, _Value):
            return found
        said = self.said(tree)
        todo = "Join conditions by and, or, not."
        if isinstance(tree, Name):
            todo = f"Write {said} or not {said}, without a comparison."
        raise self.refused(tree, f"{said} is true or false, not a number.", todo)

    def either(  # noqa: PLR0911  # one return for each kind of node
        self, tree: Expression
    ) -> _Value | _Truth:
        """The tree as what it is."""
        match tree:
            case Number(value, symbol):
                return _constant(value, UNITS[symbol] if symbol else None)
            case Name():
                return self.name(tree)
            case Call():
                return self.call(tree)
            case Negative():
                return self.negative(tree)
            case Arithmetic():
                return self.arithmetic(tree)
            case Comparison():
                return self.comparison(tree)
            case Not(condition):
                inner = self.truth(condition).get
                return _Truth(lambda get: negated(inner(get)))
            case Junction(word, conditions):
                parts = [self.truth(c).get for c in conditions]
                join = both if word == "and" else either
                return _Truth(lambda get: joined(join, [part(get) for part in parts]))

    # -- values ---------------------------------------------------------------------------

    def name(self, tree: Name) -> _Value | _Truth:
        quantity = QUANTITIES.get(tree.name)
        if quantity is not None:
            return self.operand(quantity)
        if tree.name in UNUSABLE:
            raise self.refused(tree, f"{tree.name} is not a number.", UNUSABLE[tree.name])
        if tree.name in FUNCTIONS:
            raise self.refused(tree, f"{tree.name} is a function.", f"Write {tree.name}(...).")
        guess = nearest(tree.name, QUANTITIES)
        todo = f"Did you mean {guess}?" if guess else "`basinward rules --names` lists them."
        raise self.refused(tree, f"there is no signal or quantity called '{tree.name}'.", todo)

    def operand(self, quantity: Quantity) -> _Value | _Truth:
        key = quantity.name
        self.operands.setdefault(key, quantity)
        if quantity.kind == "truth":
            return _Truth(lambda get: as_truth(get(key)))
        return _Value(
            quantity.measure, lambda get: get(key), varies=not quantity.fixed, operand=quantity
        )

    def call(self, tree: Call) -> _Value:
        match tree.function, tree.arguments:
            case "baseline", _:
                return self.baseline(tree)
            case "abs", (argument,):
                value = self.value(argument)
                if value.unit is not None and value.unit.point:
                    raise self.refused(
                        tree, f"abs of {kind_of(value.unit)} has no meaning.",
                        "Take the abs of a difference of two temperatures.",
                    )  # fmt: skip
                return _made(value.unit, np.abs, value)
            case ("min" | "max") as name, arguments if len(arguments) > 1:
                values = self.alike(tree, [self.value(a) for a in arguments], arguments)
                pick = np.minimum if name == "min" else np.maximum
                found = values[0]
                for value in values[1:]:
                    found = _made(found.unit, pick, found, value)
                return found
            case ("min" | "max" | "abs") as name, arguments:
                wants = "one value" if name == "abs" else "two or more values"
                raise self.refused(tree, f"{name} takes {wants}, here are {len(arguments)}.")
        guess = nearest(tree.function, FUNCTIONS)
        todo = f"Did you mean {guess}?" if guess else f"There are: {', '.join(FUNCTIONS)}."
        if tree.function in QUANTITIES:
            todo = f"{tree.function} is a quantity: write it without brackets."
        raise self.refused(tree, f"there is no function called '{tree.function}'.", todo)

    def baseline(self, tree: Call) -> _Value:
        argument = tree.arguments[0]
        names = ", ".join(BASELINES)
        if len(tree.arguments) != 1 or not isinstance(argument, Name):
            raise self.refused(
                tree, "baseline takes the name of one quantity.", f"One of: {names}."
            )
        quantity = BASELINES.get(argument.name)
        if quantity is None:
            guess = nearest(argument.name, BASELINES)
            raise self.refused(
                argument, f"no baseline of '{argument.name}' is learned.",
                f"Did you mean {guess}? There are: {names}." if guess else f"There are: {names}.",
            )  # fmt: skip
        found = self.operand(quantity)
        assert isinstance(found, _Value)  # noqa: S101  # none of the baselines is a truth
        return found

    def negative(self, tree: Negative) -> _Value:
        value = self.value(tree.value)
        written_out = isinstance(tree.value, Number | Negative) and value.constant is not None
        if value.unit is not None and value.unit.point and not written_out:
            raise self.refused(
                tree, f"{kind_of(value.unit)} has no contrary.",
                "Turn the sign of a difference of two temperatures.",
            )  # fmt: skip
        return _made(value.unit, np.negative, value)

    def arithmetic(self, tree: Arithmetic) -> _Value:
        left, right = self.value(tree.left), self.value(tree.right)
        join = self.sum if tree.mark in "+-" else self.product
        return self.bounded(tree, join(tree, left, right))

    def bounded(self, tree: Expression, value: _Value) -> _Value:
        """The value, unless it is a number that the machine cannot hold."""
        if value.constant is not None and math.isnan(value.constant):
            raise self.refused(tree, "the number is too large.", "Write a smaller one.")
        return value

    def sum(self, tree: Arithmetic, left: _Value, right: _Value) -> _Value:
        one, two = left.unit, right.unit
        operation = _ARITHMETIC[tree.mark]
        if (one is not None and one.point) or (two is not None and two.point):
            return self.sum_with_point(tree, left, right)
        if one is None or two is None:
            return _made(one or two, operation, left, right)
        if not one.same_kind(two):
            word = "added to" if tree.mark == "+" else "subtracted from"
            raise self.refused(
                tree,
                f"{self.said(tree.right)} is {kind_of(two)} and cannot be {word} "
                f"{self.said(tree.left)}, {kind_of(one)}.",
                "Use two of one kind.",
            )
        return _made(one, operation, left, _into(right, one))

    def sum_with_point(self, tree: Arithmetic, left: _Value, right: _Value) -> _Value:
        """Temperatures on a scale: point less point, point and difference."""
        one, two = left.unit, right.unit
        operation = _ARITHMETIC[tree.mark]
        if one is not None and one.point:
            step = as_difference(one)
            if two is not None and two.point:
                if tree.mark == "+":
                    raise self.refused(
                        tree, "two temperatures cannot be added.",
                        "Subtract them, or add a difference such as 3 K.",
                    )  # fmt: skip
                return _made(step, operation, left, _into(right, one))
            if two is None or two.same_kind(step):
                return _made(one, operation, left, _into(right, step))
        elif two is not None and tree.mark == "+":
            step = as_difference(two)
            if one is None or one.same_kind(step):
                return _made(two, operation, _into(left, step), right)
        kinds = [kind_of(u) if u else "a bare number" for u in (one, two)]
        word = "added" if tree.mark == "+" else "subtracted"
        raise self.refused(
            tree, f"{kinds[0]} and {kinds[1]} cannot be {word} in this order.",
            "A temperature less a temperature is a difference (K); write units, such as 30 °C "
            "and 3 K.",
        )  # fmt: skip

    def product(self, tree: Arithmetic, left: _Value, right: _Value) -> _Value:
        for value, part in ((left, tree.left), (right, tree.right)):
            if value.unit is not None and value.unit.point:
                word = "multiplied" if tree.mark == "*" else "divided"
                raise self.refused(
                    part, f"{kind_of(value.unit)} cannot be {word}: 20 °C is not twice 10 °C.",
                    "Use a difference of two temperatures.",
                )  # fmt: skip
        if tree.mark == "/" and right.constant == 0.0:
            raise self.refused(tree.right, "this divides by zero.", "Write another number.")
        operation = _ARITHMETIC[tree.mark]
        if left.unit is not None and right.unit is not None:
            left, right = _plain(left), _plain(right)
        one, two = left.unit, right.unit
        if two is None:
            return _made(one, operation, left, right)
        if one is None:
            unit = two if tree.mark == "*" else RATIO.per(two)
            return _made(unit, operation, left, right)
        if two == RATIO or (one == RATIO and tree.mark == "*"):
            return _made(one if two == RATIO else two, operation, left, right)
        unit = one.times(two) if tree.mark == "*" else one.per(two)
        return _plain(_made(unit, operation, left, right))

    # -- comparisons ----------------------------------------------------------------------

    def alike(
        self, tree: Expression, values: list[_Value], parts: tuple[Expression, ...]
    ) -> list[_Value]:
        """The values in the unit of the first that is measured, or that has one."""
        found = [(v, p) for v, p in zip(values, parts, strict=True) if v.unit is not None]
        found.sort(key=lambda pair: pair[0].constant is not None)
        if not found:
            return values
        unit, part = found[0][0].unit, found[0][1]
        assert unit is not None  # noqa: S101  # those without one were left out
        for value, other in zip(values, parts, strict=True):
            if value.unit is not None and not value.unit.same_kind(unit):
                raise self.unlike(tree, (part, unit), (other, value.unit))
        return [
            self.bounded(other, _into(value, unit))
            for value, other in zip(values, parts, strict=True)
        ]

    def unlike(
        self, tree: Expression, one: tuple[Expression, Unit], two: tuple[Expression, Unit]
    ) -> ExpressionError:
        kinds = [f"{self.said(part)} is {kind_of(unit)}" for part, unit in (one, two)]
        todo = "Compare each with a value of its own kind."
        if one[1].powers == two[1].powers:
            todo = (
                "Compare a temperature with a temperature such as 30 °C, a difference with a "
                "difference such as 3 K."
            )
        elif RATIO.powers in {one[1].powers, two[1].powers}:
            todo = "A share (%) compares with a share only; divide by what it is a share of."
        return self.refused(
            tree,
            f"{kinds[0]}, and {kinds[1]}: the two cannot be compared.", todo,
        )  # fmt: skip

    def comparison(self, tree: Comparison) -> _Truth:
        values = self.alike(tree, [self.value(v) for v in tree.values], tree.values)
        if not any(v.varies for v in values):
            raise self.refused(
                tree, "this compares nothing that is measured, so it never changes.",
                "Name a signal or quantity in it.",
            )  # fmt: skip
        unit = values[0].unit
        for mark in tree.marks:
            if mark in {"==", "!="} and unit is not None and unit != COUNT:
                raise self.refused(
                    tree, f"'{mark}' is for numbers of things only; a measured value is hardly "
                    "ever equal to another.",
                    "Use < or >, or abs(a - b) < some small value.",
                )  # fmt: skip
        pairs = [
            (_COMPARE[mark], values[i].get, values[i + 1].get) for i, mark in enumerate(tree.marks)
        ]
        return _Truth(
            lambda get: joined(both, [compared(how, a(get), b(get)) for how, a, b in pairs])
        )


# ---------------------------------------------------------------- numbers


def _constant(value: float, unit: Unit | None) -> _Value:
    number = np.float64(value)
    return _Value(unit, lambda _get: np.asarray(number), varies=False, constant=value)


def _made(unit: Unit | None, operation: Callable[..., F64], *values: _Value) -> _Value:
    """The result of an operation on values whose units were seen to."""
    parts = [v.get for v in values]

    def get(values_of: Get) -> F64:
        result = operation(*(part(values_of) for part in parts))
        return np.where(np.isfinite(result), result, np.nan)

    if all(v.constant is not None for v in values):
        with np.errstate(all="ignore"):
            return _constant(float(get(_nothing)), unit)
    return _Value(unit, get, varies=any(v.varies for v in values))


def _nothing(key: str) -> F64:
    raise KeyError(key)


def _into(value: _Value, unit: Unit) -> _Value:
    """The value in ``unit``, which is of its kind; a bare number is meant in it."""
    if value.unit is None:
        return _constant(value.constant, unit) if value.constant is not None else value
    scale, offset = value.unit.into(unit)
    if (scale, offset) == (1.0, 0.0):
        return _made_same(value, unit)
    return _made(unit, lambda number: number * scale + offset, value)


def _made_same(value: _Value, unit: Unit) -> _Value:
    return _Value(unit, value.get, value.varies, value.constant, value.operand)


def _plain(value: _Value) -> _Value:
    """A share, a count or a ratio in another form as a plain ratio; any other value as it is."""
    unit = value.unit
    if unit is None or unit == RATIO:
        return value
    if unit == COUNT:
        return _made_same(value, RATIO)
    return _into(value, RATIO) if unit.powers == RATIO.powers else value
