"""The plant in motion: controls, pump, pads, coil, basin and dissolved solids, columns over units.

One call of :meth:`Plant.run` advances all units over a chunk of steps and returns the truth, which
sensors then see badly and labels are judged from. Faults enter through channels only.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from .climate import Weather
from .machine import CP_AIR, G_KPA_M, SATURATION_DEGC, Design, saturation_table
from .waterworks import Curve, distribution_for, gas_for, motor_current, screen_for

__all__ = ["TRUTH", "Plant", "Truth"]

Array = NDArray[np.float64]
Truth = dict[str, NDArray[np.float32]]

TRUTH: Final = (
    "level", "cond", "tbasin", "flow", "press", "current", "pump_on", "pump_cmd", "wet", "speed",
    "run_mask", "base_mask", "tc", "load", "makeup", "bleed", "overflow", "drain", "evap", "hold",
    "pad_dp", "volts", "wetness", "eps", "ua", "air", "stands_h", "drained", "gas", "makeup_c",
    "t", "rh", "valve", "solids",
)  # fmt: skip


@dataclass
class _State:
    level: Array
    solids: Array
    hold: Array
    wetness: Array
    tc: Array
    boost: Array
    integral: Array
    fans_on: NDArray[np.bool_]
    stages: Array
    stage_age: Array
    tbasin: Array
    wet: NDArray[np.bool_]
    primed: NDArray[np.bool_]
    drained: NDArray[np.bool_]
    idle_s: Array
    stands_s: Array
    fresh_s: Array
    bleed_on: NDArray[np.bool_]
    float_open: NDArray[np.bool_]
    trip_s: Array
    owed_l: Array
    pulse: NDArray[np.bool_]


class Plant:
    """All units of a design, with their state between chunks."""

    def __init__(self, d: Design, step_s: float) -> None:
        self.d, self.step_s = d, step_s
        c = d.col
        self.curve = Curve(c["shut_head"], c["curve"], c["header_m"] / c["duty_m"])
        self.cut_out_degc = np.array([
            np.interp(np.log(p), np.log(saturation_table(f)), SATURATION_DEGC)
            for f, p in zip(d.fluids, c["cut_out"], strict=True)
        ])  # fmt: skip
        n = d.n
        zero, no = np.zeros(n), np.zeros(n, dtype=bool)
        level = c["shut"] - 0.3 * c["band"]
        self.s = _State(
            level, level * c["area"] * c["target_c"] * 0.85, zero.copy(), zero.copy(),
            c["tc_min"] + 4, zero.copy(), zero + 0.4, ~no, zero + 1, zero.copy(), zero + 15,
            no.copy(), no.copy(), no.copy(), zero.copy(), zero.copy(), zero.copy(),
            no.copy(), no.copy(), zero.copy(), zero.copy(), no.copy(),
        )  # fmt: skip

    def run(
        self, t_s: Array, air: list[Weather], load: Array, supply: Array, ch: dict[str, Array]
    ) -> Truth:
        """Advance over the chunk; ``load`` (steps, units) is the share of rated.

        ``supply`` is (2, steps, sites): shares of nominal voltage and of make-up pressure's flow.
        ``air`` holds each site's weather on the chunk's steps.
        """
        of = self.d.site_of
        rows = {
            k: np.stack([getattr(a, k) for a in air], axis=1)[:, of]
            for k in (
                "dry_bulb_degc",
                "wet_bulb_degc",
                "humidity_ratio",
                "saturated_ratio",
                "rh_pct",
            )
        }
        volts = supply[0][:, of] * ch["volts"]
        water = supply[1][:, of]
        resist = {
            "screen": _by_row(screen_for, self.curve, ch["screen_f"]),
            "dist": _by_row(distribution_for, self.curve, ch["dist_f"]),
        }
        n_steps = t_s.size
        out = {name: np.empty((n_steps, self.d.n), dtype=np.float32) for name in TRUTH}
        bits = self._bases(t_s[0])
        live = {k for k, v in ch.items() if v.flags.writeable}
        row = {k: v[0] for k, v in ch.items()}
        for i in range(n_steps):
            for k in live:
                row[k] = ch[k][i]
            truth = self._step(
                float(t_s[i]), {k: v[i] for k, v in rows.items()}, load[i], volts[i], water[i], row,
                resist["screen"][i], resist["dist"][i], bits,
            )  # fmt: skip
            for name, value in zip(TRUTH, truth, strict=True):
                out[name][i] = value
        return out

    def _bases(self, t_s: float) -> NDArray[np.int64]:
        """(units, stages + 1): mask of the fans that run at each stage; the lead rotates weekly."""
        week = int(t_s // (7 * 86_400))
        widest = int(self.d.col["fans"].max()) + 1
        table = np.zeros((self.d.n, widest), dtype=np.int64)
        for u in range(self.d.n):
            n = int(self.d.col["fans"][u])
            for k in range(n + 1):
                lead = int(self.d.col["lead_fan"][u]) + week
                table[u, k] = sum(1 << ((lead + j) % n) for j in range(k))
        return table

    def _step(
        self, t_s: float, air: dict[str, Array], load_share: Array, volts: Array, water: Array,
        ch: dict[str, Array], screen: Array, dist: Array, bits: NDArray[np.int64],
    ) -> tuple[Array, ...]:  # fmt: skip
        s, c, dt = self.s, self.d.col, self.step_s
        t, wb = air["dry_bulb_degc"], air["wet_bulb_degc"]
        off = ch["off"] > 0.5
        # Mode, draining, filling.
        may_wet = (ch["dry"] < 0.5) & ~off & (t > 5)
        s.wet = may_wet & np.where(s.wet, t > c["wet_on"] - c["wet_gap"], t > c["wet_on"])
        shown_wet = s.wet & ~((ch["toggle"] > 0.5) & ((t_s % 2400) > 1200))
        blocked = ch["drain_block"] > 0.5
        drain_after = np.where(ch["early_drain"] > 0.5, 1.5, c["drain_after_h"]) * 3600
        want = ~s.wet & ~blocked & ((s.idle_s > drain_after) | (t < 3) | off)
        s.drained = (s.drained | want) & ~s.wet & ~blocked
        s.primed = (s.primed | (s.level > c["minimum"] + 15)) & ~s.drained
        due = ~s.wet & ~s.drained & ~blocked & ~off & (c["drain_after_h"] > 1e6)
        s.fresh_s = np.where(due & (s.idle_s > c["fresh_every_h"] * 3600), 600.0, s.fresh_s - dt)
        cmd = ((shown_wet & s.primed) | (due & (s.fresh_s > 0))) & ~off
        locked = ch["locked"] > 0
        on = cmd & (ch["dead"] < 0.5) & ~locked
        s.idle_s = np.where(on, 0.0, s.idle_s + dt)
        s.stands_s = np.where(on | (s.level < 20), 0.0, s.stands_s + dt)
        # Pump.
        rise = (s.level - (c["shut"] - c["band"] / 2)) / 1000 / c["duty_m"]
        by_level = np.clip((s.level / c["minimum"] - 0.4) / 0.6, 0.0, 1.0)
        gas_f = np.minimum(ch["gas_f"], by_level)
        gas = np.where(gas_f < 1, np.minimum(gas_for(self.curve, gas_f), 1.0), 1.0)
        q, head = self.curve.solve(gas, screen, dist, rise)
        q, head = np.where(on, q, 0.0), np.where(on, head, 0.0)
        power = (c["shutoff"] + (1 - c["shutoff"]) * q ** c["power_bend"]) * gas + ch["drag"] * 0.95
        current = c["amps"] * motor_current(power, c["magnetising"], volts)
        current = np.where(
            on, current, np.where(cmd & locked, c["amps"] * ch["locked"] * volts, 0.0)
        )
        flow = q * c["flow"]
        # Fans.
        full = np.where(s.fans_on & ~off, 1.0, 0.0)
        vsd = np.clip(s.integral + 0.03 * (s.tc - self._set(t, wb, shown_wet)), 0.0, 1.0) * full
        vsd = np.where((full > 0) & (vsd < 0.12), 0.12, vsd)
        stages = np.where(off, 0, s.stages)
        staged = c["staged"] > 0.5
        speed = np.where(staged, stages / c["fans"], vsd)
        lit = np.where(staged, stages, np.where(vsd > 0, c["fans"], 0)).astype(np.int64)
        base = bits[np.arange(self.d.n), lit]
        dead = ch["fan_dead"].astype(np.int64)
        running = (base & ~dead) | ch["fan_forced"].astype(np.int64)
        moving = np.bitwise_count(running & ~ch["fan_noair"].astype(np.int64)) / c["fans"]
        pace = np.where(staged | (vsd <= 0), 1.0, vsd)
        share = moving * (0.85 + 0.15 * moving)
        loss = (1 - 0.5 * ch["coil"]) * (1 - ch["padclog"]) * (1 - 0.05 * s.wetness)
        v = np.maximum(pace * share * loss, 0.04)
        m = c["air_kg_s"] * v
        # Pads: transfer units fall with air speed; the wetted share follows the water.
        target = np.clip(q / 0.62, 0, 1) ** 0.7
        tau = np.where(target > s.wetness, 240.0, 720.0)
        s.wetness = s.wetness + (target - s.wetness) * (1 - np.exp(-dt / tau))
        units = -np.log(1 - c["eps"])
        eps = (1 - np.exp(-units * v**-0.35)) * s.wetness * (1 - ch["bypass"])
        eps = np.minimum(eps * (1 - 0.5 * ch["padclog"]), 0.98)
        on_coil = t - eps * (t - wb)
        evap = m * eps * (air["saturated_ratio"] - air["humidity_ratio"]) * 60
        # Coil: constant condensing temperature against warming air.
        resist = c["air_share"] * v ** -c["air_power"] + 1 - c["air_share"]
        resist = resist + 1 / (1 - np.minimum(ch["coil"], 0.9)) - 1
        ntu = -np.log(1 - c["effect"]) / (v * resist)
        conduct = m * CP_AIR * (1 - np.exp(-ntu))
        tripped = s.trip_s > 0
        load = load_share * c["capacity"] * (1 - 0.007 * np.clip(s.tc - 35, -10, 25))
        load = np.where(tripped | off, 0.02 * c["capacity"], np.maximum(load, 0.0))
        # Flooded with liquid, more and more until so few kelvin are left to the cut-out.
        room = self.cut_out_degc - (9.5 - 2.6 * ch["flooded"]) - s.tc
        s.boost = np.clip(s.boost + room * 0.5 * dt / 3600, 0, 40) * (ch["flooded"] > 0)
        steady = np.minimum(on_coil + load / conduct + s.boost, 69.0)
        s.tc = s.tc + (steady - s.tc) * (1 - np.exp(-dt / 240.0))
        s.trip_s = np.where(s.tc > self.cut_out_degc, 900.0, s.trip_s - dt)
        self._control(t, wb, shown_wet, off)
        rec_level, rec_cond = s.level, s.solids / np.maximum(s.level * c["area"] + s.hold, 1.0)
        water_out = self._water(on, q, evap, water, ch)
        # Basin temperature: near the wet bulb while it trickles, the air's when it stands.
        falls = np.where(on & (q > 0.1), wb + 1.2 + 0.1 * (t - wb), t + 0.5)
        slow = np.where(on & (q > 0.1), 400.0, 5.5 * 3600)
        s.tbasin = np.maximum(s.tbasin + (falls - s.tbasin) * (1 - np.exp(-dt / slow)), -0.2)
        makeup_c = c["makeup_c"] * ch["makeup_gain"]
        pad_dp = c["pad_dp"] * v**1.8 * (1 + 0.25 * s.wetness) / (1 - ch["padclog"]) ** 3.6
        return (
            rec_level, rec_cond, s.tbasin, flow, head * c["duty_m"] * G_KPA_M, current, on, cmd,
            shown_wet, speed, running, base, s.tc, load, *water_out, s.hold, pad_dp,
            volts * c["volts"],
            s.wetness, eps, 1 / resist, v, s.stands_s / 3600, s.drained, gas_f, makeup_c, t,
            air["rh_pct"], self._opening, s.solids,
        )  # fmt: skip

    def _set(self, t: Array, wb: Array, wet: Array) -> Array:
        c = self.d.col
        floating = np.where(wet, t - 0.75 * (t - wb), t) + c["td_set"]
        return np.where(c["floating"] > 0.5, np.maximum(c["tc_min"], floating), c["tc_min"] + 3)

    def _control(self, t: Array, wb: Array, wet: Array, off: Array) -> None:
        """Fan control for the next step: proportion and integral, or stages with a dead band."""
        s, c, dt = self.s, self.d.col, self.step_s
        error = s.tc - self._set(t, wb, wet)
        s.integral = np.clip(s.integral + 0.02 * error * dt / 60, 0.0, 1.0)
        s.fans_on = np.where(s.fans_on, (s.integral > 0) | (error > -1.0), error > 0.8) & ~off
        s.stage_age = s.stage_age + dt
        ready = s.stage_age > np.where(np.abs(error) > 4, 50, 150)
        up = np.where(error > 1.8, 1, 0) + np.where(error > 5, 1, 0) + np.where(error > 9, 4, 0)
        change = np.where(ready, up - np.where(error < -1.8, 1, 0), 0)
        s.stages = np.clip(s.stages + change, 0, c["fans"])
        s.stage_age = np.where(change != 0, 0.0, s.stage_age)

    def _water(
        self, on: Array, q: Array, evap: Array, supply: Array, ch: dict[str, Array]
    ) -> tuple[Array, Array, Array, Array, Array]:
        """Basin level and dissolved solids over one step; the mean flows of the step. [L/min]"""
        s, c = self.s, self.d.col
        parts = max(1, round(self.step_s / 30))
        dt = self.step_s / parts / 60
        sums = np.zeros((5, self.d.n))
        shut = c["shut"] + ch["set_shift"]
        makeup_c = c["makeup_c"] * ch["makeup_gain"]
        regular = c["regular_bleed"]
        for _ in range(parts):
            volume = s.level * c["area"]
            conc = s.solids / np.maximum(volume + s.hold, 1.0)
            gap = np.clip((shut - s.level) / c["band"], 0.0, 1.0)
            s.float_open = np.where(s.float_open, gap > 0, gap >= 1)
            valve = np.where(c["float_on_off"] > 0.5, s.float_open, gap) * ch["valve_cap"]
            valve = np.clip(np.maximum(valve, ch["valve_floor"]), 0, 1)
            self._opening = valve
            makeup = np.where(s.drained, 0.0, valve * c["makeup_max"] * supply)
            target = c["target_c"] * ch["setpoint_gain"]
            s.bleed_on = np.where(s.bleed_on, conc > 0.95 * target, conc > 1.03 * target)
            # Paced by the make-up meter: one pulse for each so many litres let in.
            s.owed_l = s.owed_l + makeup / (c["target_c"] / c["makeup_c"]) * dt
            s.pulse = np.where(s.pulse, s.owed_l > 0, s.owed_l > 4 * c["bleed_max"])
            s.owed_l = np.where(on & s.pulse, s.owed_l - c["bleed_max"] * dt, s.owed_l)
            kind = c["bleed_kind"]
            bleed = np.where(
                kind == 0,
                regular,
                np.where(kind == 1, s.pulse * c["bleed_max"], s.bleed_on * c["bleed_max"]),
            )
            bleed = np.where(
                ch["bleed_open"] > 0, ch["bleed_open"] * regular, bleed * ch["bleed_gain"]
            )
            bleed = np.where(on, bleed * q, 0.0)
            depth = np.maximum(s.level - c["overflow"], 0) / 1000
            overflow = 2 / 3 * 0.62 * c["lip_m"] * 4.429 * depth**1.5 * 60_000
            overflow = np.minimum(overflow, depth * 1000 * c["area"] / dt)
            drain = np.where(s.drained, c["shut"] * c["area"] / c["drain_min"], 0.0)
            lost = evap + q * c["flow"] * 2e-5
            into = (c["hold_l"] * np.minimum(q, 1.0) - s.hold) * (1 - np.exp(-dt * 60 / 90)) / dt
            out = lost + bleed + overflow + drain + into
            # A basin cannot give more than it has.
            have = volume / dt + makeup
            scale = np.where(out > have, np.maximum(have, 0) / np.maximum(out, 1e-9), 1.0)
            evap_now, bleed, overflow, drain, into = (
                evap * scale, bleed * scale, overflow * scale, drain * scale,
                np.where(into > 0, into * scale, into),
            )  # fmt: skip
            spray = q * c["flow"] * 2e-5 * scale
            gone = bleed + overflow + drain + spray
            s.level = np.maximum(volume + (makeup - evap_now - gone - into) * dt, 0.0) / c["area"]
            s.hold = s.hold + into * dt
            dose = ch["dose"] * 0.0012 * c["target_c"] * c["shut"] * c["area"]
            s.solids = np.maximum(s.solids + (makeup * makeup_c - gone * conc + dose) * dt, 0.0)
            sums += np.stack([makeup, bleed + spray, overflow, drain, evap_now]) / parts
        return sums[0], sums[1], sums[2], sums[3], sums[4]

    _opening: Array


def _by_row(function: Callable[[Curve, Array], Array], curve: Curve, share: Array) -> Array:
    """A resistance by step and unit; nothing is computed where the share is 1 throughout."""
    if not share.flags.writeable:
        return np.broadcast_to(np.float64(0.0), share.shape)
    return np.asarray(function(curve, share))
