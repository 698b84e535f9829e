"""pydantic's findings in plain sentences: what is wrong, what is allowed, what to do.

The allowed range and the meaning come from the model's own field, so that nothing is written twice.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from gateway.config.files import Document
from gateway.config.positions import Path
from gateway.config.report import Problem, printable
from gateway.config.secrets import HIDDEN, is_secret_key
from gateway.config.shape import (
    bounds_of,
    choices_of,
    element_of,
    field_at,
    headers_with,
    model_at,
    unit_of,
    with_unit,
)
from rules.equipment import time_zone_names

__all__ = ["dotted", "nearest", "problem_at", "show", "translate"]

_SHOWN: Final = 60

_PATTERNS: Final[dict[str, tuple[str, str]]] = {
    "email": ("is not an e-mail address", "an address such as desk@north.example"),
    "from_address": ("is not an e-mail address", "an address such as alarms@north.example"),
    "reply_to": ("is not an e-mail address", "an address such as desk@north.example"),
    "text_address": ("is not an e-mail address", "an address such as 351555010112@texts.example"),
    "secret_env": ("is not a variable's name", "a name such as BASINWARD_WORKS_SECRET"),
    "phone": ("is not a telephone number", "4 to 31 digits, spaces, ( ) . / -, may begin with +"),
    "id": ("is not a rule's id", "1 to 40 of a-z, 0-9 and '-', not beginning with '-'"),
    "host": ("is not a host name", "a host name or address alone, such as mail.north.example"),
    "client_id": ("is not a client id", "1 to 64 of a-z, A-Z, 0-9, '-' and '_'"),
    "url": (
        "is not the server's address",
        "http:// or https:// and the host, such as http://127.0.0.1:8086, with no name or password",
    ),
    "password_env": ("is not a variable's name", "a name such as BASINWARD_MAIL_PASSWORD"),
    "token_env": ("is not a variable's name", "a name such as BASINWARD_STORE_TOKEN"),
}

_TYPES: Final[dict[str, tuple[str, str]]] = {
    "string_type": ("must be text", 'text in double quotes: key = "text"'),
    "float_type": ("must be a number", "a number without quotes"),
    "int_type": ("must be a whole number", "a whole number without quotes or decimal point"),
    "int_from_float": ("must be a whole number", "a whole number"),
    "bool_type": ("must be true or false", "true or false, without quotes"),
    "model_type": ("must be a table", "a table: a [header] with keys below it"),
    "model_attributes_type": ("must be a table", "a table: a [header] with keys below it"),
    "dict_type": ("must be a table", "a table: a [header] with keys below it"),
    "tuple_type": (
        "must be an array",
        "an array: [[header]] once for each element, or elements in [ ]",
    ),
    "finite_number": ("must be a finite number", "a number"),
}


def nearest(word: str, known: Iterable[str]) -> str:
    """The known word that is most like it, or empty if none is."""
    known = list(known)
    by_form = {k.lower().replace("-", "_"): k for k in reversed(known)}
    found = difflib.get_close_matches(word.lower().replace("-", "_"), by_form, n=1, cutoff=0.6)
    return by_form[found[0]] if found else ""


def show(value: Any, key: str | int = "") -> str:
    """A value as its file has it, shortened; a secret is hidden."""
    text = type(value).__name__
    if is_secret_key(key):
        text = HIDDEN
    elif isinstance(value, bool):
        text = "true" if value else "false"
    elif isinstance(value, int):
        text = hex(value) if value.bit_length() > 4096 else str(value)
        if len(text) > _SHOWN:
            text = f"{text[:20]}… ({len(text)} characters)"
    elif isinstance(value, float):
        text = f"{value:g}"
    elif isinstance(value, str):
        text = f"'{printable(value, _SHOWN)}'"
    elif isinstance(value, list):
        text = f"an array of {len(value)}" if value else "an empty array"
    elif isinstance(value, Mapping):
        text = "a table" if value else "an empty table"
    return text


def dotted(path: Path, data: Any = None) -> str:
    """A key's path in words: ``units[2] (ac-3).basin.overflow_mm``.

    Elements of an array are counted from 0 and, where ``data`` has one, followed by their id.
    """
    text = ""
    here = data
    for part in path:
        here = _child(here, part)
        if isinstance(part, int):
            text += f"[{part}]"
            label = here.get("id", here.get("label")) if isinstance(here, Mapping) else None
            if isinstance(label, str):
                text += f" ({printable(label, 40)})"
        else:
            shown = printable(part, _SHOWN)
            text += f".{shown}" if text else shown
    return text


def problem_at(document: Document, path: Path, what: str, **more: Any) -> Problem:
    """A problem about one key of a document, with its path, line and value filled in."""
    if "given" not in more:
        value = document.data
        for part in path:
            value = _child(value, part)
        more["given"] = "" if value is None else show(value, path[-1] if path else "")
    line = document.line(path)
    return Problem(document.name, dotted(path, document.data), what, line=line, **more)


def translate(
    errors: Iterable[ErrorDetails], root: type[BaseModel], document: Document
) -> list[Problem]:
    """Findings of ``root`` on a document, as problems; those that merely follow are left out."""
    problems = []
    for error in errors:
        path = tuple(part for part in error["loc"] if part != "[key]")
        if error["type"] == "too_short" and _long_enough(document.data, path, error):
            continue
        problems.append(_one(error, path, root, document))
    return problems


@dataclass(frozen=True)
class _Finding:
    """One finding of pydantic, with what the model knows about its key."""

    error: ErrorDetails
    path: Path
    root: type[BaseModel]
    document: Document

    @property
    def name(self) -> str:
        return self.path[-1] if self.path and isinstance(self.path[-1], str) else ""

    @property
    def limit(self) -> Any:
        return next(iter(self.error.get("ctx", {}).values()), "")

    @property
    def field(self) -> FieldInfo | None:
        return field_at(self.root, self.path)

    @property
    def allowed(self) -> str:
        return _allowed(self.field, self.name)

    @property
    def meaning(self) -> str:
        field = self.field
        return f"Meaning: {field.description}." if field and field.description else ""

    def problem(self, what: str, *, allowed: str = "", todo: str = "", **more: Any) -> Problem:
        return problem_at(
            self.document, self.path, what,
            allowed=allowed or self.allowed, todo=todo or self.meaning or "Correct it.", **more,
        )  # fmt: skip


def _one(error: ErrorDetails, path: Path, root: type[BaseModel], document: Document) -> Problem:
    finding = _Finding(error, path, root, document)
    kind = error["type"]
    if kind in _TYPES:
        what, form = _TYPES[kind]
        return finding.problem(f"{what}.", allowed=finding.allowed or form)
    return _SENTENCES.get(kind, _other)(finding)


def _other(finding: _Finding) -> Problem:
    return finding.problem(f"{finding.error['msg']}.")


def _out_of_range(finding: _Finding) -> Problem:
    side = "below" if finding.error["type"].startswith("greater") else "above"
    value = finding.error["input"]
    if isinstance(value, float) and math.isnan(value):
        what = "not a number is not a figure."
    else:
        what = with_unit(f"is {side} the limit, {show(finding.limit)}", unit_of(finding.name))
        what += "."
    todo = finding.meaning
    if finding.path[:1] == ("units",):
        todo = f"{todo} Correct it; figures come from the unit's data sheet.".strip()
    return finding.problem(what, todo=todo)


def _not_a_choice(finding: _Finding) -> Problem:
    choices = [str(c) for c in choices_of(finding.field)]
    guess = nearest(str(finding.error["input"]), choices)
    todo = f"Did you mean '{guess}'?" if guess else "Choose one of those."
    return finding.problem("is not one of the choices.", todo=todo)


def _wrong_form(finding: _Finding) -> Problem:
    what, form = _PATTERNS.get(finding.name, ("is not written in the form it needs", ""))
    return finding.problem(f"{what}.", allowed=form)


def _too_short(finding: _Finding) -> Problem:
    todo = finding.meaning or "Fill it in."
    return finding.problem("is empty.", allowed="one or more", todo=todo)


def _too_long(finding: _Finding) -> Problem:
    ctx = finding.error.get("ctx", {})
    thing = "characters" if finding.error["type"] == "string_too_long" else "elements"
    allowed = f"at most {ctx.get('max_length')} {thing}"
    return finding.problem("is too long.", allowed=allowed, todo="Shorten it.")


def _missing(finding: _Finding) -> Problem:
    path, field = finding.path, finding.field
    inner, array = element_of(field.annotation) if field else (None, False)
    if isinstance(inner, type) and issubclass(inner, BaseModel):
        header = ".".join(part for part in path if isinstance(part, str))
        header = f"[[{header}]]" if array else f"[{header}]"
        keys = [name for name, f in inner.model_fields.items() if f.is_required()]
        what = f"the table '{path[-1]}' is missing."
        return finding.problem(what, given="", todo=f"Add {header} with {', '.join(keys)}.")
    what = f"the key '{path[-1]}' is missing."
    return finding.problem(what, given="", todo=finding.meaning or "Add it.")


def _refused(finding: _Finding) -> Problem:
    """What a model's own check said; its message already names figures and limits."""
    path, document = finding.path, finding.document
    message = str(finding.error.get("ctx", {}).get("error", finding.error["msg"]))
    value: Any = document.data
    for part in path:
        value = _child(value, part)
    todo = "Correct one of them." if isinstance(value, Mapping) else "Correct it."
    if path[-1:] == ("time_zone",) and (guess := nearest(str(value), time_zone_names())):
        todo = f"Did you mean '{guess}'?"
    given = "" if isinstance(value, Mapping) else show(value, path[-1] if path else "")
    if isinstance(value, Mapping):
        # The line of the first key that the message names is closer than the table's header.
        named = [k for k in value if k in message.replace(",", " ").split()]
        at = (*path, min(named, key=message.index)) if named else path
        if "is not in the catalogue" in message and isinstance(value.get("signal"), str):
            _, _, names = message.partition("known: ")
            guess = nearest(value["signal"], names.split(", "))
            todo = f"Did you mean '{guess}'?" if guess else "Use one of the known names."
            at, given = (*path, "signal"), show(value["signal"])
        line = document.line(at)
        key = dotted(path, document.data)
        return Problem(document.name, key, f"{message}.", given=given, todo=todo, line=line)
    return problem_at(document, path, f"{message}.", todo=todo, given=given)


def _unknown(finding: _Finding) -> Problem:
    path, root, document = finding.path, finding.root, finding.document
    parent = model_at(root, path[:-1])
    known = list(parent.model_fields) if parent else []
    guess = nearest(str(path[-1]), known)
    if guess:
        todo = f"Did you mean '{guess}'? Correct it, or take it out."
    else:
        todo = "Take it out, or check under which [header] it belongs."
        elsewhere = headers_with(root, str(path[-1]))
        if elsewhere:
            todo = f"It belongs under {' or '.join(elsewhere)}; move it there."
    return problem_at(
        document, path, f"the key '{printable(str(path[-1]), _SHOWN)}' is not known here.",
        allowed=", ".join(known), todo=todo,
    )  # fmt: skip


_SENTENCES: Final[dict[str, Callable[[_Finding], Problem]]] = {
    "missing": _missing,
    "extra_forbidden": _unknown,
    "greater_than_equal": _out_of_range,
    "less_than_equal": _out_of_range,
    "literal_error": _not_a_choice,
    "string_pattern_mismatch": _wrong_form,
    "string_too_short": _too_short,
    "too_short": _too_short,
    "string_too_long": _too_long,
    "too_long": _too_long,
    "value_error": _refused,
}


def _allowed(field: FieldInfo | None, name: str) -> str:
    if choices := choices_of(field):
        return ", ".join(show(c) for c in choices)
    if (bounds := bounds_of(field)) is None:
        return ""
    return with_unit(f"{show(bounds[0])} to {show(bounds[1])}", unit_of(name))


def _long_enough(data: Any, path: Path, error: ErrorDetails) -> bool:
    """Whether an array only counts as short because elements of it were refused."""
    value = data
    for part in path:
        value = _child(value, part)
    return isinstance(value, list | dict) and len(value) >= error.get("ctx", {}).get(
        "min_length", 1
    )


def _child(value: Any, part: str | int) -> Any:
    if isinstance(value, Mapping) and isinstance(part, str):
        return value.get(part)
    if isinstance(value, list) and isinstance(part, int) and part < len(value):
        return value[part]
    return None
