"""Job plans are complete, stay out of the refrigerant circuit, and fit the fault and its cause."""

from __future__ import annotations

import re
from dataclasses import fields, replace

import pytest

from rules.events import Cause, Evidence, Severity
from rules.faults.base import CauseEntry, Fault
from rules.faults.registry import FAULTS
from rules.hazards import Hazard
from rules.jobplans import (
    INSPECTION,
    JOB_PLANS,
    JobPlan,
    ReadingToTake,
    job_plan,
    missing_plans,
    plan_for,
)
from rules.signals import signal

SLUGS = [
    "float-valve", "level-sensor", "pump-screen", "distribution", "pump-drive", "water-quality",
    "fan", "heat-rejection", "coil", "pads", "drain-down", "telemetry", "full-clean", "inspection",
]  # fmt: skip


def _fault(**changes: object) -> Fault:
    values: dict[str, object] = {
        "slug": "pump-screen-clogging", "title": "t", "family": "pump and screen", "meaning": "m",
        "consequence": "c", "action": "a",
        "causes": (
            CauseEntry("screen", "Screen", "look", "pump-screen"),
            CauseEntry("air", "Air", "look", "float-valve"),
            CauseEntry("wear", "Wear", "look"),
        ),
        "needs": (), "helps": (), "suppressed_by": (), "response": {Severity.LOW: "r"},
        "job_plan": "full-clean", "settings": (),
    }  # fmt: skip
    return Fault(**(values | changes))  # type: ignore[arg-type]


def _text(plan: JobPlan) -> str:
    return " ".join((*plan.look_first, *plan.steps, *plan.return_to_service))


def test_the_plans_there_are() -> None:
    assert [p.slug for p in JOB_PLANS] == SLUGS
    assert all(job_plan(slug).slug == slug for slug in SLUGS)
    assert job_plan("inspection") is INSPECTION


def test_an_unknown_plan_names_those_there_are() -> None:
    with pytest.raises(KeyError, match=r"no job plan 'pump'; there are: float-valve, "):
        job_plan("pump")


@pytest.mark.parametrize("plan", JOB_PLANS, ids=lambda p: p.slug)
def test_no_plan_goes_without_electrical_isolation(plan: JobPlan) -> None:
    with pytest.raises(ValueError, match="does not isolate the electrical supply"):
        replace(plan, energies=frozenset({"water"}))


@pytest.mark.parametrize("plan", JOB_PLANS, ids=lambda p: p.slug)
@pytest.mark.parametrize(
    "part",
    [f.name for f in fields(JobPlan) if f.name not in {"work_min", "hazards", "place"}],
)
def test_a_plan_with_an_empty_part_is_refused(plan: JobPlan, part: str) -> None:
    empty = type(getattr(plan, part))()
    with pytest.raises(ValueError, match=f"lacks .*{part}"):
        replace(plan, **{part: empty})


@pytest.mark.parametrize("minutes", [0, 4, 481])
def test_a_time_that_no_job_takes_is_refused(minutes: int) -> None:
    with pytest.raises(ValueError, match="must be 5 to 480 minutes"):
        replace(INSPECTION, work_min=minutes)


@pytest.mark.parametrize("plan", JOB_PLANS, ids=lambda p: p.slug)
def test_no_plan_opens_the_refrigerant_circuit(plan: JobPlan) -> None:
    """Work on the circuit is for licensed people and stands in no plan (common practice)."""
    assert "refrigerant" not in plan.energies
    assert not re.search(
        r"\b(recover|charge the|top up|vent|loosen|purge|braze|service valve)\b", _text(plan)
    )


@pytest.mark.parametrize("plan", JOB_PLANS, ids=lambda p: p.slug)
def test_looking_first_asks_for_no_work(plan: JobPlan) -> None:
    """What is done while the machine runs is looking, from outside."""
    verbs = re.compile(r"\b(open|clean|take out|remove|clear|turn the|measure|rinse|reset)\b", re.I)
    assert not any(verbs.search(text) for text in plan.look_first)


@pytest.mark.parametrize("plan", JOB_PLANS, ids=lambda p: p.slug)
def test_items_are_sentences_of_one_line(plan: JobPlan) -> None:
    for text in (*plan.steps, *plan.return_to_service):
        assert text == " ".join(text.split())
        assert text.endswith(".")
        assert text[0].isupper()
        assert not text.startswith("- ")
        assert "{" not in text


@pytest.mark.parametrize("plan", JOB_PLANS, ids=lambda p: p.slug)
def test_readings_have_the_catalogues_unit(plan: JobPlan) -> None:
    named = [r for r in plan.readings if r.signal]
    assert all(r.unit == signal(r.signal).unit for r in named)
    assert all(r.before or r.after for r in plan.readings)


@pytest.mark.parametrize("slug", ["pump-screen", "distribution", "heat-rejection", "full-clean"])
def test_a_cleaning_is_measured_before_and_after(slug: str) -> None:
    """Without a witness on both sides nobody can say whether it helped."""
    both = {r.signal for r in job_plan(slug).readings if r.before and r.after}
    assert "spray_pressure" in both


def test_a_full_clean_goes_from_the_air_side_down_and_pads_go_back_last() -> None:
    """Order by common practice: dirt must not fall on what is clean."""
    text = " ".join(job_plan("full-clean").steps).casefold()
    marks = [
        "let the pads dry", "rinse each pad", "coil's face", "drain channel", "empty the basin",
        "suction screen", "float", "bleed line", "each fan", "distribution holes",
        "pads back in their marked orientation", "guards and covers",
    ]  # fmt: skip
    places = [text.index(mark) for mark in marks]
    assert places == sorted(places)


@pytest.mark.parametrize("slug", [s for s in SLUGS if s not in {"full-clean", "heat-rejection"}])
def test_a_single_fault_gets_less_than_a_full_clean(slug: str) -> None:
    full = job_plan("full-clean")
    assert len(job_plan(slug).steps) < len(full.steps)
    assert job_plan(slug).work_min < full.work_min


@pytest.mark.parametrize(
    ("slug", "hazard"),
    [
        ("distribution", Hazard.WET_PADS), ("heat-rejection", Hazard.SHARP_EDGES),
        ("water-quality", Hazard.CHEMICALS), ("full-clean", Hazard.CONFINED_SPACE),
        ("pump-drive", Hazard.MANUAL_HANDLING), ("fan", Hazard.HOT_SURFACES),
    ],
)  # fmt: skip
def test_hazards_fit_the_job(slug: str, hazard: Hazard) -> None:
    assert hazard in job_plan(slug).hazards


@pytest.mark.parametrize("plan", JOB_PLANS, ids=lambda p: p.slug)
def test_touching_live_parts_is_left_to_the_qualified(plan: JobPlan) -> None:
    wires = re.search(r"\b(fuse|contactor|terminal|winding)", _text(plan))
    assert not wires or "qualified electrician" in plan.skills


def test_readings_to_take_refuse_nonsense() -> None:
    with pytest.raises(ValueError, match="signal 'levle' is not in the catalogue"):
        ReadingToTake("Level", "mm", "levle")
    with pytest.raises(ValueError, match="neither before nor after"):
        ReadingToTake("Level", "mm", before=False, after=False)
    with pytest.raises(ValueError, match="say what is read"):
        ReadingToTake(" ")


@pytest.mark.parametrize(
    ("causes", "plan"),
    [
        ((), "full-clean"),
        ((("screen", 0.9, False), ("air", 0.3, False)), "pump-screen"),
        ((("air", 0.9, False), ("screen", 0.3, False)), "float-valve"),
        ((("screen", 0.9, False), ("air", 0.8, False)), "full-clean"),
        ((("screen", 0.7, False), ("air", 0.5, False)), "pump-screen"),
        ((("screen", 0.5, False),), "full-clean"),
        ((("screen", 0.95, True), ("air", 0.8, False)), "float-valve"),
        ((("wear", 0.9, False),), "full-clean"),
        ((("unheard-of", 0.9, False),), "full-clean"),
    ],
    ids=["none", "clear lead", "other lead", "too close", "just clear", "weak", "ruled out",
         "no plan of its own", "not in the catalogue"],
)  # fmt: skip
def test_the_plan_follows_a_cause_that_clearly_leads(causes: tuple, plan: str) -> None:
    evidence = Evidence(
        "s", 0.9, causes=tuple(Cause(slug, slug, a, ruled_out=out) for slug, a, out in causes)
    )
    assert plan_for(_fault(), evidence).slug == plan


def test_plans_that_a_catalogue_names_and_nobody_wrote_are_listed() -> None:
    good = _fault()
    bad = _fault(slug="x", job_plan="polish", causes=(CauseEntry("c", "C", "look", "wax"),))
    assert missing_plans([good]) == ()
    found = missing_plans([good, bad])
    assert [sentence.split(";")[0] for sentence in found] == [
        "fault 'x': no job plan 'polish'",
        "fault 'x', cause 'c': no job plan 'wax'",
    ]


def test_a_cause_that_is_a_fault_of_its_own_brings_that_faults_plan() -> None:
    """All but of head pressure, whose own plan begins by looking which of them it is."""
    plans = {fault.slug: fault.job_plan for fault in FAULTS}
    other = {
        (fault.slug, cause.slug)
        for fault in FAULTS
        for cause in fault.causes
        if fault.slug != "head-pressure-high"
        and cause.job_plan != plans.get(cause.slug, cause.job_plan)
    }
    assert not other
