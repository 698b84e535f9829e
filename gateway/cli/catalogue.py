"""The master alarm list in its written forms: table, text, Markdown, JSON.

Everything comes from the fault catalogue of the rules; nothing is written twice.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import Any, Final

from gateway.cli.output import print_table
from rules.faults.base import Fault, Setting
from rules.faults.registry import FAULTS, SETTINGS
from rules.settings import FLEET

__all__ = ["Entry", "entries", "print_list", "to_markdown", "to_text"]

_WIDTH: Final = 88
_JUDGED_BY: Final = {
    "frames": "each sample",
    "bins": "5-minute means",
    "clock": "silence, by the gateway's clock",
}


@dataclass(frozen=True)
class Entry:
    """One fault of the list; ``fault`` is None for the settings that belong to none."""

    slug: str
    fault: Fault | None
    settings: tuple[Setting, ...]

    def to_json(self) -> dict[str, Any]:
        """The entry as plain JSON data."""
        if self.fault is None:
            return {"slug": self.slug, "settings": [asdict(s) for s in self.settings]}
        data = {
            name: value
            for name, value in vars(self.fault).items()
            if name not in {"causes", "response", "settings"}
        }
        return {
            **data,
            "response": {s.name.lower(): text for s, text in self.fault.response.items()},
            "causes": [asdict(cause) for cause in self.fault.causes],
            "settings": [asdict(s) for s in self.settings],
        }


def entries() -> Mapping[str, Entry]:
    """Every fault by slug, in the catalogue's order, then the settings of the fleet as a whole."""
    found = {f.slug: Entry(f.slug, f, f.settings) for f in FAULTS}
    if FLEET in SETTINGS:
        found[FLEET] = Entry(FLEET, None, tuple(SETTINGS[FLEET].values()))
    return found


def print_list(listed: Iterable[Entry]) -> None:
    """The list as a table: one line a fault."""
    print_table(
        ("fault", "family", "what it says", "what to do"),
        ((e.slug, e.fault.family, e.fault.title, e.fault.action) for e in listed if e.fault),
    )


def to_text(entry: Entry) -> str:
    """One entry in full, for a terminal."""
    lines: list[str] = []
    fault = entry.fault
    if fault is None:
        lines += ["fleet: settings that belong to no single fault"]
    else:
        lines += [f"{fault.slug}: {fault.title}", f"family: {fault.family}", ""]
        for label, text in _facts(fault):
            lines += _wrapped(f"{label}: {text}")
        lines += ["", "causes"]
        for cause in fault.causes:
            lines += _wrapped(f"{cause.title}. Look at: {cause.look_at}", "  ")
    lines += ["", f"settings, as [settings.{entry.slug}] in a file" if entry.settings else ""]
    for setting in entry.settings:
        lines += [f"  {setting.name} = {_with_unit(setting)}  ({_range(setting)})"]
        lines += _wrapped(f"{setting.meaning}. Why: {setting.reason}", "      ")
    return "\n".join(lines).rstrip()


def to_markdown(listed: Iterable[Entry], *, whole_list: bool = True) -> str:
    """The entries as Markdown, with the head of the list where it is the whole one."""
    listed = list(listed)
    lines: list[str] = []
    if whole_list:
        lines += ["# Master alarm list", "", "| fault | family | what it says | what to do |"]
        lines += ["| --- | --- | --- | --- |"]
        lines += [
            f"| [{e.slug}](#{e.slug}) | {e.fault.family} | {_cell(e.fault.title)} "
            f"| {_cell(e.fault.action)} |"
            for e in listed
            if e.fault
        ]
    for entry in listed:
        lines += ["", f"## {entry.slug}", "", *_entry_markdown(entry)]
    return "\n".join(lines).strip()


def _entry_markdown(entry: Entry) -> Iterator[str]:
    fault = entry.fault
    if fault is None:
        yield "Settings that belong to no single fault."
    else:
        yield f"**{fault.title}** ({fault.family})"
        yield ""
        for label, text in _facts(fault):
            yield f"- {label}: {text}"
        yield ""
        yield "| possible cause | look at |"
        yield "| --- | --- |"
        for cause in fault.causes:
            yield f"| {_cell(cause.title)} | {_cell(cause.look_at)} |"
    if entry.settings:
        yield ""
        yield "| setting | default | range | meaning | why |"
        yield "| --- | --- | --- | --- | --- |"
        for s in entry.settings:
            yield (
                f"| `{s.name}` | {_cell(_with_unit(s))} | {_cell(_range(s))} | {_cell(s.meaning)} "
                f"| {_cell(s.reason)} |"
            )


def _facts(fault: Fault) -> Iterator[tuple[str, str]]:
    yield "meaning", fault.meaning
    yield "consequence", fault.consequence
    yield "what to do", fault.action
    for severity, text in fault.response.items():
        yield f"time to respond, {severity.name.lower()}", text
    yield "job plan", fault.job_plan
    yield "needs", ", ".join(fault.needs) or "nothing"
    if fault.helps:
        yield "sharper with", ", ".join(fault.helps)
    if fault.suppressed_by:
        yield "explained away by", ", ".join(fault.suppressed_by)
    yield "judged by", _JUDGED_BY[fault.judged_by]
    if fault.latching:
        yield "latching", "it stands until a person resets it"


def _range(setting: Setting) -> str:
    return f"{setting.low:g} to {setting.high:g}"


def _with_unit(setting: Setting) -> str:
    return f"{setting.default:g} {setting.unit}".strip()


def _wrapped(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(
        text, _WIDTH, initial_indent=indent, subsequent_indent=indent + "  ",
        break_on_hyphens=False,
    )  # fmt: skip


def _cell(text: str) -> str:
    return text.replace("|", "\\|").replace("\n", " ")
