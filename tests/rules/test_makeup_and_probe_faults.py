"""Make-up that changed and probes that read wrong: found, told apart, and nobody accused falsely.

The readings come from an integrator written for these tests (``water_scenes``), which counts litres
and solids by itself, and are played together. What the rules do on the simulated fleet is tested
beside it.
"""

from __future__ import annotations

import numpy as np
import pytest
from support.beside import beside
from water_scenes import (
    EVAPORATION_L_MIN,
    WANTED_L_MIN,
    Basin,
    a_day,
    controlled_bleed,
    steady_bleed,
)

from rules.events import Change

FLEET = "water"
NO_BLEED_METER = {"bleed_flow": np.nan}


@beside
@pytest.mark.parametrize("makeup", [600.0, 150.0])
def test_two_meters_say_that_the_make_up_changed(makeup):
    basin = Basin(bleed=steady_bleed(WANTED_L_MIN))
    day = a_day(basin, meters=True).run(4.0)
    yield
    assert day.raised() == []
    basin.makeup_us_cm = makeup
    day.run(10.0)
    yield
    assert day.raised()[0] == "makeup-quality-changed"
    found = day.evidence("makeup-quality-changed")
    assert ("harder" if makeup > 300 else "softer") in found.summary
    # Part of the two hours that it looks back over is from before the change.
    assert found.readings[0].measured == pytest.approx(makeup, rel=0.25)
    assert "conductivity-high" not in day.raised()


@beside
def test_the_make_up_meter_and_the_weather_say_that_it_is_harder():
    """A bleed by conductivity opens for good and cannot hold the set point any more: far more
    comes in than evaporates, and it is hard all the same."""
    basin = Basin(conductivity=700.0, bleed=controlled_bleed(8.0, 700.0))
    day = a_day(basin, meters=True).run(6.0, **NO_BLEED_METER)
    yield
    assert day.raised() == []
    basin.makeup_us_cm = 800.0
    day.run(20.0, **NO_BLEED_METER)
    yield
    assert day.raised()[0] == "makeup-quality-changed"
    found = day.evidence("makeup-quality-changed")
    assert "harder" in found.summary
    # A good part of the two hours that it looks back over is from before the change.
    assert 450.0 <= found.readings[0].measured <= 850.0
    assert found.causes[0].slug in {"supply-changed", "softener-or-ro"}
    assert "far more comes in by its meter than evaporates" in found.causes[0].fits[0]


@beside
def test_a_meter_alone_accuses_no_make_up_where_the_bleed_is_shut():
    """What comes in replaces what evaporates, and the water climbs by the file's own solids."""
    basin = Basin(bleed=steady_bleed(0.0))
    day = a_day(basin, meters=True).run(30.0, **NO_BLEED_METER)
    yield
    assert "makeup-quality-changed" not in day.raised()
    assert {"bleed-blocked", "conductivity-high"} & set(day.raised())


@beside
def test_a_basin_filled_from_empty_tells_the_make_up_without_meters():
    basin = Basin(bleed=steady_bleed(WANTED_L_MIN))
    day = a_day(basin).run(3.0)
    basin.supply, basin.drain = 0.0, 40.0
    day.run(2.0, running=False)
    basin.supply, basin.drain, basin.makeup_us_cm = 1.0, 0.0, 660.0
    day.run(0.4, running=False).run(2.0)
    yield
    assert day.raised() == ["makeup-quality-changed"]
    assert "harder" in day.evidence("makeup-quality-changed").summary


@beside
@pytest.mark.parametrize("hours", [2.0, 8.0])
def test_old_water_that_stays_in_sump_and_pads_is_no_harder_make_up(hours):
    """A third of 1400 µS/cm with two thirds of 300 are 667, more than twice the make-up."""
    basin = Basin(conductivity=1400.0)
    day = a_day(basin).run(1.0)
    basin.supply, basin.drain = 0.0, 40.0
    day.run(hours, running=False)
    basin.supply, basin.drain, basin.makeup_us_cm = 1.0, 0.0, 660.0
    day.run(0.4, running=False).run(1.0)
    yield
    assert "makeup-quality-changed" not in day.raised()


@beside
def test_a_dose_of_chemicals_is_no_harder_make_up():
    """Two hours of dosing climb faster than any evaporation; see what a day's water does."""
    day = a_day(Basin(bleed=steady_bleed(WANTED_L_MIN))).run(3.0)
    for part in range(12):
        day.probe = lambda c, part=part: c + 60.0 * (part + 1)
        day.run(1.0 / 6.0)
    day.run(2.0)
    yield
    assert "makeup-quality-changed" not in day.raised()


@beside
def test_without_meters_harder_water_is_named_as_a_cause_of_what_it_looks_like():
    basin = Basin(bleed=steady_bleed(WANTED_L_MIN))
    day = a_day(basin).run(4.0)
    basin.makeup_us_cm = 600.0
    day.run(20.0)
    yield
    assert day.raised()
    fault = day.raised()[0]
    assert fault in {"bleed-blocked", "conductivity-high", "makeup-quality-changed"}
    slugs = {c.slug for c in day.evidence(fault).causes}
    assert fault == "makeup-quality-changed" or "makeup-quality-changed" in slugs


@beside
def test_an_open_probe_is_one_ticket():
    day = a_day(Basin(bleed=steady_bleed(WANTED_L_MIN))).run(4.0)
    day.probe = lambda _c: 2.0
    day.run(6.0)
    yield
    assert day.raised() == ["conductivity-probe"]
    assert day.evidence("conductivity-probe").causes[0].slug == "probe-open"


@beside
def test_a_fouled_probe_reads_less_than_make_up_and_does_not_answer():
    basin = Basin(bleed=controlled_bleed(4.0, 900.0))
    day = a_day(basin).run(4.0)
    day.probe = lambda c: 0.15 * c
    day.run(8.0)
    yield
    assert day.raised() == ["conductivity-probe"]
    assert day.evidence("conductivity-probe").causes[0].slug == "probe-fouled"


@beside
def test_a_loose_contact_jumps():
    day = a_day(Basin(bleed=controlled_bleed(4.0, 900.0))).run(3.0)
    rng = np.random.default_rng(5)
    yield
    state = {"n": 0, "gain": 1.0}

    def loose(c: float) -> float:
        state["n"] += 1
        if state["n"] % 5 == 0:
            state["gain"] = float(rng.uniform(0.4, 1.6))
        return c * state["gain"]

    day.probe = loose
    day.run(8.0)
    yield
    assert "conductivity-probe" in day.raised()
    assert day.evidence("conductivity-probe").causes[0].slug == "air-bubbles"


@beside
def test_a_probe_that_says_nothing_for_hours_is_not_called_broken():
    day = a_day(Basin(bleed=steady_bleed(WANTED_L_MIN))).run(4.0)
    day.run(4.0, conductivity=float("nan")).run(4.0)
    yield
    assert day.raised() == []


@beside
def test_dry_days_and_a_fresh_fill_raise_nothing():
    basin = Basin(bleed=steady_bleed(WANTED_L_MIN))
    day = a_day(basin).run(3.0)
    basin.supply, basin.drain = 0.0, 30.0
    day.run(40.0, running=False)
    basin.supply, basin.drain = 1.0, 0.0
    day.run(0.5, running=False).run(10.0)
    yield
    assert day.raised() == []


@beside
@pytest.mark.parametrize("every", [5, 4])
@pytest.mark.parametrize("evaporation", [0.55, EVAPORATION_L_MIN])
def test_a_meter_that_is_read_between_the_gulps_of_a_float_accuses_nobody(every, evaporation):
    """A gulp of 80 L through 30 L/min is over in three minutes: a frame in five misses many."""
    basin = Basin(gulps=True, evaporation=evaporation, bleed=controlled_bleed(4.0, 900.0))
    day = a_day(basin, meters=True, every=every)
    day.humidity = 40.0 if evaporation > 1.0 else 86.0
    day.run(60.0)
    yield
    assert day.raised() == []


@beside
def test_softer_by_the_meters_with_thin_water_is_a_probe_first_and_held_water_is_not():
    """A probe at half its reading and make-up at half its solids look alike where B only follows
    the pump; a bleed by conductivity keeps the water up when the make-up is softer."""
    fouled = a_day(Basin(bleed=steady_bleed(WANTED_L_MIN)), meters=True).run(4.0)
    fouled.probe = lambda c: 0.42 * c
    fouled.run(12.0)
    basin = Basin(bleed=lambda b, _t: float(np.clip((b.conductivity - 860.0) / 20.0, 0.0, 4.0)))
    held = a_day(basin, meters=True).run(4.0)
    basin.makeup_us_cm = 130.0
    held.run(30.0)
    yield
    assert fouled.raised()[0] in {"makeup-quality-changed", "conductivity-probe"}
    first = fouled.evidence(fouled.raised()[0]).causes[0].slug
    assert first in {"conductivity-probe", "probe-fouled"}

    assert held.raised() == ["makeup-quality-changed"]
    assert held.evidence("makeup-quality-changed").causes[0].slug == "supply-changed"


@beside
@pytest.mark.parametrize("error_mm", [8.0, 12.0])
def test_a_float_set_higher_than_the_file_says_accuses_no_probe(error_mm):
    """By the reading the valve is all but shut, though level and water are held as ever."""
    day = a_day(Basin(conductivity=1050.0, bleed=steady_bleed(1.25)))
    day.level_error_mm = error_mm
    day.run(3.0).run(4.0, running=False).run(10.0)
    yield
    assert "conductivity-probe" not in day.raised()
    assert "bleed-stuck-open" not in day.raised()


@beside
def test_a_probe_that_is_plugged_in_again_is_no_harder_make_up():
    day = a_day(Basin(bleed=steady_bleed(WANTED_L_MIN)), meters=True).run(4.0)
    day.probe = lambda c: 0.004 * c
    day.run(6.0)
    day.probe = lambda c: c
    day.run(6.0)
    yield
    assert day.raised() == ["conductivity-probe"]


@beside
@pytest.mark.parametrize("meters", [True, False])
def test_pads_that_do_not_wet_accuse_no_probe(meters):
    """The weather says 3.1 L/min, the pads give off a sixth: the water thins, and rightly."""
    basin = Basin(conductivity=900.0, bleed=steady_bleed(WANTED_L_MIN))
    day = a_day(basin, meters=meters).run(4.0)
    basin.evaporation = 0.5
    day.run(14.0, bleed_flow=float("nan"))
    assert basin.conductivity < 500.0
    yield
    assert "conductivity-probe" not in day.raised()


@beside
@pytest.mark.parametrize(("gain", "running"), [(0.6, False), (0.35, False), (0.3, True)])
def test_a_probe_that_lost_a_share_of_its_reading_at_one_stroke_is_found(gain, running):
    """A bleed that follows it brings the reading back within a day, so that it looks right.

    In running the float, wide open, could thin these 320 L by two thirds in ten minutes.
    """
    seen = {"gain": 1.0}
    bleed = lambda b, _t: 4.0 if seen["gain"] * b.conductivity > 890.0 else 0.0  # noqa: E731
    day = a_day(Basin(bleed=bleed)).run(4.0).run(1.0, running=running)
    seen["gain"] = gain
    day.probe = lambda c: gain * c
    day.run(1.0, running=running).run(6.0)
    yield
    assert day.raised()[0] == "conductivity-probe"
    found = day.evidence("conductivity-probe")
    assert found.causes[0].slug == "probe-fouled"
    assert "at one stroke" in found.summary
    seen["gain"] = 1.0
    day.probe = lambda c: c
    day.run(4.0)
    yield
    assert [e.change for e in day.feed.events if e.fault == "conductivity-probe"][-1] is (
        Change.RETURNED
    )


@beside
def test_a_stroke_while_the_basin_comes_back_from_a_turn_of_the_bleed_is_found():
    """The float fills 10 mm in five minutes, as it does after each turn, and no more."""
    day = a_day(Basin(bleed=lambda _b, t: 14.0 if 5.0 <= t < 5.1 else WANTED_L_MIN)).run(5.15)
    seen = day.basin.conductivity
    day.probe = lambda c: 0.45 * c
    day.run(5.0)
    assert day.basin.conductivity > 0.9 * seen
    yield
    assert "conductivity-probe" in day.raised()
    assert "at one stroke" in day.evidence("conductivity-probe").summary


@beside
@pytest.mark.parametrize(("running", "told"), [(True, True), (False, False)])
def test_without_a_level_only_a_pump_that_ran_all_the_while_shows_a_stroke(running, told):
    """A basin may be drained and filled anew while it stands, and is stirred at the next start."""
    day = a_day(Basin(bleed=steady_bleed(WANTED_L_MIN)))
    level = {"basin_level": float("nan")}
    day.run(4.0, **level).run(1.5, running=running, **level)
    day.probe = lambda c: 0.3 * c
    day.run(1.5, running=running, **level).run(6.0, **level)
    yield
    assert ("conductivity-probe" in day.raised()) is told


@beside
def test_water_that_is_thinned_as_fast_as_the_valve_can_accuses_no_probe():
    """A drain open in running, and the float wide open: a third is exchanged in ten minutes."""
    basin = Basin(bleed=controlled_bleed(4.0, 900.0))
    day = a_day(basin).run(4.0)
    basin.drain = 28.0
    day.run(0.6)
    assert basin.conductivity < 550.0
    basin.drain = 0.0
    day.run(6.0)
    yield
    assert "conductivity-probe" not in day.raised()


@beside
def test_a_cloud_of_fresh_water_at_the_probe_accuses_no_probe():
    day = a_day(Basin(bleed=controlled_bleed(4.0, 900.0))).run(4.0).run(0.5, running=False)
    day.probe = lambda _c: 320.0
    day.run(5.0, running=False)
    day.probe = lambda c: c
    day.run(6.0)
    yield
    assert "conductivity-probe" not in day.raised()


@beside
@pytest.mark.parametrize("minutes", [2, 10, 20])
def test_a_reading_that_leapt_up_and_is_back_accuses_no_probe(minutes):
    day = a_day(Basin(bleed=steady_bleed(WANTED_L_MIN))).run(4.0).run(1.0, running=False)
    day.probe = lambda c: 2.0 * c
    day.run(minutes / 60.0, running=False)
    day.probe = lambda c: c
    day.run(0.5, running=False).run(6.0)
    yield
    assert "conductivity-probe" not in day.raised()
