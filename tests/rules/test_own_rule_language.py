"""The language of own rules: text and tree, three-valued logic, and what is not part of it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from rules.own_rules.compiled import compile_condition
from rules.own_rules.errors import ExpressionError
from rules.own_rules.quantities import BASELINES, QUANTITIES
from rules.own_rules.syntax import (
    COMPARISONS,
    MAX_DEPTH,
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
from rules.own_rules.tokens import MAX_LENGTH, MAX_TOKENS
from rules.own_rules.units import UNITS

# ---------------------------------------------------------------- text and tree


def _numbers() -> st.SearchStrategy[Number]:
    symbols = sorted({u.symbol for u in UNITS.values()})
    values = st.floats(0.0, 1e15, allow_nan=False)
    return st.builds(Number, values, st.sampled_from(["", *symbols]))


def _any_tree() -> st.SearchStrategy[Expression]:
    leaves = _numbers() | st.builds(Name, st.sampled_from(["wet", "x_1", "spray_pressure"]))

    def larger(inner: st.SearchStrategy[Expression]) -> st.SearchStrategy[Expression]:
        several = st.lists(inner, min_size=2, max_size=3)
        return st.one_of(
            st.builds(Negative, inner),
            st.builds(Not, inner),
            st.builds(Arithmetic, st.sampled_from("+-*/"), inner, inner),
            st.builds(Junction, st.sampled_from(["and", "or"]), several.map(tuple)),
            st.builds(Call, st.just("min"), several.map(tuple)),
            several.flatmap(
                lambda values: st.builds(
                    Comparison,
                    st.tuples(*[st.sampled_from(COMPARISONS)] * (len(values) - 1)),
                    st.just(tuple(values)),
                )
            ),
        )

    return st.recursive(leaves, larger, max_leaves=12)


@given(_any_tree())
def test_a_written_tree_is_read_as_the_same_tree(tree):
    text = written(tree)
    assume(len(text) <= MAX_LENGTH)
    try:
        read = parse(text)
    except ExpressionError as error:
        assume("nested deeper" not in error.what)
        raise
    assert read == tree
    assert written(read) == text


# Precedence and associativity of ordinary algebra, by the brackets that it does without.
@pytest.mark.parametrize(
    ("short", "long"),
    [
        ("a + b * c < d", "(a + (b * c)) < d"),
        ("a - b - c < d", "((a - b) - c) < d"),
        ("a / b / c < d", "((a / b) / c) < d"),
        ("-a * b < c", "((-a) * b) < c"),
        ("not a and b or c", "((not a) and b) or c"),
        ("not a < b", "not (a < b)"),
        ("a or b and not c", "a or (b and (not c))"),
        ("a < b + 1 and c", "(a < (b + 1)) and c"),
        ("a ≤ b − 2 × c", "a <= (b - (2 * c))"),
    ],
)
def test_precedence_is_that_of_algebra(short, long):
    assert parse(short) == parse(long)


def test_values_may_be_compared_in_a_row():
    assert parse("1 < x <= 3") == Comparison(("<", "<="), (Number(1.0), Name("x"), Number(3.0)))


def test_a_tree_knows_its_place_in_the_text():
    tree = parse("wet and\n spray_pressure < 80 kPa")
    assert isinstance(tree, Junction)
    comparison = tree.conditions[1]
    assert (comparison.start, comparison.end) == (9, 32)


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("80", 80.0, ""), ("80kPa", 80.0, "kPa"), ("80 %", 80.0, "%"), (".5 m3/h", 0.5, "m³/h"),
        ("1.5e2 uS/cm", 150.0, "µS/cm"), ("12 percent", 12.0, "%"), ("3 gal/min", 3.0, "gpm"),
        ("4 in", 4.0, "in"), ("5 degF_diff", 5.0, "°F_diff"),
    ],
)  # fmt: skip
def test_numbers_with_their_units(text, value, unit):
    assert parse(f"({text})") == Number(value, unit)


def test_a_unit_ends_where_the_next_thing_begins():
    assert parse("4 A/2 < x") == parse("(4 A) / 2 < x")
    assert parse("2 min < x and 3 h<y") == parse("(2 min < x) and (3 h < y)")


# ---------------------------------------------------------------- three-valued logic

T, F, U = True, False, None

# Kleene's strong logic (S. C. Kleene, Introduction to Metamathematics, 1952, § 64; from memory).
AND = {(T, T): T, (T, F): F, (T, U): U, (F, T): F, (F, F): F, (F, U): F, (U, T): U, (U, F): F,
       (U, U): U}  # fmt: skip
OR = {(T, T): T, (T, F): T, (T, U): T, (F, T): T, (F, F): F, (F, U): U, (U, T): T, (U, F): U,
      (U, U): U}  # fmt: skip
NOT = {T: F, F: T, U: U}


def _word(value: bool | None) -> float:
    return math.nan if value is None else float(value)


def _answer(text: str, **values: float) -> bool | None:
    true, known = compile_condition(text).holds_of(lambda key: np.array([values[key]]))
    assert not (true & ~known).any(), "what is not known must not be true"
    return bool(true[0]) if known[0] else None


@pytest.mark.parametrize(("a", "b"), AND)
def test_and_and_or_are_kleenes(a, b):
    words = {"pump_running": _word(a), "wet": _word(b)}
    assert _answer("pump_running and wet", **words) is AND[a, b]
    assert _answer("pump_running or wet", **words) is OR[a, b]
    assert _answer("not pump_running", pump_running=_word(a)) is NOT[a]


@pytest.mark.parametrize("mark", ["<", "<=", ">", ">="])
def test_a_comparison_with_an_unknown_value_is_unknown(mark):
    assert _answer(f"spray_pressure {mark} 80", spray_pressure=math.nan) is None
    assert _answer(f"not spray_pressure {mark} 80", spray_pressure=math.nan) is None


def test_a_row_of_comparisons_is_false_as_soon_as_one_is():
    values = {"spray_pressure": 90.0, "head_pressure": math.nan}
    assert _answer("100 kPa < spray_pressure < head_pressure", **values) is False
    assert _answer("80 kPa < spray_pressure < head_pressure", **values) is None


def test_dividing_by_zero_is_not_known():
    for flow in (0.0, math.nan):
        assert _answer("makeup_flow / bleed_flow > 3", makeup_flow=2.0, bleed_flow=flow) is None


def test_a_deadband_of_the_comparisons_is_none():
    assert _answer("spray_pressure < 80", spray_pressure=80.0) is False
    assert _answer("spray_pressure <= 80", spray_pressure=80.0) is True
    assert _answer("fans_running == 3", fans_running=3.0) is True
    assert _answer("fans_running != 3", fans_running=3.0) is False


# ---------------------------------------------------------------- against a slow reference

# SI factors: NIST SP 811 (2008), appendix B.8, from memory; temperatures by definition.
SI = {"kPa": 1e3, "psi": 6894.757293168361, "bar": 1e5, "Pa": 1.0, "K": 1.0, "°F_diff": 5 / 9}
NAMED = {
    "spray_pressure": "kPa", "head_pressure": "kPa", "pad_pressure_drop": "Pa",
    "condensing_above_air": "K", "cut_out_margin": "K", "ambient_temperature": "°C",
    "basin_temperature": "°C",
}  # fmt: skip


class Tie(Exception):
    """Two numbers too close for rounding to be told from difference."""


def _in_si(value: float, unit: str) -> float:
    match unit:
        case "":
            return value
        case "°C":
            return value + 273.15
        case "°F":
            return (value + 459.67) * 5 / 9
    return value * SI[unit]


def _number(  # noqa: PLR0911  # one return for each kind of node
    tree: Expression, values: dict[str, float | None]
) -> float | None:
    """The value in SI units, by the definition of each operation, one number at a time."""
    match tree:
        case Number(value, unit):
            return _in_si(value, unit)
        case Name(name):
            value = values[name]
            return None if value is None else _in_si(value, NAMED[name])
        case Negative(inner):
            found = _number(inner, values)
            return None if found is None else -found
        case Call(function, arguments):
            parts = [_number(a, values) for a in arguments]
            if None in parts:
                return None
            return {"min": min, "max": max, "abs": lambda x: abs(x[0])}[function](parts)
        case Arithmetic(mark, left, right):
            a, b = _number(left, values), _number(right, values)
            if a is None or b is None or (mark == "/" and b == 0):
                return None
            return {"+": a + b, "-": a - b, "*": a * b, "/": a / b if b else 0.0}[mark]
    raise AssertionError(tree)


def _reference(tree: Expression, values: dict[str, float | None]) -> bool | None:
    match tree:
        case Name(name):
            return None if values[name] is None else values[name] > 0.5
        case Not(inner):
            return NOT[_reference(inner, values)]
        case Junction(word, conditions):
            found = _reference(conditions[0], values)
            for condition in conditions[1:]:
                found = {"and": AND, "or": OR}[word][found, _reference(condition, values)]
            return found
        case Comparison(marks, parts):
            numbers = [_number(p, values) for p in parts]
            answer: bool | None = True
            for mark, a, b in zip(marks, numbers, numbers[1:], strict=False):
                answer = AND[answer, _compared(mark, a, b)]
            return answer
    raise AssertionError(tree)


def _compared(mark: str, a: float | None, b: float | None) -> bool | None:
    if a is None or b is None:
        return None
    if abs(a - b) <= 1e-9 * max(abs(a), abs(b), 1e-3):
        raise Tie
    return {"<": a < b, "<=": a <= b, ">": a > b, ">=": a >= b}[mark]


def _measured(kind: str) -> st.SearchStrategy[Expression]:
    """Expressions of one kind of quantity: pressure, difference, or temperature."""
    names = {"pressure": ("spray_pressure", "head_pressure", "pad_pressure_drop"),
             "difference": ("condensing_above_air", "cut_out_margin"),
             "temperature": ("ambient_temperature", "basin_temperature")}[kind]  # fmt: skip
    units = {"pressure": ("kPa", "psi", "bar", "Pa"), "difference": ("K", "°F_diff"),
             "temperature": ("°C", "°F")}[kind]  # fmt: skip
    written_out = st.builds(Number, st.integers(0, 400).map(float), st.sampled_from(units))
    leaves = st.builds(Name, st.sampled_from(names)) | written_out
    if kind == "temperature":
        step = _measured("difference")
        moved = st.builds(Arithmetic, st.sampled_from("+-"), leaves, step)
        return leaves | moved | st.builds(Call, st.just("max"), st.tuples(leaves, moved))
    if kind == "difference":
        point = st.builds(Name, st.sampled_from(("ambient_temperature", "basin_temperature")))
        leaves |= st.builds(Arithmetic, st.just("-"), point, point)
    factor = st.integers(1, 9).map(lambda n: Number(n / 4))

    def larger(inner: st.SearchStrategy[Expression]) -> st.SearchStrategy[Expression]:
        ratio = st.builds(Arithmetic, st.just("/"), inner, leaves)
        return st.one_of(
            st.builds(Arithmetic, st.sampled_from("+-"), inner, inner),
            st.builds(Arithmetic, st.just("*"), factor, inner),
            st.builds(Arithmetic, st.sampled_from("*/"), inner, factor),
            st.builds(Arithmetic, st.just("*"), ratio, leaves),
            st.builds(Call, st.sampled_from(["min", "max"]), st.tuples(inner, inner)),
            st.builds(Call, st.just("abs"), st.tuples(inner)),
            st.builds(Negative, inner),
        )

    return st.recursive(leaves, larger, max_leaves=4)


def _conditions() -> st.SearchStrategy[Expression]:
    marks = st.sampled_from(["<", "<=", ">", ">="])

    def compared(kind: str) -> st.SearchStrategy[Expression]:
        part = _measured(kind)
        two = st.builds(Comparison, st.tuples(marks), st.tuples(part, part))
        three = st.builds(Comparison, st.tuples(marks, marks), st.tuples(part, part, part))
        return two | three

    leaves = st.one_of(
        *(compared(kind) for kind in ("pressure", "difference", "temperature")),
        st.builds(Name, st.sampled_from(["pump_running", "wet"])),
    )
    return st.recursive(
        leaves,
        lambda inner: (
            st.builds(Not, inner)
            | st.builds(
                Junction,
                st.sampled_from(["and", "or"]),
                st.lists(inner, min_size=2, max_size=3).map(tuple),
            )
        ),
        max_leaves=5,
    )


_VALUES = st.fixed_dictionaries(
    {
        **{name: st.none() | st.floats(-50.0, 400.0) for name in NAMED},
        **{name: st.none() | st.sampled_from([0.0, 1.0]) for name in ("pump_running", "wet")},
    }
)


@settings(max_examples=400)
@given(tree=_conditions(), units=st.lists(_VALUES, min_size=1, max_size=4))
def test_arrays_give_what_one_number_after_another_gives(tree, units):
    text = written(tree)
    assume(len(text) <= MAX_LENGTH)
    try:
        condition = compile_condition(text)
    except ExpressionError as error:
        # Generated texts may compare two written numbers, divide by a written 0, or be too long.
        assume("never changes" not in error.what and "by zero" not in error.what)
        assume("more than" not in error.what)
        raise
    try:
        expected = [_reference(tree, values) for values in units]
    except Tie:
        assume(False)
    columns = {
        name: np.array([math.nan if v[name] is None else v[name] for v in units])
        for name in units[0]
    }
    true, known = condition.holds_of(columns.__getitem__)
    true, known = np.broadcast_to(true, len(units)), np.broadcast_to(known, len(units))
    found = [bool(t) if k else None for t, k in zip(true, known, strict=True)]
    assert found == expected


# ---------------------------------------------------------------- what is not part of it


def _refused(text: str) -> ExpressionError:
    with pytest.raises(ExpressionError) as caught:
        compile_condition(text)
    error = caught.value
    assert 0 <= error.start <= error.end <= len(text)
    lines = text.split("\n")
    assert 1 <= error.line <= len(lines)
    assert 1 <= error.column <= len(lines[error.line - 1]) + 1
    assert "^" in error.excerpt().splitlines()[-1]
    assert error.what.endswith(".")
    return error


HOSTILE = [
    "__import__('os').system('true')", "().__class__", "wet.__class__", "wet[0]", "[1 for x in y]",
    "lambda: wet", "{wet}", "wet := 1", "wet; wet", "wet\x00", "f'{wet}'", "`wet`", "$wet", "@wet",
    "eval(wet)", "exec(1)", "open(1)", "print(wet)", "__builtins__", "spray_pressure.real < 1",
    "wet if wet else wet", "import os", "*wet", "**wet", "wet,", ",", ")", "(", "()", "min()",
    "min(,)", "not", "and", "wet and", "< 3", "wet wet", "3 3", "3 kPa kPa", "1e999 < spray_flow",
    "9" * 900 + " < spray_flow", "0x1f < spray_flow", "1_000 < spray_flow", "١ < spray_flow",
    "ｗｅｔ", "wet\u202e", "🌧", "wet\u00a0", "", " \n\t ", "#wet", "wet # and", "'wet'", '"wet"',
    "wet\\", "spray_pressure < nan", "spray_pressure < inf", "True", "None", "wet == True",
    "spray_pressure < 80 kPa (", "(" * 500, "not " * 240 + "wet", "-" * 240 + "1 < spray_flow",
    "(" * 200 + "wet" + ")" * 200, "a" * 1001, "wet and " * 124 + "wet or", "1" + "+1" * 200,
    "min(" * 100 + "1", "1e308 MPa < spray_pressure", "1e300 * 1e300 < spray_flow",
]  # fmt: skip


@pytest.mark.parametrize("text", HOSTILE, ids=lambda t: ascii(t[:24]))
def test_hostile_texts_are_refused_with_a_place(text):
    _refused(text)


@settings(max_examples=600)
@given(
    st.text(max_size=60)
    | st.lists(
        st.sampled_from(
            [*QUANTITIES, *BASELINES, "and", "or", "not", "min", "abs", "baseline", "(", ")", ",",
             "<", ">=", "==", "+", "-", "*", "/", "80", "3", "kPa", "°C", "K", "%", " ", "\n", "="]
        ),
        max_size=25,
    ).map(" ".join)
)  # fmt: skip
def test_no_text_whatever_does_anything_but_be_refused_or_compile(text):
    try:
        compile_condition(text)
    except ExpressionError:
        _refused(text)


def test_the_longest_and_the_deepest_that_is_allowed_still_works():
    ands = " and ".join(["wet"] * ((MAX_TOKENS + 1) // 2))
    deep = "(" * MAX_DEPTH + "wet" + ")" * MAX_DEPTH
    sums = "spray_flow < 1" + " + 1" * ((MAX_TOKENS - 3) // 2)
    for text in (ands, deep, sums):
        compile_condition(text)
    assert "more than 250 parts" in _refused(sums + " + 1").what
    assert "nested deeper than 25" in _refused(f"({deep})").what
    assert "1001 characters, more than 1000" in _refused("w" * 1001).what


# ---------------------------------------------------------------- sentences


@pytest.mark.parametrize(
    ("text", "what", "todo", "marked"),
    [
        ("wet and pump_current < spray_pressure",
         "pump_current is an electric current (A), and spray_pressure is a pressure (kPa): the two "
         "cannot be compared.", "Compare each with a value of its own kind.",
         "pump_current < spray_pressure"),
        ("spray_presure < 80", "there is no signal or quantity called 'spray_presure'.",
         "Did you mean 'spray_pressure'", "spray_presure"),
        ("zzzz", "called 'zzzz'.", "`basinward rules --names` lists them.", "zzzz"),
        ("spray_pressure < 80 kpa", "'kpa' is not a unit.", "Did you mean 'kPa'", "kpa"),
        ("fan_run > 2", "fan_run is not a number.", "Use fans_running", "fan_run"),
        ("pump_running == 1", "pump_running is true or false, not a number.",
         "Write pump_running or not pump_running", "pump_running"),
        ("wet and spray_pressure", "spray_pressure is a pressure (kPa), which is neither true nor",
         "Compare it with something", "spray_pressure"),
        ("spray_pressure = 80", "'=' is not part of the language.", "Write ==.", "="),
        ("wet && wet", "'&&' is not part of the language.", "Write and.", "&&"),
        ("spray_pressure == 80", "'==' is for numbers of things only", "Use < or >",
         "spray_pressure == 80"),
        ("3 < 5", "this compares nothing that is measured", "Name a signal", "3 < 5"),
        ("fan_count > 3", "this compares nothing that is measured", "Name a", "fan_count > 3"),
        ("spray_pressure / 0 < 3", "this divides by zero.", "another number", "0"),
        ("max(spray_pressure) < 3", "max takes two or more values, here are 1.", "",
         "max(spray_pressure)"),
        ("maxi(1, 2) < spray_flow", "there is no function called 'maxi'.", "Did you mean 'max'?",
         "maxi(1, 2)"),
        ("wet(1)", "there is no function called 'wet'.", "write it without brackets", "wet(1)"),
        ("min < 3", "min is a function.", "Write min(...).", "min"),
        ("spray_flow < baseline(head_pressure)", "no baseline of 'head_pressure' is learned.",
         "There are: pump_current, spray_pressure, spray_flow.", "head_pressure"),
        ("(wet and pump_running", "this '(' is never closed.", "Add the ')'.", "("),
        ("wet)", "this ')' has no '(' before it.", "Take it out", ")"),
        ("wet adn pump_running", "'adn' cannot stand here.", "Did you mean 'and'?", "adn"),
        ("spray_flow <", "the expression ends too early.", "must follow", ""),
        ("", "there is no expression.", "must follow", ""),
    ],
)  # fmt: skip
def test_a_mistake_is_told_in_words_and_marked(text, what, todo, marked):
    error = _refused(text)
    assert what in error.what
    assert todo in error.todo
    assert text[error.start : error.end] == marked
    shown, carets = error.excerpt().splitlines()
    assert shown[carets.index("^") :][: carets.count("^")].startswith(marked)


def test_the_excerpt_shows_the_line_that_is_meant_and_its_neighbourhood():
    text = "wet\n  and pump_running\n  and sprai_flow < 3\n"
    error = _refused(text)
    assert (error.line, error.column) == (3, 7)
    assert error.excerpt() == "  and sprai_flow < 3\n      ^^^^^^^^^^"
    error = _refused("wet and " * 40 + "sprai_flow < 3" + " and wet" * 20)
    shown, carets = error.excerpt().splitlines()
    assert len(shown) <= 76
    assert shown[carets.index("^") :].startswith("sprai_flow")
