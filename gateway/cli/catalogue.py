"""The master alarm list in its written forms: table, text, Markdown, JSON.

Everything comes from the fault catalogue of the rules; nothing is written twice.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

from gateway.cli import signatures
from gateway.cli.output import print_table
from rules.diagnosis import SignatureTable, signature_table
from rules.equipment import OwnRule, Site
from rules.faults.base import Fault, Setting
from rules.faults.registry import RULES, SETTINGS
from rules.own_rules.catalogue import Placed, fault_of, placed_rules
from rules.own_rules.compiled import FUNCTIONS
from rules.own_rules.quantities import BASELINES, QUANTITIES, Quantity
from rules.settings import FLEET

__all__ = [
    "Entry",
    "entries",
    "names_json",
    "own_entries",
    "print_list",
    "print_names",
    "to_markdown",
    "to_text",
]

_WIDTH: Final = 80
_JUDGED_BY: Final = {
    "frames": "each sample",
    "bins": "5-minute means",
    "clock": "silence, by the gateway's clock",
}


@dataclass(frozen=True)
class Entry:
    """One fault of the list; ``fault`` is None for the settings that belong to none. ``own`` is the
    rule of the site's own that it stands for, if it is one.
    """

    slug: str
    fault: Fault | None
    settings: tuple[Setting, ...]
    own: Placed | None = None
    signatures: tuple[SignatureTable, ...] = ()

    @property
    def action(self) -> str:
        """What to do, as the list says it."""
        if self.own is not None:
            return self.own.rule.text
        return self.fault.action if self.fault is not None else ""

    @property
    def anchor(self) -> str:
        """A name of its own among all entries."""
        if self.own is None:
            return self.slug
        return "-".join(filter(None, (self.slug, self.own.site, self.own.unit)))

    def to_json(self) -> dict[str, Any]:
        """The entry as plain JSON data."""
        if self.fault is None:
            return {"slug": self.slug, "settings": [asdict(s) for s in self.settings]}
        data = {
            name: value
            for name, value in vars(self.fault).items()
            if name not in {"causes", "response", "settings"}
        }
        if self.own is not None:
            own = self.own.rule.model_dump(exclude={"id", "title", "job_plan"})
            data["own"] = {"applies_to": self.own.place, **own}
        return {
            **data,
            "response": {s.name.lower(): text for s, text in self.fault.response.items()},
            "causes": [asdict(cause) for cause in self.fault.causes],
            "signatures": [signatures.to_json(table) for table in self.signatures],
            "settings": [asdict(s) for s in self.settings],
        }


def entries() -> Mapping[str, Entry]:
    """Every fault by slug, in the catalogue's order, then the settings of the fleet as a whole."""
    found = {
        r.fault.slug: Entry(r.fault.slug, r.fault, r.fault.settings, signatures=r.signatures)
        for r in RULES
    }
    if FLEET in SETTINGS:
        found[FLEET] = Entry(FLEET, None, tuple(SETTINGS[FLEET].values()))
    return found


def own_entries(fleet: Sequence[OwnRule], sites: Sequence[Site]) -> tuple[Entry, ...]:
    """The own rules of a fleet, in the order of its files."""
    found = ((placed, fault_of(placed.rule)) for placed in placed_rules(fleet, sites))
    return tuple(Entry(fault.slug, fault, (), placed) for placed, fault in found)


def _named() -> Iterator[tuple[str, str, str]]:
    """Names of the language of own rules, with unit and meaning."""
    for name, quantity in (QUANTITIES | {q.name: q for q in BASELINES.values()}).items():
        yield name, _measured_in(quantity), quantity.meaning
    for name, meaning in FUNCTIONS.items():
        yield f"{name}(...)", "", meaning


def _measured_in(quantity: Quantity) -> str:
    words = {"truth": "true or false", "count": "a number of fans"}
    return words.get(quantity.kind) or quantity.unit or "a ratio"


def print_names() -> None:
    """The names that a condition of an own rule may use, as a table."""
    print_table(("name", "unit", "meaning"), _named())


def names_json() -> list[dict[str, str]]:
    """The same as plain JSON data."""
    return [dict(zip(("name", "unit", "meaning"), row, strict=True)) for row in _named()]


def print_list(listed: Iterable[Entry]) -> None:
    """The list as a table: one line a fault."""
    print_table(
        ("fault", "family", "what it says", "what to do"),
        ((e.slug, e.fault.family, _titled(e), e.action) for e in listed if e.fault),
    )


def to_text(entry: Entry) -> str:
    """One entry in full, for a terminal."""
    lines: list[str] = []
    fault = entry.fault
    if fault is None:
        lines += ["fleet: settings that belong to no single fault"]
    else:
        lines += [f"{fault.slug}: {fault.title}", f"family: {fault.family}", ""]
        for label, text in _facts(entry):
            lines += _wrapped(f"{label}: {text}")
        lines += ["", "causes"] if fault.causes else []
        for cause in fault.causes:
            lines += _wrapped(f"{cause.title}. Look at: {cause.look_at}", "  ")
    for table in entry.signatures:
        lines += ["", f"which signs tell them apart{f', {table.when}' if table.when else ''}"]
        lines += [
            *_wrapped(signatures.KEY, "  "),
            "",
            *textwrap.indent(signature_table(table, width=_WIDTH - 2), "  ").split("\n"),
        ]
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
            f"| [{e.slug}](#{e.anchor}) | {e.fault.family} | {_cell(_titled(e))} "
            f"| {_cell(e.action)} |"
            for e in listed
            if e.fault
        ]
    for entry in listed:
        lines += ["", f"## {entry.anchor}", "", *_entry_markdown(entry)]
    return "\n".join(lines).strip()


def _entry_markdown(entry: Entry) -> Iterator[str]:
    fault = entry.fault
    if fault is None:
        yield "Settings that belong to no single fault."
    else:
        yield f"**{fault.title}** ({fault.family})"
        yield ""
        for label, text in _facts(entry):
            yield f"- {label}: {text}"
        if fault.causes:
            yield ""
            yield "| possible cause | look at |"
            yield "| --- | --- |"
        for cause in fault.causes:
            yield f"| {_cell(cause.title)} | {_cell(cause.look_at)} |"
    for table in entry.signatures:
        yield ""
        yield f"Which signs tell them apart{f', {table.when}' if table.when else ''}:"
        yield ""
        yield from signatures.markdown(table)
    if entry.settings:
        yield ""
        yield "| setting | default | range | meaning | why |"
        yield "| --- | --- | --- | --- | --- |"
        for s in entry.settings:
            yield (
                f"| `{s.name}` | {_cell(_with_unit(s))} | {_cell(_range(s))} | {_cell(s.meaning)} "
                f"| {_cell(s.reason)} |"
            )


def _titled(entry: Entry) -> str:
    title = entry.fault.title if entry.fault else ""
    return f"{title} ({entry.own.place})" if entry.own else title


def _facts(entry: Entry) -> Iterator[tuple[str, str]]:
    fault = entry.fault
    if fault is None:
        return
    if entry.own is not None:
        yield from _own_facts(entry.own, fault)
        return
    yield "meaning", fault.meaning
    yield "consequence", fault.consequence
    yield "what to do", fault.action
    for severity, text in fault.response.items():
        yield f"time to respond, {severity.name.lower()}", text
    yield "job plan", fault.job_plan
    any_of = (f"one of {', '.join(group)}" for group in fault.needs_any)
    yield "needs", "; ".join(filter(None, (", ".join(fault.needs), *any_of))) or "nothing"
    if fault.helps:
        yield "sharper with", ", ".join(fault.helps)
    if fault.suppressed_by:
        yield "explained away by", ", ".join(fault.suppressed_by)
    yield "judged by", _JUDGED_BY[fault.judged_by]


def _own_facts(own: Placed, fault: Fault) -> Iterator[tuple[str, str]]:
    rule = own.rule
    yield "applies to", own.place
    yield "condition", " ".join(rule.condition.split())
    clear = " ".join(rule.clear.split()) if rule.clear else "when the condition is not there"
    yield "clear", clear
    yield "on-delay, off-delay", f"{rule.on_delay_s:g} s, {rule.off_delay_s:g} s"
    if rule.latches:
        yield "latching", "once it is clear it stands until a person resets it"
    yield "priority", rule.priority
    yield "meaning, and what to do", rule.text
    yield "job plan", rule.job_plan
    yield "needs", ", ".join(fault.needs) or "nothing"


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
