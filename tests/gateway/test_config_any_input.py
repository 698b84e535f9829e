"""Whatever the files hold, the loader answers with a configuration or with a report."""

import tempfile
import tomllib
from pathlib import Path

import pytest
from config_fleet import CATALOGUE, ENVIRON, FLEET, ONCALL, SITE, as_toml, deep, write
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gateway.config import ConfigurationFaults, load
from gateway.config.positions import find_line, key_lines

VALID = {"fleet": FLEET, "oncall": ONCALL, "site": SITE}
NAMES = {"fleet": "fleet.toml", "oncall": "oncall.toml", "site": "sites/quay-cold-store.toml"}
DATA = {name: tomllib.loads(text) for name, text in VALID.items()}

SCALARS = st.one_of(
    st.booleans(),
    st.integers(-(10**30), 10**30),
    st.integers(10**300, 10**320),
    st.floats(),
    st.text(st.characters(exclude_categories=["Cs"]), max_size=20),
    st.just("x" * 10_000),
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3),
        st.dictionaries(
            st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=8), inner, max_size=3
        ),
    ),
    max_leaves=5,
)


def _paths(data, path=()):
    items = data.items() if isinstance(data, dict) else enumerate(data)
    for key, value in items:
        yield (*path, key)
        if isinstance(value, dict | list):
            yield from _paths(value, (*path, key))


def _parent(data, path):
    for part in path[:-1]:
        data = data[part]
    return data


def _load(texts):
    with tempfile.TemporaryDirectory() as directory:
        return load(write(Path(directory), **texts), ENVIRON, catalogue=CATALOGUE)


def _expect_answer(texts):
    try:
        return _load(texts), ()
    except ConfigurationFaults as faults:
        return None, faults.problems


@st.composite
def mutations(draw):
    """One to three changes of one file: a key gone, a value of another kind, a key too many."""
    name = draw(st.sampled_from(sorted(DATA)))
    data = deep(DATA[name])
    for _ in range(draw(st.integers(1, 3))):
        paths = list(_paths(data))
        if not paths:
            break
        path = draw(st.sampled_from(paths))
        parent = _parent(data, path)
        match draw(st.sampled_from(["delete", "replace", "add"])):
            case "delete":
                del parent[path[-1]]
            case "replace":
                parent[path[-1]] = draw(VALUES)
            case "add":
                if isinstance(parent, dict):
                    parent[draw(st.text("abcdefg_", min_size=1, max_size=9))] = draw(VALUES)
                else:
                    parent.append(draw(VALUES))
    return name, data


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(mutations())
def test_a_changed_file_is_accepted_or_reported_and_nothing_else(mutation):
    name, data = mutation
    configuration, problems = _expect_answer({name: as_toml(data)})
    if configuration is None:
        assert any(p.file == NAMES[name] for p in problems) or (
            # Without its team in oncall.toml it is the site that nobody looks after.
            name == "oncall" and any(p.key == "team" for p in problems)
        )


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.data())
def test_a_value_of_a_wrong_kind_is_reported_with_its_file(data):
    """A table in place of any value, and an unknown key in any table, can never be right."""
    name = data.draw(st.sampled_from(sorted(DATA)))
    changed = deep(DATA[name])
    path = data.draw(st.sampled_from(list(_paths(changed))))
    parent = _parent(changed, path)
    parent[path[-1]] = {"no_such_key_here": {"nor_this": 1}}
    with pytest.raises(ConfigurationFaults) as caught:
        _load({name: as_toml(changed)})
    assert any(p.file == NAMES[name] for p in caught.value.problems)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.sampled_from(sorted(VALID)), st.binary(max_size=40), st.integers(0, 2000), st.integers(0, 40)
)
def test_damaged_bytes_are_accepted_or_reported_and_nothing_else(name, junk, at, length):
    raw = VALID[name].encode()
    damaged = raw[:at] + junk + raw[at + length :]
    configuration, problems = _expect_answer({name: damaged})
    assert configuration is not None or problems


@settings(max_examples=200, deadline=None)
@given(
    st.dictionaries(
        st.from_regex(r"[a-z][a-z0-9_-]{0,6}", fullmatch=True), VALUES, min_size=1, max_size=5
    )
)
def test_every_top_level_key_is_found_on_its_line(data):
    """Lines are counted here from the text itself: one key a line."""
    text = as_toml(data)
    lines = key_lines(text)
    assert [lines[(key,)] for key in data] == list(range(1, len(data) + 1))


@pytest.mark.parametrize("name", sorted(VALID))
def test_every_key_of_a_real_file_is_on_the_line_that_names_it(name):
    text = VALID[name]
    lines = key_lines(text)
    for path in _paths(DATA[name]):
        line = find_line(lines, path)
        assert line is not None
        if isinstance(path[-1], str):
            assert path[-1] in text.splitlines()[line - 1]


@settings(max_examples=300, deadline=None)
@given(st.text(max_size=200))
def test_the_search_for_lines_ends_on_any_text(text):
    assert all(1 <= line <= text.count("\n") + 1 for line in key_lines(text).values())


def test_lines_are_right_after_multi_line_strings_arrays_and_comments():
    text = (
        "# first\n"
        'a = """one\n'
        "[not.a.table]\n"
        'b = 2 \\""" still\n'
        '"""\n'
        "c = [ # comment ]\n"
        "  1,\n"
        "  { d = 'x', e = [2,\n 3] },\n"
        "]\n"
        "\n"
        "f.'g h'.i = 1\n"
        "[t]\n"
        "[[t.u]]\n"
        "[t.u.v]\n"
        "w = '''\n"
        "'''\n"
        "[[t.u]]\n"
        "x = 1\n"
    )
    tomllib.loads(text)
    lines = key_lines(text)
    assert lines[("c",)] == 6
    assert lines[("c", 0)] == 7
    assert lines[("c", 1, "d")] == 8
    assert lines[("c", 1, "e", 1)] == 9
    assert lines[("f", "g h", "i")] == 12
    assert lines[("t", "u", 0)] == 14
    assert lines[("t", "u", 0, "v", "w")] == 16
    assert lines[("t", "u", 1, "x")] == 19
