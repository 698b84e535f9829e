"""The signature tables hold together, and are printed as they are used."""

from __future__ import annotations

import pytest

from rules.diagnosis import Sign, SignatureRow, SignatureTable, rank, signature_table
from rules.faults.registry import RULES

TABLES = [(rule.fault, table) for rule in RULES for table in rule.signatures]
NAMES = [f"{fault.slug} {table.when}".strip() for fault, table in TABLES]

SIGNS = (
    Sign("pressure", "it is up", "it is down", "it is as ever", deciding=True),
    Sign("level", "", "it is low", "it is in order"),
)
EXAMPLE = SignatureTable(
    SIGNS,
    (
        SignatureRow("a", "Screen", {"pressure": -1, "level": 0}, "Look."),
        SignatureRow("b", "Holes of the long distribution pipe", {"pressure": 1}, "Look."),
    ),
)


def test_a_table_is_printed_with_marks_under_their_signs_and_a_legend():
    assert signature_table(EXAMPLE, width=44) == (
        "                            pressure*  level\n"
        "Screen                          -        0\n"
        "Holes of the long               +\n"
        "  distribution pipe\n"
        "\n"
        "pressure*: + it is up; - it is down; 0 it is\n"
        "  as ever\n"
        "level: - it is low; 0 it is in order"
    )


@pytest.mark.parametrize(("fault", "table"), TABLES, ids=NAMES)
def test_every_mark_of_a_table_has_words(fault, table):
    """A cause may only name signs of the table, and values that the sign can put in words."""
    signs = {sign.name: sign for sign in table.signs}
    assert len(signs) == len(table.signs)
    for row in table.rows:
        assert row.signs
        for name, value in row.signs.items():
            assert signs[name].words(value), f"{row.slug}: {name} {value}"
    used = {name for row in table.rows for name in row.signs}
    assert used == signs.keys(), "a sign that no cause speaks of"


@pytest.mark.parametrize(("fault", "table"), TABLES, ids=NAMES)
def test_the_catalogue_lists_every_cause_that_its_table_can_leave_standing(fault, table):
    """Where a fault shares its neighbour's table, what it always rules out need not be listed."""
    deciding = {sign.name for sign in table.signs if sign.deciding}
    itself = next((dict(row.signs) for row in table.rows if row.slug == fault.slug), {})
    standing = {
        row.slug
        for row in table.rows
        if not any(itself.get(name, row.signs.get(name)) != row.signs.get(name)
                   for name in deciding & row.signs.keys())
    }  # fmt: skip
    assert standing <= {cause.slug for cause in fault.causes}


@pytest.mark.parametrize(("fault", "table"), TABLES, ids=NAMES)
def test_a_cause_whose_signs_are_all_seen_fits_wholly_and_leads(fault, table):
    """Behind it come only causes that fit no better, and none of its equals is ruled out."""
    for row in table.rows:
        causes = rank(table.signs, table.rows, dict(row.signs))
        mine = next(c for c in causes if c.slug == row.slug and c.title == row.title)
        assert mine.agreement == 1.0
        assert not mine.ruled_out
        assert causes[0].agreement == 1.0
