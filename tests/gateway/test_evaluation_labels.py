"""faults.json: forgiving in form, strict in meaning, all that is wrong at once."""

import json
from pathlib import Path

import pytest

from gateway.config.report import Level
from gateway.evaluation.labels import read_labels, read_service
from rules.events import Severity

UNITS = {"quay": ["ac-1", "ac-2"], "dairy": ["ac-1"]}
CATALOGUE = ("pump-screen-clogging", "site-cut-off", "unit-unregistered")
GOOD = {
    "site": "quay", "unit": "ac-1", "fault": "pump-screen-clogging", "severity": "medium",
    "start": "2026-03-01T00:00:00Z", "end": "2026-03-02T00:00:00Z",
}  # fmt: skip
T0 = 1_772_323_200_000  # 2026-03-01T00:00:00Z


@pytest.fixture
def read(tmp_path):
    def run(*entries, text=None):
        path = tmp_path / "faults.json"
        path.write_text(json.dumps(entries) if text is None else text)
        return read_labels(path, UNITS, CATALOGUE)

    return run


def test_a_whole_entry(read):
    (label,), problems = read(
        {
            **GOOD,
            "onsets": {"low": None, "medium": "2026-03-01T06:00:00+01:00"},
            "flow_below_65": "2026-03-01T20:00:00",
            "follows": "Pump_Not-Running",
            "note": "unknown keys are passed over",
        },
    )
    assert problems == []
    assert (label.number, label.site, label.unit) == (1, "quay", "ac-1")
    assert (label.start_ms, label.end_ms) == (T0, T0 + 86_400_000)
    assert label.severity is Severity.MEDIUM
    assert label.onset_ms == {Severity.MEDIUM: T0 + 5 * 3_600_000}
    assert label.flow_below_65_ms == T0 + 20 * 3_600_000
    assert label.follows == "pump-not-running"


@pytest.mark.parametrize(
    "fault", ["pump_screen_clogging", "Pump-Screen-Clogging", " pump screen clogging "]
)
def test_the_fault_may_be_written_in_other_forms(read, fault):
    (label,), problems = read({**GOOD, "fault": fault})
    assert label.fault == "pump-screen-clogging"
    assert problems == []


@pytest.mark.parametrize("unit", ["", None])
def test_a_fault_of_a_whole_site_that_lasts(read, unit):
    (label,), _ = read({**GOOD, "unit": unit, "fault": "site-cut-off", "end": None})
    assert label.unit == ""
    assert label.end_ms is None


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        (["low", "Medium", "HIGH"], [1, 2, 3]),
        ([1, 2, 3], [1, 2, 3]),
        ([1], [1]),
        ([0.0, 0.33, 0.34, 0.66, 0.67, 1], [1, 1, 2, 2, 3, 3]),
        ([1.0], [3]),
        ([0.2, "high"], [1, 3]),
    ],
)
def test_severity_by_word_grade_or_share(read, given, expected):
    labels, problems = read(*({**GOOD, "severity": s} for s in given))
    assert problems == []
    assert [int(label.severity) for label in labels] == expected


def test_an_unknown_fault_counts_and_is_told(read):
    (label,), (problem,) = read({**GOOD, "fault": "pump-screen-cloging"})
    assert label.fault == "pump-screen-cloging"
    assert problem.level is Level.WARNING
    assert "Did you mean 'pump-screen-clogging'?" in problem.todo


def test_a_unit_that_is_not_registered_can_be_the_fault(read):
    (label,), problems = read({**GOOD, "unit": "ac-9", "fault": "unit-unregistered"})
    assert (label.unit, label.whole_site, problems) == ("ac-9", True, [])


def test_everything_wrong_is_told_at_once_with_its_entry(read):
    entry = dict(GOOD)
    del entry["start"]
    labels, problems = read(
        GOOD,
        {**GOOD, "site": "key"},
        {**GOOD, "unit": "ac-9"},
        {**GOOD, "start": "yesterday"},
        {**GOOD, "end": "2026-02-28"},
        {**GOOD, "severity": 4},
        {**GOOD, "severity": "grave"},
        entry,
        "pump",
        {**GOOD, "onsets": {"worst": "2026-03-01"}},
        {**GOOD, "fault": 7},
        {**GOOD, "severity": True},
        {**GOOD, "follows": 7},
    )
    assert labels == []
    told = [str(p) for p in problems]
    expected = [
        "entry 2: site: has no file in sites/. Given: \"key\". Allowed: dairy, quay.",
        "entry 3: unit: is not in the file of site 'quay'. Given: \"ac-9\". Allowed: ac-1, ac-2",
        'entry 4: start: is not a time. Given: "yesterday". Allowed: ISO 8601',
        "entry 5: end: is not after its start",
        "entry 6: severity: is not a severity. Given: 4. Allowed: \"low\"",
        'entry 7: severity: is not a severity. Given: "grave"',
        "entry 8: start: is missing",
        "entry 9: must be an object, not text",
        "entry 10: onsets: has no 'worst'. Allowed: low, medium, high",
        "entry 11: fault: must be the name of a fault, not a number",
        "entry 12: severity: is not a severity. Given: true",
        "entry 13: follows: must be the name of a fault, not a number",
    ]  # fmt: skip
    assert len(told) == len(expected)
    for sentence, text in zip(expected, told, strict=True):
        assert f"faults.json: {sentence}" in text


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("[{", "not JSON"),
        ('{"site": 1}', "must hold a list, not an object"),
        ("[" * 100_000, "not usable JSON|not JSON"),
        ("", "not JSON"),
    ],
)
def test_a_file_that_is_no_list_is_told(read, text, match):
    labels, (problem,) = read(text=text)
    assert labels == []
    assert any(part in str(problem) for part in match.split("|"))


def test_a_missing_file_says_what_to_write(tmp_path):
    _, (problem,) = read_labels(tmp_path / "faults.json", UNITS, CATALOGUE)
    assert "it does not exist" in problem.what
    assert "[]" in problem.todo


def test_the_example_of_the_manual_is_one(tmp_path):
    text = (Path(__file__).parents[2] / "README.md").read_text()
    example = (
        text.partition("## Evaluate the rules")[2].partition("```json\n")[2].partition("```")[0]
    )
    path = tmp_path / "faults.json"
    path.write_text(example)
    (screen, cut_off), problems = read_labels(path, {"my-site": ["ac-1"]}, CATALOGUE)
    assert problems == []
    assert screen.start_ms < screen.onset_ms[Severity.MEDIUM] < (screen.flow_below_65_ms or 0)
    assert cut_off.end_ms is None
    assert cut_off.whole_site


def test_times_out_of_service(tmp_path):
    path = tmp_path / "out_of_service.json"
    assert read_service(path, UNITS) == ([], [])
    span = {"site": "quay", "unit": "ac-2", "start": GOOD["start"], "end": None}
    path.write_text(json.dumps([span, {**span, "end": GOOD["end"]}]))
    found, problems = read_service(path, UNITS)
    assert problems == []
    assert found == [("quay", "ac-2", T0, None), ("quay", "ac-2", T0, T0 + 86_400_000)]
    path.write_text(json.dumps([span, {**span, "unit": ""}, {**span, "unit": "ac-7"}, {}]))
    _, problems = read_service(path, UNITS)
    assert [p.key.partition(":")[0] for p in problems] == ["entry 2", "entry 3", *["entry 4"] * 4]
    assert all(p.file == "out_of_service.json" for p in problems)
