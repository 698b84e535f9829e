"""The isolation block is complete, in the order of the regulation, or cannot be made."""

from __future__ import annotations

import re
from dataclasses import FrozenInstanceError, replace
from typing import get_args

import pytest

from rules.equipment import IsolationPoint, Refrigerant, Site, Unit
from rules.hazards import (
    ALWAYS,
    CAUTIONS,
    REFRIGERANTS,
    Caution,
    Hazard,
    SignalWord,
    cautions_for,
)
from rules.jobplans import JOB_PLANS, JobPlan, job_plan
from rules.safety import (
    ORDER,
    RELEASE_ORDER,
    IsolationBlock,
    IsolationStep,
    ReleasePart,
    SafetyTextMissing,
    StepPart,
    isolation_block,
)

# 29 CFR 1910.147, paragraphs seen in a full copy of the regulation; the key words are our reading.
CFR_D = [
    (
        "(d)(1) preparation: know type, magnitude, hazards and control",
        "prepare",
        "know each energy",
    ),
    ("(d)(2) orderly shutdown", "shut down", "stop"),
    ("(d)(3) operate all isolating devices", "isolate", "every isolating device"),
    ("(d)(4) apply lock or tag", "lock and tag", "your own lock"),
    ("(d)(5) relieve or restrain stored energy", "stored energy", "build up again"),
    ("(d)(6) verify isolation before work", "verify", "try to start"),
]
CFR_E = [
    ("(e)(1) inspect: items removed, machine intact", "machine", "tools"),
    ("(e)(2) people clear", "people", "clear"),
    ("(e)(3) removed by the one who applied it; notify", "locks", "by the person who put it on"),
]


@pytest.fixture
def site() -> Site:
    return Site.model_validate({
        "id": "works",
        "name": "Works",
        "address": "1 Mill Lane",
        "access": "gate",
        "time_zone": "Europe/Lisbon",
        "elevation_m": 10,
        "energy_control_procedure": "ECP-07, red folder",
        "team": "north",
        "contacts": [{"name": "A. Mason", "role": "operator", "phone": "01632 960114"}],
        "units": [{
            "id": "ac-1", "name": "AC-1", "location": "roof",
            "basin": {"area_m2": 1.8, "depth_mm": 300, "float_shut_mm": 180, "float_band_mm": 30,
                      "overflow_mm": 240, "pump_minimum_mm": 60, "makeup_max_l_min": 40},
            "pump": {"rated_current_a": 2.6, "rated_voltage_v": 400, "rated_flow_l_min": 220,
                     "rated_pressure_kpa": 88},
            "fans": {"count": 4, "rated_airflow_m3_s": 24},
            "condenser": {"refrigerant": "R717", "rated_capacity_kw": 420, "rated_td_k": 11,
                          "cut_out_kpa_abs": 1900},
            "water": {"makeup_conductivity_us_cm": 420, "conductivity_limit_us_cm": 1800},
            "isolation": [
                {"label": "Q14", "energy": "electrical", "isolates": "pump and fans",
                 "location": "grey box", "method": "turn to O, lock", "verify": "try start"},
                {"label": "V-31", "energy": "water", "isolates": "make-up water",
                 "location": "plant room", "method": "shut, chain, lock", "verify": "no flow"},
            ],
        }],
    })  # fmt: skip


@pytest.fixture
def unit(site: Site) -> Unit:
    return site.units[0]


@pytest.fixture
def block(site: Site, unit: Unit) -> IsolationBlock:
    return isolation_block(site, unit, job_plan("pump-screen"))


def _words(step: object) -> str:
    return " ".join((step.title, *step.actions)).casefold()  # type: ignore[attr-defined]


def test_steps_follow_the_fixed_order_of_29_cfr_1910_147_d(block: IsolationBlock) -> None:
    assert [int(s.part) for s in block.steps] == [1, 2, 3, 4, 5, 6]
    for step, (paragraph, title, word) in zip(block.steps, CFR_D, strict=True):
        assert title in step.title.casefold(), paragraph
        assert word in _words(step), paragraph


def test_release_follows_29_cfr_1910_147_e(block: IsolationBlock) -> None:
    assert [int(s.part) for s in block.release] == [1, 2, 3]
    for step, (paragraph, title, word) in zip(block.release, CFR_E, strict=True):
        assert title in step.title.casefold(), paragraph
        assert word in _words(step), paragraph


def test_affected_people_are_told_before_locking_and_before_start(block: IsolationBlock) -> None:
    """29 CFR 1910.147(c)(9), and (e)(2)(ii) for the start."""
    shut_down = _words(block.steps[1])
    assert "tell everyone" in shut_down
    assert "before you lock" in shut_down
    assert "before anything starts" in _words(block.release[2])


def test_control_circuits_are_never_isolation(block: IsolationBlock) -> None:
    """29 CFR 1910.147(b): push buttons, selectors, control circuits are no isolating devices."""
    for word in ("remote stop", "controller", "selector", "software", "not isolation"):
        assert word in block.not_isolation


def test_only_authorised_employees_with_their_own_lock(block: IsolationBlock) -> None:
    """29 CFR 1910.147(c)(8) and (f)(3)(ii)(D)."""
    assert "authorised employee" in block.who
    assert "their own lock" in block.who


def test_power_for_a_test_ends_in_isolation_again(block: IsolationBlock) -> None:
    """29 CFR 1910.147(f)(1): clear, remove, energise, then de-energise and re-apply."""
    text = block.testing
    assert text.index("clear") < text.index("locks off") < text.index("power on")
    assert text.index("power on") < text.index("isolate, lock and verify again")


def test_absence_of_voltage_is_tested_with_a_proved_tester(block: IsolationBlock) -> None:
    """NFPA 70E art. 120, from memory: tester proved before and after."""
    verify = _words(block.steps[5])
    assert "absence of voltage" in verify
    assert "proved on a live source before and after" in verify


@pytest.mark.parametrize(
    "energy", ["wind", "capacitors", "water", "refrigerant", "trapped liquid", "automatic restart"]
)
def test_every_stored_energy_of_such_a_machine_is_named(block: IsolationBlock, energy: str) -> None:
    """Engineering reading of 29 CFR 1910.147(d)(5)."""
    assert energy in _words(block.steps[4])


def test_block_reminds_defers_and_names_the_sites_procedure(block: IsolationBlock) -> None:
    assert "reminds" in block.reminder
    assert "does not authorise" in block.reminder
    for word in ("energy-control procedure", "local codes", "manual", "licensed practice"):
        assert word in block.defers
    assert block.procedure == "ECP-07, red folder"
    assert "ecp-07, red folder" in _words(block.steps[0])
    assert "a. mason, operator, 01632 960114" in _words(block.steps[1])


@pytest.mark.parametrize("plan", JOB_PLANS, ids=lambda p: p.slug)
@pytest.mark.parametrize("refrigerant", get_args(Refrigerant))
def test_every_plan_has_its_block_on_every_refrigerant(
    site: Site, unit: Unit, plan: JobPlan, refrigerant: Refrigerant
) -> None:
    condenser = unit.condenser.model_copy(update={"refrigerant": refrigerant})
    block = isolation_block(site, unit.model_copy(update={"condenser": condenser}), plan)
    assert {c.hazard for c in block.cautions} == ALWAYS | plan.hazards
    said = next(c for c in block.cautions if c.hazard is Hazard.REFRIGERANT)
    assert refrigerant in said.title
    assert f"group {REFRIGERANTS[refrigerant].group}," in said.title


EMPTY_TEXTS = ("procedure", "who", "reminder", "defers", "not_isolation", "testing")


@pytest.mark.parametrize("name", EMPTY_TEXTS)
def test_a_block_with_an_empty_text_is_refused(block: IsolationBlock, name: str) -> None:
    with pytest.raises(SafetyTextMissing, match=f"'{name}' is empty"):
        replace(block, **{name: "  "})


@pytest.mark.parametrize("name", [n for n in EMPTY_TEXTS if n != "procedure"])
def test_a_text_that_says_something_else_is_refused(block: IsolationBlock, name: str) -> None:
    with pytest.raises(SafetyTextMissing, match=f"'{name}' does not say"):
        replace(block, **{name: "take care"})


@pytest.mark.parametrize("part", ORDER)
def test_a_block_without_one_of_the_six_steps_is_refused(
    block: IsolationBlock, part: StepPart
) -> None:
    steps = tuple(s for s in block.steps if s.part is not part)
    with pytest.raises(SafetyTextMissing, match="must be PREPARE, SHUT_DOWN, ISOLATE"):
        replace(block, steps=steps)


@pytest.mark.parametrize("part", ORDER)
def test_a_step_without_actions_or_with_other_words_is_refused(
    block: IsolationBlock, part: StepPart
) -> None:
    def with_actions(*actions: str) -> tuple[IsolationStep, ...]:
        return tuple(replace(s, actions=actions) if s.part is part else s for s in block.steps)

    with pytest.raises(SafetyTextMissing, match=f"step {part.name} is empty"):
        replace(block, steps=with_actions())
    with pytest.raises(SafetyTextMissing, match=f"step {part.name} does not say"):
        replace(block, steps=with_actions("as usual"))


def test_steps_out_of_order_are_refused(block: IsolationBlock) -> None:
    swapped = (*block.steps[:2], block.steps[3], block.steps[2], *block.steps[4:])
    with pytest.raises(SafetyTextMissing, match="LOCK_AND_TAG, ISOLATE"):
        replace(block, steps=swapped)


@pytest.mark.parametrize("part", RELEASE_ORDER)
def test_a_release_without_one_of_its_parts_is_refused(
    block: IsolationBlock, part: ReleasePart
) -> None:
    with pytest.raises(SafetyTextMissing, match="release steps are"):
        replace(block, release=tuple(s for s in block.release if s.part is not part))


def test_points_must_be_there_and_one_of_them_electrical(block: IsolationBlock) -> None:
    with pytest.raises(SafetyTextMissing, match="no isolation points"):
        replace(block, points=())
    with pytest.raises(SafetyTextMissing, match="no electrical isolation point"):
        replace(block, points=block.points[1:])


@pytest.mark.parametrize("hazard", sorted(ALWAYS))
def test_a_block_without_one_of_the_standing_cautions_is_refused(
    block: IsolationBlock, hazard: Hazard
) -> None:
    with pytest.raises(SafetyTextMissing, match=f"no caution on {hazard.value}"):
        replace(block, cautions=tuple(c for c in block.cautions if c.hazard is not hazard))


def test_everything_missing_is_named_at_once(block: IsolationBlock) -> None:
    with pytest.raises(SafetyTextMissing) as raised:
        replace(block, who="", points=(), steps=(), release=(), cautions=())
    said = str(raised.value)
    for part in ("works/ac-1", "'pump-screen'", "'who'", "points", "isolation steps", "release"):
        assert part in said


def test_safety_text_missing_is_a_value_error_and_a_block_cannot_be_changed(
    block: IsolationBlock,
) -> None:
    assert issubclass(SafetyTextMissing, ValueError)
    with pytest.raises(FrozenInstanceError):
        block.points = ()  # type: ignore[misc]


def test_an_energy_without_a_recorded_point_is_said_to_be_missing(site: Site, unit: Unit) -> None:
    dry = unit.model_copy(update={"isolation": unit.isolation[:1]})
    block = isolation_block(site, dry, job_plan("float-valve"))
    assert len(block.gaps) == 1
    assert "water energy" in block.gaps[0]
    assert "before you start" in block.gaps[0]
    assert isolation_block(site, unit, job_plan("float-valve")).gaps == ()


@pytest.mark.parametrize("plan", JOB_PLANS, ids=lambda p: p.slug)
def test_a_machine_that_is_not_on_file_still_gets_a_block_that_says_so(plan: JobPlan) -> None:
    block = isolation_block(None, None, plan)
    assert [p.label for p in block.points] == ["NOT RECORDED"]
    assert "ask the site" in block.procedure
    assert any("nameplate" in c.text for c in block.cautions)


def test_the_panel_of_a_gateway_is_a_point_of_its_own(site: Site, unit: Unit) -> None:
    """Its supply is in no file; the unit's own points stay, and do not pretend to isolate it."""
    labels = [p.label for p in isolation_block(site, unit, job_plan("telemetry")).points]
    assert labels == ["Q14", "V-31", "NOT RECORDED"]
    whole_site = isolation_block(site, None, job_plan("telemetry"))
    assert (whole_site.site_id, whole_site.unit_id) == ("works", "")
    assert "panel" in whole_site.points[0].isolates


def test_a_long_procedure_still_fits_the_stand_in_point(site: Site) -> None:
    """The site file allows 500 characters; the point's place must not become too long by it."""
    long = site.model_copy(update={"energy_control_procedure": "x" * 500})
    assert isinstance(isolation_block(long, None, job_plan("telemetry")).points[0], IsolationPoint)


def test_a_unit_without_its_site_is_refused(unit: Unit) -> None:
    with pytest.raises(ValueError, match="unit 'ac-1' is given without its site"):
        isolation_block(None, unit, job_plan("fan"))


def test_refrigerant_groups() -> None:
    """ASHRAE 34 / ISO 817, from memory: ammonia B2L, the others of this program A1."""
    assert set(REFRIGERANTS) == set(get_args(Refrigerant))
    groups = {name: entry.group for name, entry in REFRIGERANTS.items()}
    assert groups.pop("R717") == "B2L"
    assert set(groups.values()) == {"A1"}


def test_what_each_refrigerant_does_is_said() -> None:
    """Ammonia: toxic, smells, mildly flammable. R744: pressure, asphyxiant, toxic. From memory."""
    for word in ("Toxic", "sharp smell", "mildly flammable"):
        assert word in REFRIGERANTS["R717"].text
    for word in ("Very high pressure", "pushes out the air", "toxic"):
        assert word in REFRIGERANTS["R744"].text
    for name in get_args(Refrigerant)[2:]:
        assert "pushes out the air" in REFRIGERANTS[name].text
        assert "freezes skin" in REFRIGERANTS[name].text


INJURY = re.compile(r"\b(kill|death|die|injur|burn|ill\b|hurt|skin|eyes|lungs|heavy|slip|hand)")


def test_signal_words_are_used_by_their_meaning() -> None:
    """ANSI Z535.4-2007, 4.14.1-4.14.4 (as quoted elsewhere).

    NOTICE is for what does not injure; every other word is for what does. DANGER, for what *will*
    kill or maim, is kept for live parts and turning blades.
    """
    for caution in CAUTIONS:
        said = f"{caution.title} {caution.text}".casefold()
        if caution.word is SignalWord.NOTICE:
            assert not INJURY.search(said), caution.title
    danger = {c.hazard for c in CAUTIONS if c.word is SignalWord.DANGER}
    assert danger == {Hazard.ELECTRICAL, Hazard.ROTATING}
    could_be_grave = {
        Hazard.STORED_ENERGY, Hazard.REFRIGERANT, Hazard.LEGIONELLA, Hazard.FALLS,
        Hazard.CHEMICALS, Hazard.CONFINED_SPACE,
    }  # fmt: skip
    assert {c.hazard for c in CAUTIONS if c.word is SignalWord.WARNING} == could_be_grave


def test_cautions_cover_each_hazard_once_and_the_worst_come_first() -> None:
    assert sorted(c.hazard for c in CAUTIONS) == sorted(Hazard)
    order = [list(SignalWord).index(c.word) for c in cautions_for(frozenset(Hazard), "R744")]
    assert order == sorted(order)


def test_legionella_caution_warns_of_spray_and_claims_no_control() -> None:
    """HSE: release of spray controlled; fans off, water still before opening (HSG274, memory)."""
    text = next(c.text for c in CAUTIONS if c.hazard is Hazard.LEGIONELLA)
    for words in ("spray", "Fans off and water still", "water safety plan", "breathing protection"):
        assert words in text
    assert "no test for Legionella" in text


def test_a_caution_that_says_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="caution on falls needs"):
        Caution(SignalWord.WARNING, Hazard.FALLS, "Falls", "", "common practice")
