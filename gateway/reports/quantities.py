"""Amounts of a month as people read them: cubic metres or gallons, with how sure they are."""

from __future__ import annotations

import math
from typing import Final

from gateway.display_units import DisplaySystem, in_display_unit
from rules.consumption import Amount
from rules.consumption.figures import AMOUNTS

__all__ = ["amount_text", "money_text", "rounded", "water_number", "water_text", "water_unit"]

NOT_KNOWN: Final = "–"


def water_unit(system: DisplaySystem) -> str:
    """What a month's water is counted in."""
    return "gal" if system == "us" else "m³"


def water_number(litres: float, system: DisplaySystem) -> float:
    """In that unit."""
    return in_display_unit(litres, "L", system) if system == "us" else litres / 1000.0


def water_text(litres: float, system: DisplaySystem) -> str:
    """A month's water with its unit."""
    number = water_number(litres, system)
    decimals = 0 if system == "us" or abs(number) >= 100 else 1 if abs(number) >= 1 else 2
    return f"{number:,.{decimals}f} {water_unit(system)}"


def amount_text(amount: Amount | None, name: str, system: DisplaySystem) -> str:
    """A figure of :data:`rules.consumption.figures.AMOUNTS`, '± ' one standard deviation.

    >>> amount_text(Amount(41_234.0, 8_200.0, 1.0, "a meter"), "makeup", "metric")
    '41 ± 8 m³'
    """
    if amount is None or amount.value is None or amount.sd is None:
        return NOT_KNOWN
    measure = AMOUNTS[name][1]
    value, sd = amount.value, amount.sd
    if measure == "L":
        value, sd, symbol = (
            water_number(value, system),
            water_number(sd, system),
            water_unit(system),
        )
    elif measure == "K" and system == "us":
        value, sd, symbol = 1.8 * value, 1.8 * sd, "°F"
    else:
        symbol = measure
    return rounded(value, sd, symbol)


def rounded(value: float, sd: float, symbol: str) -> str:
    """To the place that the deviation leaves meaning in."""
    if sd <= 0.0:
        decimals = 0 if abs(value) >= 10 or value == round(value) else 1
        return f"{_plain(value, decimals)} {symbol}".rstrip()
    place = math.floor(math.log10(sd))
    # One digit of the deviation, two where that is a 1: 1.4 is not 1.
    if sd / 10.0**place < 2.0:
        place -= 1
    decimals = max(0, -place)
    scale = 10.0 ** max(place, 0)
    shown, give = round(value / scale) * scale, round(sd / scale) * scale
    if place < 0:
        shown, give = value, sd
    return f"{_plain(shown, decimals)} ± {_plain(give, decimals)} {symbol}".rstrip()


def money_text(value: float, currency: str) -> str:
    """A sum of money, rounded as an estimate is: '1,240 EUR'."""
    if abs(value) < 100:
        return f"{_plain(value, 0)} {currency}"
    scale = 10.0 ** (math.floor(math.log10(abs(value))) - 2)
    return f"{_plain(round(value / scale) * scale, 0)} {currency}"


def _plain(value: float, decimals: int) -> str:
    text = f"{value:,.{decimals}f}"
    return text.lstrip("-") if text.strip("-0.,") == "" else text
