"""The signature matrix in its written forms: which signs tell a fault's causes apart."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Any, Final

from rules.diagnosis import MARKS, SignatureTable, heading, legend, signature_table
from rules.faults.registry import RULES

__all__ = ["KEY", "markdown", "matrix_json", "matrix_markdown", "matrix_text", "to_json"]

KEY: Final = (
    "Signs across, causes down. + up, - down, 0 unchanged, blank: says nothing of it. A sign with "
    "* rules out the causes that it contradicts."
)


def _matrix() -> list[tuple[SignatureTable, list[str]]]:
    """Every table once, with the faults that use it, in the catalogue's order."""
    found: list[tuple[SignatureTable, list[str]]] = []
    for rule in RULES:
        for table in rule.signatures:
            users = next((slugs for known, slugs in found if known == table), None)
            if users is None:
                found.append((table, [rule.fault.slug]))
            else:
                users.append(rule.fault.slug)
    return found


def matrix_text() -> str:
    """Every table, for a terminal of 80 columns."""
    parts = [*textwrap.wrap(KEY, 80)]
    for table, slugs in _matrix():
        parts += ["", _name(table, slugs), "", signature_table(table)]
    return "\n".join(parts)


def matrix_markdown() -> str:
    """Every table, for a document: causes with their signs and what to look at to decide."""
    parts = [KEY]
    for table, slugs in _matrix():
        name = _name(table, [f"`{slug}`" for slug in slugs])
        parts += ["", f"**{name}**", "", *markdown(table)]
    return "\n".join(parts)


def matrix_json() -> list[dict[str, Any]]:
    """Every table as plain JSON data."""
    return [{"faults": slugs, **to_json(table)} for table, slugs in _matrix()]


def markdown(table: SignatureTable) -> Iterator[str]:
    """The lines of one table, and below it what the marks mean."""
    heads = [heading(s).replace("*", "\\*") for s in table.signs]
    yield "| cause | " + " | ".join(heads) + " | to decide |"
    yield "| --- |" + " :-: |" * len(heads) + " --- |"
    for row in table.rows:
        marks = "".join(f" {MARKS[row.signs.get(s.name)]} |" for s in table.signs)
        yield f"| {row.title} |{marks} {row.look_at} |"
    yield ""
    for sign, head in zip(table.signs, heads, strict=True):
        yield f"- {head}: " + "; ".join(f"`{mark}` {text}" for mark, text in legend(sign))


def to_json(table: SignatureTable) -> dict[str, Any]:
    """One table as plain JSON data; a sign that a cause says nothing of is left out of its row."""
    return {
        "when": table.when,
        "signs": [
            {"name": s.name, "up": s.up, "down": s.down, "same": s.same, "weight": s.weight,
             "deciding": s.deciding}
            for s in table.signs
        ],
        "causes": [
            {"slug": r.slug, "title": r.title, "signs": dict(r.signs), "look_at": r.look_at}
            for r in table.rows
        ],
    }  # fmt: skip


def _name(table: SignatureTable, slugs: list[str]) -> str:
    return ", ".join(slugs) + (f" {table.when}" if table.when else "")
