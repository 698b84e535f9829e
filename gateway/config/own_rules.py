"""Checks of the own rules in a file: conditions, job plans, ids, and what their texts claim.

They run on the data as read, so that every error of every rule is told at once, each with a pointer
into the expression.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from gateway.config.claims import check_claims
from gateway.config.files import Document
from gateway.config.positions import Path
from gateway.config.report import Problem
from gateway.config.sentences import nearest, problem_at

__all__ = ["check_own_rules"]


def check_own_rules(document: Document) -> Iterator[Problem]:
    """The problems of the ``rules`` of a file, and of its units where it has any."""
    data = document.data or {}
    yield from _check(document, ("rules",), data.get("rules"))
    units = data.get("units")
    for index, unit in enumerate(units if isinstance(units, list) else ()):
        if isinstance(unit, Mapping):
            yield from _check(document, ("units", index, "rules"), unit.get("rules"))


def _check(document: Document, path: Path, rules: Any) -> Iterator[Problem]:
    first: dict[str, int] = {}
    for index, rule in enumerate(rules if isinstance(rules, list) else ()):
        if not isinstance(rule, Mapping):
            continue
        here = (*path, index)
        for key in ("condition", "clear"):
            yield from _expression(document, (*here, key), rule.get(key))
        yield from _job_plan(document, (*here, "job_plan"), rule.get("job_plan"))
        for key in ("title", "text"):
            yield from check_claims(document, (*here, key), rule.get(key))
        name = rule.get("id")
        if not isinstance(name, str):
            continue
        name = name.strip()
        if name in first:
            earlier = document.line((*path, first[name], "id"))
            yield problem_at(
                document, (*here, "id"),
                f"the id is already used by rules[{first[name]}]"
                + (f", line {earlier}." if earlier else "."),
                todo="Give each rule of one list an id of its own.",
            )  # fmt: skip
        first.setdefault(name, index)


def _expression(document: Document, path: Path, text: Any) -> Iterator[Problem]:
    if not isinstance(text, str) or not text.strip():
        return  # the model says that it must be text
    # The rules take a while to import, and most files have no rules of their own.
    from rules.own_rules.compiled import compile_condition  # noqa: PLC0415 - as said
    from rules.own_rules.errors import ExpressionError  # noqa: PLC0415 - as said

    try:
        compile_condition(text)
    except ExpressionError as error:
        place = f"column {error.column}"
        if "\n" in text.strip():
            place = f"line {error.line} of the expression, {place}"
        yield problem_at(
            document, path, f"{place}: {error.what}", given="", todo=error.todo,
            excerpt=error.excerpt(),
        )  # fmt: skip


def _job_plan(document: Document, path: Path, slug: Any) -> Iterator[Problem]:
    if not isinstance(slug, str):
        return
    from rules.jobplans import JOB_PLANS  # noqa: PLC0415 - as above

    plans = [plan.slug for plan in JOB_PLANS]
    if slug.strip() in plans:
        return
    guess = nearest(slug, plans)
    yield problem_at(
        document, path, "there is no such job plan.", allowed=", ".join(plans),
        todo=f"Did you mean '{guess}'?" if guess else "Choose one of those.",
    )  # fmt: skip
