"""The grammar of expressions: from tokens to a tree, and back to text.

::

    condition  = both { "or" both }
    both       = inverse { "and" inverse }
    inverse    = "not" inverse | comparison
    comparison = sum { ( "<" | "<=" | ">" | ">=" | "==" | "!=" ) sum }
    sum        = product { ( "+" | "-" ) product }
    product    = signed { ( "*" | "/" ) signed }
    signed     = "-" signed | atom
    atom       = number [ unit ] | name | name "(" condition { "," condition } ")"
               | "(" condition ")"

Precedence is that of algebra; ``a < b < c`` means ``a < b and b < c``. The tree is data: nothing in
it can be run but by :mod:`rules.own_rules.compiled`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from rules.own_rules.errors import ExpressionError
from rules.own_rules.tokens import Token, nearest, tokens
from rules.own_rules.units import UNITS

__all__ = [
    "COMPARISONS",
    "MAX_DEPTH",
    "Arithmetic",
    "Call",
    "Comparison",
    "Expression",
    "Junction",
    "Name",
    "Negative",
    "Not",
    "Number",
    "parse",
    "written",
]

MAX_DEPTH: Final = 25
"""Brackets, signs and 'not' within each other."""

COMPARISONS: Final = ("<", "<=", ">", ">=", "==", "!=")


@dataclass(frozen=True)
class _Node:
    """A part of an expression, and the text it stands for; two are equal if they mean the same."""

    start: int = field(default=0, compare=False, kw_only=True)
    end: int = field(default=0, compare=False, kw_only=True)


@dataclass(frozen=True)
class Number(_Node):
    """A number, with the symbol of its unit or '' for none."""

    value: float
    unit: str = ""


@dataclass(frozen=True)
class Name(_Node):
    """A signal or quantity."""

    name: str


@dataclass(frozen=True)
class Call(_Node):
    """A function of some values."""

    function: str
    arguments: tuple[Expression, ...]


@dataclass(frozen=True)
class Negative(_Node):
    """A value with its sign turned."""

    value: Expression


@dataclass(frozen=True)
class Arithmetic(_Node):
    """Two values joined by ``+``, ``-``, ``*`` or ``/``."""

    mark: str
    left: Expression
    right: Expression


@dataclass(frozen=True)
class Comparison(_Node):
    """Values in a row with a comparison between each two."""

    marks: tuple[str, ...]
    values: tuple[Expression, ...]


@dataclass(frozen=True)
class Not(_Node):
    """The contrary of a condition."""

    condition: Expression


@dataclass(frozen=True)
class Junction(_Node):
    """Two or more conditions joined by one word, ``and`` or ``or``."""

    word: str
    conditions: tuple[Expression, ...]


Expression = Number | Name | Call | Negative | Arithmetic | Comparison | Not | Junction


def parse(text: str) -> Expression:
    """The tree of ``text``; raises :class:`ExpressionError` and nothing else."""
    parser = _Parser(text)
    tree = parser.condition()
    parser.finish()
    return tree


class _Parser:
    """Recursive descent; ``depth`` counts what nests, so that no text can exhaust the stack."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.tokens = tokens(text)
        self.at = 0
        self.depth = 0

    @property
    def here(self) -> Token:
        return self.tokens[self.at]

    def take(self, *marks: str) -> Token | None:
        """The token here, if it is one of these marks or words; then go on."""
        token = self.here
        if token.kind in {"mark", "word"} and token.text in marks:
            self.at += 1
            return token
        return None

    def refuse(self, token: Token, what: str, todo: str = "") -> ExpressionError:
        return ExpressionError(self.text, token.start, token.end, what, todo)

    def finish(self) -> None:
        token = self.here
        if token.kind == "end":
            return
        if token.text == ")":
            raise self.refuse(token, "this ')' has no '(' before it.", "Take it out or add one.")
        previous = self.tokens[self.at - 1]
        todo = "Put and, or, a comparison or + - * / between the two."
        if token.kind == "name" and previous.kind in {"name", "unit"}:
            guess = nearest(token.text, ("and", "or", "not"), 1)
            todo = f"Did you mean {guess}?" if guess else todo
        raise self.refuse(token, f"'{token.text}' cannot stand here.", todo)

    def deeper(self, token: Token) -> None:
        self.depth += 1
        if self.depth > MAX_DEPTH:
            raise self.refuse(
                token, f"the expression is nested deeper than {MAX_DEPTH} levels.",
                "Make it simpler, or make two rules of it.",
            )  # fmt: skip

    def condition(self) -> Expression:
        return self._junction("or")

    def _junction(self, word: str) -> Expression:
        inner = self.inverse if word == "and" else lambda: self._junction("and")
        parts = [inner()]
        while self.take(word):
            parts.append(inner())
        if len(parts) == 1:
            return parts[0]
        return Junction(word, tuple(parts), start=parts[0].start, end=parts[-1].end)

    def inverse(self) -> Expression:
        token = self.take("not")
        if token is None:
            return self.comparison()
        self.deeper(token)
        inner = self.inverse()
        self.depth -= 1
        return Not(inner, start=token.start, end=inner.end)

    def comparison(self) -> Expression:
        values = [self.sum()]
        marks: list[str] = []
        while mark := self.take(*COMPARISONS):
            marks.append(mark.text)
            values.append(self.sum())
        if not marks:
            return values[0]
        return Comparison(tuple(marks), tuple(values), start=values[0].start, end=values[-1].end)

    def sum(self) -> Expression:
        left = self.product()
        while mark := self.take("+", "-"):
            right = self.product()
            left = Arithmetic(mark.text, left, right, start=left.start, end=right.end)
        return left

    def product(self) -> Expression:
        left = self.signed()
        while mark := self.take("*", "/"):
            right = self.signed()
            left = Arithmetic(mark.text, left, right, start=left.start, end=right.end)
        return left

    def signed(self) -> Expression:
        token = self.take("-")
        if token is None:
            return self.atom()
        self.deeper(token)
        inner = self.signed()
        self.depth -= 1
        return Negative(inner, start=token.start, end=inner.end)

    def atom(self) -> Expression:
        token = self.here
        if token.kind == "number":
            self.at += 1
            unit = self.here
            if unit.kind == "unit":
                self.at += 1
                symbol = UNITS[unit.text].symbol
                return Number(float(token.text), symbol, start=token.start, end=unit.end)
            return Number(float(token.text), start=token.start, end=token.end)
        if token.kind == "name":
            self.at += 1
            if self.here.text == "(" and self.here.kind == "mark":
                return self.call(token)
            return Name(token.text, start=token.start, end=token.end)
        if opening := self.take("("):
            self.deeper(opening)
            inner = self.condition()
            self.depth -= 1
            self.closing(opening)
            return inner
        if token.kind == "end":
            what = "the expression ends too early." if self.at else "there is no expression."
            raise self.refuse(token, what, "A value or a condition must follow.")
        raise self.refuse(
            token, f"'{token.text}' cannot stand here.", "A value or a condition must stand here."
        )

    def call(self, name: Token) -> Expression:
        opening = self.here
        self.at += 1
        self.deeper(opening)
        arguments = [self.condition()]
        while self.take(","):
            arguments.append(self.condition())
        self.depth -= 1
        end = self.closing(opening)
        return Call(name.text, tuple(arguments), start=name.start, end=end)

    def closing(self, opening: Token) -> int:
        token = self.take(")")
        if token is not None:
            return token.end
        if self.here.kind == "end":
            raise self.refuse(opening, "this '(' is never closed.", "Add the ')'.")
        raise self.refuse(self.here, f"'{self.here.text}' cannot stand here.", "Is a ')' missing?")


# From the weakest to the strongest, as the grammar has them.
_OR, _AND, _NOT, _COMPARE, _SUM, _PRODUCT, _SIGN, _ATOM = range(8)


def written(tree: Expression) -> str:
    """The text of a tree, with no more brackets than it needs; ``parse`` gives the tree again."""
    return _written(tree, _OR)


def _written(tree: Expression, least: int) -> str:
    text, strength = _form(tree)
    return f"({text})" if strength < least else text


def _form(tree: Expression) -> tuple[str, int]:  # noqa: PLR0911  # one for each kind of node
    match tree:
        case Number(value, unit):
            number = repr(value).removesuffix(".0")
            return (f"{number} {unit}" if unit else number), _ATOM
        case Name(name):
            return name, _ATOM
        case Call(function, arguments):
            return f"{function}({', '.join(written(a) for a in arguments)})", _ATOM
        case Negative(value):
            return f"-{_written(value, _SIGN)}", _SIGN
        case Arithmetic(mark, left, right):
            strength = _SUM if mark in "+-" else _PRODUCT
            return f"{_written(left, strength)} {mark} {_written(right, strength + 1)}", strength
        case Comparison(marks, values):
            parts = [_written(values[0], _SUM)]
            for mark, value in zip(marks, values[1:], strict=True):
                parts += [mark, _written(value, _SUM)]
            return " ".join(parts), _COMPARE
        case Not(condition):
            return f"not {_written(condition, _NOT)}", _NOT
        case Junction(word, conditions):
            strength = _AND if word == "and" else _OR
            parts = [_written(c, strength + 1) for c in conditions]
            return f" {word} ".join(parts), strength
