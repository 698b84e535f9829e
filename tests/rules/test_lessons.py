"""What close-outs teach: verdicts, intervals against published values, suggestions."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import mannwhitneyu

from gateway.tickets.closeout import PARTS
from rules.events import Cause, Evidence, Reading
from rules.faults.registry import FAULTS
from rules.lessons import (
    PARTS_OF,
    Case,
    Finding,
    Outcome,
    PartVerdict,
    judge,
    learn,
    parts_of,
    smaller_p,
)

BY_SLUG = {fault.slug: fault for fault in FAULTS}
SCREEN = "pump-screen-clogging"


def case(
    number: int,
    *findings: tuple[str, str],
    cause: str = SCREEN,
    measured: float = 60.0,
    low: float | None = 75.0,
    lasted_s: float | None = None,
    fault: str = SCREEN,
) -> Case:
    reading = Reading("Water over the pads", measured, "%", expected=100.0, low=low)
    causes = (Cause(cause, "x", 0.9),) if cause else ()
    told = Evidence("x", 0.8, readings=(reading,), causes=causes)
    found = tuple(Finding(part, text) for part, text in findings)
    return Case(f"BW-{number:06d}", "site", "ac-1", fault, number, told, found, lasted_s)


@pytest.mark.parametrize(
    ("findings", "outcome", "instead"),
    [
        ((("pump-screen", "full of leaves"),), Outcome.RIGHT, ""),
        ((("pump-screen", "Clean."), ("float", "it hangs")), Outcome.WRONG, "float"),
        ((("pump-screen", "nothing found"),), Outcome.WRONG, "nothing found"),
        ((("pump-screen", "was not clogged"),), Outcome.WRONG, "nothing found"),
        ((("pump-screen", "half clogged"), ("float", "ok")), Outcome.RIGHT, ""),
        ((), Outcome.UNCLEAR, ""),
    ],
)  # fmt: skip
def test_findings_confirm_or_refute_the_first_cause(
    findings: tuple[tuple[str, str], ...], outcome: Outcome, instead: str
) -> None:
    judged = judge(case(1, *findings))
    assert (judged.outcome, judged.instead) == (outcome, instead)


@pytest.mark.parametrize(
    "found",
    [
        "clean", "Clean.", "OK", "ok, tested", "In good order", "nothing found", "none", "Was fine",
        "no dirt", "not clogged", "free of scale", "Nothing wrong here", "No fault found.",
        "as new", "looks good", "Good condition, no dirt seen", "fine; turns freely",
        "clean and dry", "no damage, not worn", "intact, nothing loose", "Clean on both sides",
        "no dirt or leaves found", "free from scale and mud",
    ],
)  # fmt: skip
def test_a_part_in_order_is_nothing_found(found: str) -> None:
    assert not Finding("coil", found).is_something


@pytest.mark.parametrize(
    "found",
    [
        "Good 5 mm of dirt", "good handful of gravel", "Clean, but the strainer is full of leaves",
        "ok after cleaning", "Nothing but leaves", "None of the fans turned", "Fine dust all over",
        "Fine mesh torn", "free end broken", "no water through it", "Normal side 30 % blocked",
        "clean outside, scale inside", "Good. Bearing loose.", "not turning", "full of leaves",
        "No. 2 seized", "ok, 3 mm of silt", "good fouling layer of algae", "", "hangs",
        "fine silt", "none of the fans", "clean half, the other half fouled", "normal wear",
    ],
)  # fmt: skip
def test_praise_of_something_else_is_no_part_in_order(found: str) -> None:
    assert Finding("coil", found).is_something


def test_what_a_person_ticks_counts_before_the_words() -> None:
    """A ticked verdict needs no reading of free text, and tells another cause at the same part."""

    def outcome(text: str, verdict: PartVerdict | None) -> tuple[Outcome, str]:
        findings = (Finding("pump-screen", text, verdict),)
        judged = judge(replace(case(1), findings=findings))
        return judged.outcome, judged.instead

    assert outcome("fine silt", PartVerdict.AS_SAID) == (Outcome.RIGHT, "")
    assert outcome("some leaves, usual", PartVerdict.NOTHING) == (Outcome.WRONG, "nothing found")
    assert outcome("frame bent", PartVerdict.ELSE) == (Outcome.WRONG, "pump-screen")


def test_a_cause_that_no_part_shows_is_not_judged() -> None:
    hot = case(1, ("coil", "clean"), cause="hot-weather", fault="head-pressure-high")
    assert judge(hot).outcome is Outcome.UNCLEAR
    assert judge(case(2, ("coil", "dirty"), cause="")).outcome is Outcome.UNCLEAR


def test_the_table_of_parts_names_causes_and_parts_that_there_are() -> None:
    causes = {cause.slug for fault in FAULTS for cause in fault.causes}
    assert set(PARTS_OF) <= causes | set(BY_SLUG)
    assert {part for parts in PARTS_OF.values() for part in parts} <= set(PARTS)
    judged = [f for f in FAULTS if any(parts_of(f.slug, c.slug) for c in f.causes)]
    assert len(judged) >= 25, "all faults but those of the way of the telemetry"


def test_the_share_goes_with_its_wilson_interval() -> None:
    """81 of 263: 0.2553 to 0.3662 (R. G. Newcombe, Statistics in Medicine 17 (1998), Table I)."""
    right = [case(i, ("pump-screen", "full")) for i in range(81)]
    wrong = [case(100 + i, ("float", "stuck")) for i in range(182)]
    (lesson,) = learn([*right, *wrong, case(999)], BY_SLUG)
    assert (lesson.tickets, lesson.judged, lesson.right) == (264, 263, 81)
    assert lesson.low_frac == pytest.approx(0.2553, abs=5e-5)
    assert lesson.high_frac == pytest.approx(0.3662, abs=5e-5)
    assert lesson.instead == (("float", 182),)


def test_nothing_judged_is_not_nought_per_cent() -> None:
    (lesson,) = learn([case(1)], BY_SLUG)
    assert lesson.right_frac is None
    assert (lesson.low_frac, lesson.high_frac) == (0.0, 1.0)


@given(
    st.lists(st.integers(0, 12), min_size=2, max_size=15),
    st.lists(st.integers(0, 12), min_size=2, max_size=15),
)
def test_the_rank_test_agrees_with_scipy(first: list[int], second: list[int]) -> None:
    """With ties, by the same approximation."""
    if len(set(first + second)) == 1:
        return
    theirs = mannwhitneyu(first, second, alternative="less", method="asymptotic").pvalue
    assert smaller_p(first, second) == pytest.approx(float(theirs), abs=1e-9)


def limits(refuted: list[float], confirmed: list[float]) -> list[Case]:
    cases = [case(i, ("pump-screen", "clean"), measured=m) for i, m in enumerate(refuted)]
    return cases + [
        case(100 + i, ("pump-screen", "full"), measured=m) for i, m in enumerate(confirmed)
    ]


def test_refuted_tickets_near_the_limit_suggest_another_limit() -> None:
    """Refuted at 70 to 74 % of the flow, confirmed at 45 to 60, limit 75: move it below 70."""
    (lesson,) = learn(limits([74, 73, 72, 71, 70, 73], [60, 55, 50, 45, 58, 52]), BY_SLUG)
    (suggestion,) = lesson.suggestions
    assert (suggestion.saves, suggestion.misses) == (6, 0)
    assert suggestion.p < 0.01
    assert "6 of 6 refuted" in suggestion.said
    assert "0 of 6 confirmed" in suggestion.said
    assert suggestion.value is None, "no single setting has that value"
    assert "flow_loss_low_pct" in suggestion.settings
    assert not any("delay" in name for name in suggestion.settings)


def test_a_setting_that_is_the_limit_is_named_with_a_value() -> None:
    fault = BY_SLUG["conductivity-high"]
    name = "low_ratio"
    limit = next(s.default for s in fault.settings if s.name == name)

    def seen(number: int, ratio: float, found: str) -> Case:
        reading = Reading("Conductivity over its limit", ratio, "", high=limit)
        told = Evidence("x", 0.8, readings=(reading,), causes=(Cause("bleed-small", "x", 0.9),))
        return Case(f"BW-{number}", "s", "u", fault.slug, number, told, (Finding("bleed", found),))

    near = [seen(i, limit * (1.01 + i / 1000), "in order") for i in range(6)]
    far = [seen(9 + i, limit * (1.3 + i / 100), "orifice scaled") for i in range(6)]
    (lesson,) = learn([*near, *far], BY_SLUG)
    (suggestion,) = lesson.suggestions
    assert suggestion.settings == (name,)
    assert suggestion.value is not None
    assert limit * 1.015 < suggestion.value < limit * 1.3
    # One that a person has changed is known by the value it has now.
    changed = learn([*near, *far], BY_SLUG, {(fault.slug, name): limit * 2.0})
    assert changed[0].suggestions[0].value is None


def test_what_passes_soon_suggests_a_longer_delay() -> None:
    refuted = [
        case(i, ("pump-screen", "clean"), low=None, lasted_s=9000 + 300 * i) for i in range(6)
    ]
    confirmed = [
        case(50 + i, ("pump-screen", "full"), low=None, lasted_s=200_000) for i in range(6)
    ]
    present = next(s for s in BY_SLUG[SCREEN].settings if s.name == "on_delay_s")
    (lesson,) = learn([*refuted, *confirmed], BY_SLUG, {(SCREEN, "on_delay_s"): 3600.0})
    if present.high > 10_000:
        (suggestion,) = lesson.suggestions
        assert suggestion.settings == ("on_delay_s",)
        assert 10_000 < (suggestion.value or 0.0) <= present.high
        assert "instead of 3600 s" in suggestion.said


@pytest.mark.parametrize(
    ("refuted", "confirmed"),
    [
        ([74, 73, 72, 71], [60, 55, 50, 45, 58, 52]),  # too few
        ([60, 55, 50, 45, 58, 52], [60, 55, 50, 45, 58, 52]),  # alike
        ([50, 45, 58, 52, 55], [74, 73, 72, 71, 70]),  # the other way round
    ],
)
def test_without_evidence_nothing_is_suggested(
    refuted: list[float], confirmed: list[float]
) -> None:
    (lesson,) = learn(limits(refuted, confirmed), BY_SLUG)
    assert lesson.suggestions == ()


def test_chance_alone_seldom_suggests() -> None:
    """Both kinds from one distribution: of 300 fleets about one in twenty at most."""
    random = np.random.default_rng(11)
    found = 0
    for _ in range(300):
        (lesson,) = learn(
            limits(list(random.uniform(40, 74, 10)), list(random.uniform(40, 74, 10))), BY_SLUG
        )
        found += bool(lesson.suggestions)
    assert found <= 0.08 * 300
