"""Names of accounts: which there can be, and which are taken for one another."""

from __future__ import annotations

import re
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.accounts.names import NameRefused, account_name, shown_key, shown_name


@pytest.mark.parametrize(
    ("typed", "kept"),
    [("rui", "rui"), (" Rui.Prata ", "rui.prata"), ("RUI@NORTH.EXAMPLE", "rui@north.example"),
     ("a1", "a1"), ("x" * 64, "x" * 64), ("night-shift_2+b", "night-shift_2+b")],
)  # fmt: skip
def test_small_letters_digits_and_a_few_signs_make_a_name(typed, kept):
    assert account_name(typed) == kept


@pytest.mark.parametrize(
    "typed",
    ["", "a", "x" * 65, ".rui", "rui.", "rui prata", "rúi", "ru\u0131", "rui\n", "rui\0", "rui/..",
     "\u212aate", "<b>", "rui\u200b", "-rui"],
)  # fmt: skip
def test_what_could_be_misread_is_no_name(typed):
    """U+0131 and U+212A (dotless i, Kelvin sign) become ASCII letters by changing case."""
    with pytest.raises(NameRefused, match="2 to 64 characters: letters a to z"):
        account_name(typed)


@given(st.text(max_size=70))
def test_a_name_that_is_kept_stays_as_it_is(typed):
    try:
        name = account_name(typed)
    except NameRefused:
        return
    assert account_name(name) == account_name(name.upper()) == name
    assert re.fullmatch(r"[a-z0-9._@+-]{2,64}", name)


@given(st.text(max_size=100))
def test_a_shown_name_is_one_line_that_can_be_read(typed):
    try:
        name = shown_name(typed)
    except NameRefused:
        return
    assert 1 <= len(name) <= 80
    assert name == shown_name(name) == " ".join(name.split())
    assert not {unicodedata.category(c)[0] for c in name} & {"C"}
    assert shown_key(name) == shown_key(shown_key(name))


@pytest.mark.parametrize(
    ("one", "other"),
    [("Rui Prata", "rui  prata"), ("Eva Lindström", "EVA LINDSTRÖM"), ("Straße", "STRASSE"),
     ("Ｒｕｉ", "Rui"), ("ﬁnn", "Finn"), ("Lindstro\u0308m", "Lindström")],
)  # fmt: skip
def test_names_that_a_reader_takes_for_one_another_have_one_key(one, other):
    """Case folding and NFKC of the Unicode Standard, sections 3.13 and 3.11."""
    assert shown_key(one) == shown_key(other)


@pytest.mark.parametrize("typed", ["", "   ", "x" * 81, "Rui\u202eatarP", "a\u200bb", "a\u2028b\0"])
def test_names_that_hide_something_are_refused(typed):
    with pytest.raises(NameRefused, match="A name for the records"):
        shown_name(typed)
