"""Reading out of range: a value that cannot be, by physics or by the unit's own nameplate.

Two ways lead here. Readings outside the catalogue's range were refused where they came in, and are
remembered by :mod:`rules.refused`. Others are possible somewhere, but not on this unit: water above
the rim, a current that no rotor draws, a head pressure far above the cut-out.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import I8, Bool
from rules.bins import BinView
from rules.bits import names_in, packed, unpacked
from rules.events import Cause, Evidence, Reading, Severity
from rules.faults.base import CauseEntry, Fault, Setting
from rules.faults.grading import course
from rules.faults.rule import Rule
from rules.look import UnitLook
from rules.nameplate import OUT_OF_RANGE, POSSIBLE, beyond_nameplate
from rules.signals import INDEX, N_SIGNALS, SIGNALS, signal
from rules.state import BIN_MS

__all__ = ["READING_OUT_OF_RANGE"]

_SLUG: Final = OUT_OF_RANGE
_DECIDING: Final = (
    "basin_level", "conductivity", "pump_current", "spray_pressure", "spray_flow", "head_pressure",
)  # fmt: skip
_DECIDES: Final = np.array([s.name in _DECIDING for s in SIGNALS])
_TEMPERATURES: Final = ("basin_temperature", "ambient_temperature")


def judge(view: BinView, announced: I8) -> I8:
    """By refusals of the last quarter of an hour, and by the nameplate at the bin's last value."""
    state, rows = view.state, view.rows
    beyond = _beyond_nameplate(view)
    state.beyond_set[rows] = packed(beyond) if beyond.any() else 0
    last_ms = state.refused_last_ms[rows]
    young = view.time_ms - last_ms <= view.setting(_SLUG, "recent_s") * 1000.0
    refused = (last_ms > 0) & young
    refused &= state.refused_count[rows] >= view.setting(_SLUG, "least_refusals")
    out = np.zeros(len(rows), dtype=np.int8)
    bad = np.flatnonzero(refused | beyond.any(axis=1))
    if len(bad):
        sets = unpacked(state.refused_set[rows[bad]])
        sets &= refused[bad, None]
        deciding = ((sets | beyond[bad]) & _DECIDES).any(axis=1)
        out[bad] = np.where(deciding, Severity.MEDIUM, Severity.LOW)
    return out


def _beyond_nameplate(view: BinView) -> Bool:
    """By the last value of the bin; one that did not come any more stays what it was."""
    state, rows = view.state, view.rows
    running = state.pump_state[rows] == 1
    found = beyond_nameplate(view.plan, rows, state.value[rows], running)
    if found is None:
        return np.zeros((len(rows), N_SIGNALS), dtype=np.bool_)
    came = state.value_ms[rows] >= (view.time_ms - BIN_MS)[:, None]
    return found & (came | unpacked(state.beyond_set[rows]))


def explain(look: UnitLook, severity: Severity) -> Evidence:
    """Which signals, their last values, the range, since when, and what fails like this."""
    state, row = look.state, look.row
    readings: list[Reading] = []
    ends: list[tuple[str, bool]] = []
    names: list[str] = []
    age_s = (look.time_ms - int(state.refused_last_ms[row])) / 1000.0
    if state.refused_last_ms[row] and age_s <= look.setting(_SLUG, "recent_s"):
        newest = int(state.refused_signal[row])
        minutes = (state.refused_last_ms[row] - state.refused_since_ms[row]) / 60_000.0
        for name in names_in(state.refused_set[row]):
            entry = signal(name)
            is_newest = INDEX[name] == newest
            value = float(state.refused_value[row]) if is_newest else None
            note = f"refused {int(state.refused_count[row])} times in {minutes:.0f} min"
            readings.append(
                Reading(entry.title, value, entry.unit, None, entry.low, entry.high,
                        note if is_newest else "refused too")
            )  # fmt: skip
            names.append(name)
            if value is not None:
                ends.append((name, value < (entry.low + entry.high) / 2.0))
    for limit in POSSIBLE:
        if limit.signal not in names_in(state.beyond_set[row]) or limit.signal in names:
            continue
        entry, value = signal(limit.signal), float(state.value[row, INDEX[limit.signal]])
        size = float(np.asarray(limit.size(look.plan, np.array([row]))).reshape(-1)[0])
        high = look.setting(_SLUG, limit.high) * size if limit.high else None
        low = look.setting(_SLUG, limit.low) * size if limit.low else None
        if not ((high is not None and value > high) or (low is not None and value < low)):
            continue
        held_min = look.setting(_SLUG, "on_delay_s") / 60.0
        readings.append(
            Reading(entry.title, value, entry.unit, None, low, high,
                    f"not possible on this unit; for {held_min:.0f} min or longer")
        )  # fmt: skip
        names.append(limit.signal)
        ends.append((limit.signal, low is not None and value < low))
    titles = [signal(n).title.lower() for n in names]
    what = titles[0] if len(titles) == 1 else ", ".join(titles[:-1]) + " and " + titles[-1]
    return Evidence(
        summary=f"Readings that cannot be: {what}. They are not used.",
        confidence=0.9,
        readings=tuple(readings),
        causes=_causes(ends, len(names)),
        signals=tuple(names),
        limits=(
            "The true values are not known meanwhile: the rules that rest on these readings do not "
            "judge.",
        ),
    )


def _causes(ends: list[tuple[str, bool]], signals: int) -> tuple[Cause, ...]:
    """Open and short circuits drive a reading to one end; a wrong scale rather not."""
    name, bottom = ends[0] if ends else ("", True)
    resistance = name in _TEMPERATURES
    # A broken current loop reads the bottom, a broken resistance thermometer the top.
    open_fits = bottom != resistance
    end = "reads far below its range" if bottom else "reads far above its range"
    several = signals > 1
    causes = (
        Cause("open-circuit", "Wire broken, plug off or transmitter without supply",
              0.8 if open_fits else 0.3, (end,) if open_fits else (),
              () if open_fits else (end,),
              "Measure the loop current or the resistance at the terminals."),
        Cause("short-circuit", "Short circuit or water in the cable, plug or transmitter",
              0.3 if open_fits else 0.6, () if open_fits else (end,), (),
              "Disconnect the cable at the transmitter and measure its insulation."),
        Cause("wrong-scale", "Transmitter's range or the scale in the controller is wrong",
              0.4, (), (), "Compare range, unit and scale of the transmitter, controller and site "
              "file: was something replaced or changed?"),
        Cause("input-card", "Input card or the transmitters' common supply failed",
              0.7 if several else 0.2, ("several readings at once",) if several else (), (),
              "Measure the transmitters' supply; look at the card's lights."),
    )  # fmt: skip
    return tuple(sorted(causes, key=lambda c: -c.agreement))


READING_OUT_OF_RANGE: Final = Rule(
    Fault(
        slug=_SLUG,
        spoils_heat=True,
        title="Reading out of range",
        family="telemetry",
        meaning="A reading lies outside what is physically possible, or what this unit makes "
        "possible.",
        consequence="It is not used: what rests on it is not judged, so faults go unseen.",
        action="Check wiring, supply and scale of the transmitter; replace it if it failed.",
        causes=(
            CauseEntry("open-circuit", "Wire broken, plug off or transmitter without supply",
                       "loop current or resistance at the terminals", "telemetry"),
            CauseEntry("short-circuit", "Short circuit or water in the cable or transmitter",
                       "insulation of the cable", "telemetry"),
            CauseEntry("wrong-scale", "Transmitter's range or the controller's scale is wrong",
                       "range, unit and scale all along the way", "telemetry"),
            CauseEntry("input-card", "Input card or common supply failed",
                       "the transmitters' supply, the card's lights", "telemetry"),
        ),
        needs=(),
        helps=tuple(s.name for s in SIGNALS if s.kind == "analogue"),
        suppressed_by=(),
        response={
            Severity.LOW: "with the next planned visit",
            Severity.MEDIUM: "this week: a deciding reading is lost",
        },
        job_plan="telemetry",
        settings=(
            Setting("least_refusals", 3.0, "instants", 1.0, 1000.0,
                    "refused instants that count", "one or two are a spike"),
            Setting("recent_s", 900.0, "s", 60.0, 86_400.0,
                    "a refusal longer ago is over", "three samples at five minutes"),
            Setting("level_ratio", 1.3, "of basin depth", 1.0, 10.0,
                    "highest level that a basin makes possible",
                    "water runs over the rim; the rest is the transmitter's zero error"),
            Setting("current_ratio", 8.0, "of rated current", 2.0, 20.0,
                    "highest pump current",
                    "a locked rotor draws five to eight times the rated current (common practice)"),
            Setting("voltage_ratio", 1.5, "of rated voltage", 1.1, 5.0,
                    "highest supply voltage", "supplies stay within 10 % (common practice)"),
            Setting("voltage_low_ratio", 0.3, "of rated voltage", 0.0, 0.8,
                    "lowest supply voltage while the pump runs",
                    "no motor runs on so little"),
            Setting("flow_ratio", 3.0, "of rated flow or pressure", 1.2, 20.0,
                    "highest spray pressure, spray flow and make-up flow",
                    "a pump against a shut valve gives less than twice its rated pressure"),
            Setting("head_ratio", 1.5, "of the cut-out", 1.05, 5.0,
                    "highest head pressure", "relief valves open long before (common practice)"),
            Setting("head_low_ratio", 0.5, "of atmospheric pressure", 0.0, 5.0,
                    "lowest head pressure, absolute",
                    "a charged circuit stays above it at any outdoor temperature"),
            Setting("humidity_low_pct", 1.0, "%", 0.0, 20.0,
                    "lowest relative humidity", "outdoor air is never so dry"),
            *course(1800.0, "spikes, filling and work at the panel pass within half an hour",
                    1800.0, "loose contacts come and go"),
        ),
        judged_by="bins",
    ),
    judge,
    explain,
)  # fmt: skip
