"""The sections about water, energy and telemetry, of one site or of several."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from gateway.display_units import DisplaySystem
from gateway.records.use_rows import UseRow
from gateway.reports.charts import Bar, Gauge, Series, bars, gauges
from gateway.reports.figures import SiteMonth, Worked, amount_of
from gateway.reports.model import Block, Section, Table
from gateway.reports.quantities import amount_text, money_text, water_number, water_unit
from gateway.reports.settings import ReportSettings
from gateway.reports.words import NOT_KNOWN, hours_text, share_text
from gateway.tickets.document import clean
from rules.consumption import Amount
from rules.consumption.energy import POWER_RISE_FRAC_PER_K

__all__ = ["Group", "cost_text", "groups_of", "heard_of", "telemetry_section", "use_section"]

_FLOWS: Final = (
    ("evaporation", Series("evaporated", "#7fa8d1")),
    ("bleed", Series("bled and leaked", "#c9a227")),
    ("overflow", Series("ran over the lip", "#9b1c1c")),
    ("standing", Series("left at rest", "#52606d")),
)
_COLUMNS: Final = (
    ("makeup", "Make-up"), ("evaporation", "Evaporated"), ("bleed", "Bled, leaked"),
    ("overflow", "Ran over"), ("beyond_target", "Too much"), ("cycles", "Cycles"),
)  # fmt: skip

_MOST_LATE: Final = 12


@dataclass(frozen=True)
class Group:
    """A line of the tables: a unit, or a whole site where several are told of."""

    name: str
    rows: tuple[UseRow, ...]
    before: tuple[UseRow, ...]
    heard_frac: float
    silent_h: float
    late: int = 0
    """Frames that came too late to be judged."""


def groups_of(months: Sequence[SiteMonth], *, by_site: bool) -> list[Group]:
    """A group for each unit, or for each site."""
    found = []
    for month in months:
        if by_site:
            heard = heard_of(month.uses)
            found.append(
                Group(
                    clean(month.site.name, 40), month.uses, month.before,
                    sum(heard) / len(heard) if heard else 0.0, sum(month.silent.values()),
                    sum(month.late.values()),
                )
            )  # fmt: skip
            continue
        names = {unit.id: clean(unit.name, 40) for unit in month.site.units}
        found += [
            Group(
                names.get(row.unit, row.unit), (row,),
                tuple(b for b in month.before if b.unit == row.unit),
                row.use.amounts["heard"].coverage_frac, month.silent.get(row.unit, 0.0),
                month.late.get(row.unit, 0),
            )
            for row in month.uses
        ]  # fmt: skip
    return found


def heard_of(rows: Sequence[UseRow]) -> list[float]:
    """The share of its time in which each unit was heard; those left out that had not begun."""
    return [
        row.use.amounts["heard"].coverage_frac for row in rows if row.use.end_ms > row.use.start_ms
    ]


def cost_text(litres: float | None, kwh: float | None, prices: ReportSettings) -> str:
    """What water and energy cost at the prices of fleet.toml; '' where there are none."""
    if not prices.currency:
        return ""
    total = 0.0
    told = False
    if litres is not None and prices.water_price_per_m3:
        total, told = total + litres / 1000.0 * prices.water_price_per_m3, True
    if kwh is not None and prices.energy_price_per_kwh:
        total, told = total + kwh * prices.energy_price_per_kwh, True
    return money_text(total, prices.currency) if told else ""


def use_section(
    groups: Sequence[Group], system: DisplaySystem, prices: ReportSettings,
    title: Callable[[str], str],
) -> Section:  # fmt: skip
    """Where the water went, what faults wasted, and what warm condensing cost."""
    rows = [row for group in groups for row in group.rows]
    name = "Water and energy"
    if not rows:
        return Section(name, (Block("Nothing has been heard of any unit."),))
    chart = bars(
        "water", "Where the water went",
        [_bar(group, system) for group in groups], [series for _, series in _FLOWS],
    )  # fmt: skip
    lines = [
        (group.name, *(amount_text(amount_of(group.rows, n), n, system) for n, _ in _COLUMNS))
        for group in groups
    ]
    if len(groups) > 1:
        lines.append(("All", *(amount_text(amount_of(rows, n), n, system) for n, _ in _COLUMNS)))
    water = Table(
        ("", *(head for _, head in _COLUMNS)), tuple(lines), (4, 3, 3, 3, 3, 3, 2),
        frozenset(range(1, 7)), total=len(groups) > 1,
    )  # fmt: skip
    blocks = [
        Block(
            "Amounts are estimates: ± is one standard deviation, which holds the truth in two of "
            "three cases. 'Too much' is what left beyond what the intended cycles of concentration "
            "need. '–' is not known.",
            picture=chart,
        ),
        Block(table=water),
        *_wasted(rows, system, prices, title),
        *_heat(groups, rows, system, prices),
        Block("How the figures were come by.", items=_methods(rows)),
    ]
    return Section(name, tuple(blocks))


def _bar(group: Group, system: DisplaySystem) -> Bar:
    amounts = [amount_of(group.rows, n).value for n, _ in _FLOWS]
    if amounts[0] is None and amounts[1] is None:
        return Bar(group.name, tuple(None for _ in amounts), NOT_KNOWN)
    total = sum(v for v in amounts if v is not None)
    before = amount_of(group.before, "makeup").value
    said = f"{water_number(total, system):,.0f} {water_unit(system)}"
    settled = all(row.settled for row in group.before) and len(group.before) == len(group.rows)
    if before and settled and total > 0.0 and all(r.settled for r in group.rows):
        change = 100.0 * (total / before - 1.0)
        if abs(change) >= 5.0:
            said += f" ({change:+.0f} %)"
    return Bar(group.name, tuple(amounts), said)


def _wasted(
    rows: Sequence[UseRow], system: DisplaySystem, prices: ReportSettings,
    title: Callable[[str], str],
) -> list[Block]:  # fmt: skip
    worked = Worked.of(rows)
    if not worked:
        return [Block("No alarm stood that wastes water or makes it condense warmer.")]
    head = ["While this alarm stood", "Hours", "Water wasted", "Energy"]
    with_money = bool(prices.currency)
    lines = []
    for w in worked:
        line = [
            title(w.fault), hours_text(w.hours), _text(w.water, "makeup", system),
            _text(w.energy, "raised_energy", system),
        ]  # fmt: skip
        if with_money:
            line.append(cost_text(w.water.value, w.energy.value, prices) or "–")
        lines.append(tuple(line))
    widths: tuple[int, ...] = (7, 3, 4, 4)
    if with_money:
        head.append("Cost")
        widths = (*widths, 3)
    table = Table(tuple(head), tuple(lines), widths, frozenset(range(1, len(head))))
    return [Block("What the faults cost, alarms that stood together sharing it:", table=table)]


def _text(amount: Amount, name: str, system: DisplaySystem) -> str:
    return "–" if amount.method.startswith("This fault") else amount_text(amount, name, system)


def _heat(
    groups: Sequence[Group], rows: Sequence[UseRow], system: DisplaySystem, prices: ReportSettings
) -> list[Block]:
    raised = amount_of(rows, "raised")
    if raised.value is None:
        return [Block(f"How far it condensed above the clean unit is not known. {raised.method}")]
    lines = []
    for group in groups:
        kelvins, energy = amount_of(group.rows, "raised"), amount_of(group.rows, "raised_energy")
        if kelvins.value is None:
            continue
        pct = 100.0 * POWER_RISE_FRAC_PER_K * kelvins.value
        line = [
            group.name, amount_text(kelvins, "raised", system), f"{max(pct, 0.0):.0f} %",
            amount_text(energy, "raised_energy", system),
            amount_text(amount_of(group.rows, "fans_energy"), "fans_energy", system),
        ]  # fmt: skip
        if prices.currency and prices.energy_price_per_kwh:
            line.append(cost_text(None, energy.value, prices) or "–")
        lines.append(tuple(line))
    head = ["", "Above the clean unit", "More compressor power", "Energy", "of it by lost fans"]
    if prices.currency and prices.energy_price_per_kwh:
        head.append("Cost")
    table = Table(
        tuple(head), tuple(lines), (4, 4, 3, 4, 3, 2)[: len(head)], frozenset(range(1, len(head)))
    )
    rise = 100.0 * POWER_RISE_FRAC_PER_K
    return [
        Block(
            f"What condensing warmer than the clean unit cost, at {rise:.0f} % more compressor "
            "power a kelvin (standardised measure KA-03b; energy guides say 2 to 4 %):",
            table=table,
        )
    ]


def _methods(rows: Sequence[UseRow]) -> tuple[str, ...]:
    found = []
    for name, head in (*_COLUMNS, ("raised", "Condensing"), ("raised_energy", "Energy")):
        known = [r.use.amounts[name] for r in rows if r.use.amounts[name].value is not None]
        if not known:
            reasons = Counter(r.use.amounts[name].method for r in rows)
            found.append(f"{head}: not known. {reasons.most_common(1)[0][0]}")
            continue
        ways = Counter(a.method for a in known)
        shares = [a.coverage_frac for a in known]
        spread = (
            share_text(min(shares))
            if max(shares) - min(shares) < 0.01
            else f"{share_text(min(shares))} to {share_text(max(shares))}"
        )
        text = "; ".join(f"{way} ({n})" if len(ways) > 1 else way for way, n in ways.most_common(3))
        found.append(f"{head}: {text}. Measured in {spread} of the time.")
    return tuple(found)


def telemetry_section(
    groups: Sequence[Group], months: Sequence[SiteMonth], reasons: Callable[[str], str]
) -> Section:
    """How much was heard, for how long units were silent, what was refused."""
    chart = gauges(
        "heard", "Share of the time with telemetry",
        [
            Gauge(
                g.name, 100.0 * g.heard_frac, 0.0,
                share_text(g.heard_frac)
                + (f", told silent for {hours_text(g.silent_h)}" if g.silent_h else ""),
            )
            for g in groups
        ],
        low=90.0, ends=("0 %", "100 % of the month so far"),
    )  # fmt: skip
    blocks = [
        Block(
            "A reading in at least every five minutes counts as heard, from a unit's first reading "
            "on; of one that never sent, from when it was registered. Latecomers that a site sent "
            "after it was cut off count by their own time if they came within two days of the "
            "month's end; what came later is kept, and changes no figure of this month.",
            picture=chart if groups else None,
        )
    ]
    late = [(g.name, g.late) for g in sorted(groups, key=lambda g: -g.late) if g.late]
    if late:
        lines = [(name, f"{n:,}") for name, n in late[:_MOST_LATE]]
        if len(late) > 1:
            lines.append(("All", f"{sum(n for _, n in late):,}"))
        table = Table(
            ("Came after a newer one of its unit", "Samples"), tuple(lines), (8, 2),
            frozenset({1}), total=len(late) > 1,
        )  # fmt: skip
        said = (
            "By the UTC day on which they were measured. They are stored and shown, and the rules "
            "did not judge them: a way that delays or mixes up messages should be mended."
        )
        blocks.append(Block(said, table=table))
    refused: Counter[str] = Counter()
    for month in months:
        for row in month.refused:
            refused[row.reason] += row.count
    if refused:
        table = Table(
            ("Refused, and kept in quarantine", "Records"),
            tuple((reasons(reason), f"{n:,}") for reason, n in refused.most_common(10)),
            (8, 2), frozenset({1}),
        )  # fmt: skip
        said = "Each by reason; basinward arrived shows what it was, and what to do."
        blocks.append(Block(said, table=table))
    else:
        blocks.append(Block("Nothing that arrived was refused."))
    return Section("Telemetry", tuple(blocks))
