"""The check of texts in the files that go out with tickets: none may claim that work is safe."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from gateway.config.files import Document
from gateway.config.positions import Path
from gateway.config.report import Problem
from gateway.config.sentences import problem_at

__all__ = ["check_claims"]


def check_claims(document: Document, path: Path, text: Any) -> Iterator[Problem]:
    """A text that claims what none may (:mod:`rules.safety_claims`)."""
    if not isinstance(text, str):
        return
    from rules.safety_claims import claims  # noqa: PLC0415 - few files have such texts

    if found := claims(text):
        yield problem_at(
            document, path,
            "it would be sent with tickets, and says that work is authorised, or that something is "
            "isolated or need not be. From afar nobody can know that, and a remote stop is not "
            "isolation.",
            given=f"'{found[0]}'",
            todo="Say what is wrong and what to look at; leave permission and isolation to the "
            "site's own procedure.",
        )  # fmt: skip
