"""What a model allows at a key: its field, range, choices and unit, found along the key's path.

Ranges and meanings in messages come from here, that is from the models themselves, so that nothing
is written twice.
"""

from __future__ import annotations

import types
from collections.abc import Iterator
from typing import Annotated, Any, Final, Literal, Union, get_args, get_origin

import annotated_types
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from gateway.config.positions import Path

__all__ = [
    "bounds_of",
    "choices_of",
    "element_of",
    "field_at",
    "headers_with",
    "model_at",
    "unit_of",
    "with_unit",
]

_UNITS: Final[tuple[tuple[str, str], ...]] = (
    ("_kpa_abs", "kPa absolute"),
    ("_us_cm", "µS/cm"),
    ("_l_min", "L/min"),
    ("_m3_s", "m³/s"),
    ("_m2", "m²"),
    ("_mm", "mm"),
    ("_kpa", "kPa"),
    ("_kw", "kW"),
    ("_degc", "°C"),
    ("_pct", "%"),
    ("_frac", "as a fraction"),
    ("_days", "days"),
    ("_mb", "MB"),
    ("_a", "A"),
    ("_v", "V"),
    ("_k", "K"),
    ("_m", "m"),
    ("_s", "s"),
)


def unit_of(key: str) -> str:
    """The unit that a key's name ends in, empty if it names none."""
    return next((unit for ending, unit in _UNITS if key.endswith(ending)), "")


def field_at(root: type[BaseModel], path: Path) -> FieldInfo | None:
    """The field that a key's path leads to, or None."""
    if not path or not isinstance(path[-1], str):
        return None
    parent = model_at(root, path[:-1])
    return parent.model_fields.get(path[-1]) if parent else None


def model_at(root: type[BaseModel], path: Path) -> type[BaseModel] | None:
    """The model that stands at a path, or None where it leads to none."""
    here: Any = root
    for part in path:
        if isinstance(here, type) and issubclass(here, BaseModel):
            field = here.model_fields.get(part) if isinstance(part, str) else None
            here = field.annotation if field else None
        else:
            here = _unwrap(here)
            args = get_args(here)
            here = args[-1] if get_origin(here) is dict else (args[0] if args else None)
        here = _unwrap(here)
    return here if isinstance(here, type) and issubclass(here, BaseModel) else None


def _unwrap(annotation: Any) -> Any:
    """The type inside ``Annotated`` and ``| None``."""
    while True:
        origin = get_origin(annotation)
        if origin is Annotated:
            annotation = get_args(annotation)[0]
        elif origin in {Union, types.UnionType}:
            annotation = next(a for a in get_args(annotation) if a is not type(None))
        else:
            return annotation


def element_of(annotation: Any) -> tuple[Any, bool]:
    """The element type of an array, or the type itself; and whether it was an array."""
    annotation = _unwrap(annotation)
    if get_origin(annotation) is tuple:
        return _unwrap(get_args(annotation)[0]), True
    return annotation, False


def headers_with(root: type[BaseModel], key: str) -> list[str]:
    """Headers under which a key is known: TOML puts a key that comes too late into another table.

    Only the root's own keys and those of its sub-models, one level each, in order.
    """
    homes: list[str] = ["the top of the file, before the first [header]"] * (
        key in root.model_fields
    )
    waiting: list[tuple[str, type[BaseModel]]] = [("", root)]
    while waiting:
        prefix, model = waiting.pop(0)
        for name, field in model.model_fields.items():
            inner, array = element_of(field.annotation)
            if not (isinstance(inner, type) and issubclass(inner, BaseModel)):
                continue
            header = f"{prefix}{name}"
            if key in inner.model_fields:
                homes.append(f"[[{header}]]" if array else f"[{header}]")
            waiting.append((f"{header}.", inner))
    return homes[:3]


def bounds_of(field: FieldInfo | None) -> tuple[float, float] | None:
    """The least and the greatest value that a number may have; None where both are not given."""
    found = list(_metadata(field)) if field else []
    low = next((m.ge for m in found if isinstance(m, annotated_types.Ge)), None)
    high = next((m.le for m in found if isinstance(m, annotated_types.Le)), None)
    if isinstance(low, int | float) and isinstance(high, int | float):
        return low, high
    return None


def with_unit(text: str, unit: str) -> str:
    """The text followed by the unit, if there is one."""
    return f"{text} {unit}" if unit else text


def _metadata(field: FieldInfo) -> Iterator[Any]:
    """Constraints of a field, also those inside ``Annotated[…] | None``."""
    yield from field.metadata
    for part in get_args(field.annotation):
        for item in getattr(part, "__metadata__", ()):
            yield from item.metadata if isinstance(item, FieldInfo) else (item,)


def choices_of(field: FieldInfo | None) -> tuple[Any, ...]:
    """The values that a field may have, where it names them."""
    annotation = field.annotation if field else None
    return get_args(annotation) if get_origin(annotation) is Literal else ()
