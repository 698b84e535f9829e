"""The list of claims finds what it must, and leaves alone the texts that deny them.

29 CFR 1910.147(b): push buttons, selector switches and other control-circuit devices are not
energy-isolating devices; (d)(6): an authorised employee verifies isolation before work starts.
"""

from __future__ import annotations

import pytest

from rules.faults.registry import FAULTS
from rules.hazards import CAUTIONS
from rules.jobplans import JOB_PLANS
from rules.safety_claims import claims


@pytest.mark.parametrize(
    "sentence",
    [
        "You are authorised to begin the work.",
        "The technician is hereby authorized to open the unit.",
        "Work is authorised from 8:00.",
        "Work has been approved by the monitoring centre.",
        "This mail authorises the cleaning of the screen.",
        "This ticket serves as a work permit.",
        "The acknowledgement permits work on the unit.",
        "Permission to start is granted.",
        "You may now open the fan section.",
        "The unit is safe to work on.",
        "The machine is now safe to touch.",
        "A remote stop is isolation.",
        "A remote stop counts as isolation for this job.",
        "The stop command of the controller is enough for lockout.",
        "The pump was stopped; the controller in off means isolated.",
        "An emergency stop serves as isolation.",
        "The fans are isolated remotely.",
        "The unit has been isolated by the gateway.",
        "The gateway has stopped the pump.",
        "basinward locks the fans for the time of the work.",
        "The pump is already locked out.",
        "There is no need to lock the disconnect for this job.",
        "You do not need to isolate the water.",
        "Isolation is not required for a look inside.",
        "Tell the site first. This sheet authorises you\n   to work.",
    ],
)
def test_a_claim_is_found(sentence: str) -> None:
    assert claims(f"The screen is clogged. {sentence} Then clean it.")


@pytest.mark.parametrize(
    "sentence",
    [
        "This text reminds; it does not authorise work, and it is no permit.",
        "A remote stop is not isolation.",
        "A remote stop, a controller or selector in off, and any command of software, this one "
        "included, are not isolation: only a device that cuts the energy itself is.",
        "basinward only watches: it cannot start, stop or isolate anything.",
        "Only an authorised employee: trained for this, named by the employer.",
        "If one check fails, stop: no work until it is mended.",
        "Nobody is authorised to work by this mail.",
        "Then isolate, lock and verify again from the start.",
        "The gateway has been silent for an hour.",
        "The pump is stopped and its current is 0.0 A.",
        "Never work on the unit because a controller says that it is isolated.",
    ],
)
def test_what_is_no_claim_is_left_alone(sentence: str) -> None:
    assert claims(sentence) == ()


def test_no_word_of_the_catalogues_claims_it() -> None:
    texts = [
        said
        for fault in FAULTS
        for said in (
            fault.title, fault.meaning, fault.consequence, fault.action,
            *(f"{cause.title}. {cause.look_at}" for cause in fault.causes),
        )
    ]  # fmt: skip
    for plan in JOB_PLANS:
        texts += [
            *plan.tools, *plan.parts, *plan.look_first, *plan.steps, *plan.findings,
            *plan.return_to_service, plan.skills,
        ]  # fmt: skip
    texts += [f"{caution.title}. {caution.text}" for caution in CAUTIONS]
    assert [found for text in texts for found in claims(text)] == []
