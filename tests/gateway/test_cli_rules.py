"""``basinward rules`` prints the catalogue whole, in every form."""

import json
import textwrap

import pytest
from typer.testing import CliRunner

from gateway.cli.app import app
from rules.diagnosis import signature_table
from rules.faults.registry import FAULTS, RULES, SETTINGS

RUNNER = CliRunner()


def _rules(*arguments: str):
    return RUNNER.invoke(app, ["rules", *arguments])


def test_the_list_has_one_line_a_fault():
    result = _rules()
    assert result.exit_code == 0
    lines = result.output.splitlines()
    assert len(lines) == len(FAULTS) + 1
    for fault, line in zip(FAULTS, lines[1:], strict=True):
        assert line.startswith(f"{fault.slug} ")
        assert fault.title in line
        assert fault.action in line


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.slug)
def test_one_fault_is_told_in_full(fault):
    result = _rules(fault.slug)
    assert result.exit_code == 0
    words = " ".join(result.output.split())
    for text in (fault.title, fault.meaning, fault.consequence, fault.action, fault.job_plan):
        assert " ".join(text.split()) in words
    for cause in fault.causes:
        assert cause.title in words
    for setting in fault.settings:
        assert f"{setting.name} = {setting.default:g} {setting.unit}".strip() in words
        assert f"({setting.low:g} to {setting.high:g})" in words
        assert " ".join(setting.meaning.split()) in words
        assert " ".join(setting.reason.split()) in words


def test_settings_that_belong_to_no_fault_have_an_entry():
    words = " ".join(_rules("fleet").output.split())
    for setting in SETTINGS["fleet"].values():
        assert f"{setting.name} = {setting.default:g} {setting.unit}".strip() in words
        assert " ".join(setting.meaning.split()) in words
        assert " ".join(setting.reason.split()) in words


def test_markdown_names_every_fault_and_setting_in_tables_that_hold():
    result = _rules("--markdown")
    assert result.exit_code == 0
    for slug, table in SETTINGS.items():
        assert f"\n## {slug}\n" in result.output
        for name in table:
            assert f"\n| `{name}` |" in result.output
    width = None
    for line in result.output.splitlines():
        if not line.startswith("|"):
            width = None
            continue
        cells = line.replace("\\|", "").count("|")
        assert width in {None, cells}, line
        width = cells


def test_json_is_complete():
    entries = json.loads(_rules("--json").output)
    assert [e["slug"] for e in entries] == [*(f.slug for f in FAULTS), "fleet"]
    for fault, entry in zip(FAULTS, entries, strict=False):
        assert len(entry["causes"]) == len(fault.causes)
        assert [s["name"] for s in entry["settings"]] == [s.name for s in fault.settings]
        assert set(entry["response"]) == {s.name.lower() for s in fault.response}
    one = json.loads(_rules("fan-fault", "--json").output)
    assert one["slug"] == "fan-fault"


def _tables():
    return [(rule.fault.slug, table) for rule in RULES for table in rule.signatures]


def test_the_signature_matrix_shows_every_table_within_80_columns():
    printed = _rules("--signatures").output
    assert max(map(len, printed.splitlines())) <= 80
    words = " ".join(printed.split())
    for slug, table in _tables():
        assert slug in words
        for sign in table.signs:
            assert all(text in words for text in (sign.up, sign.down, sign.same))


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.fault.slug)
def test_a_faults_own_page_shows_its_signs(rule):
    text, markdown = _rules(rule.fault.slug).output, _rules(rule.fault.slug, "--markdown").output
    assert text.count("which signs tell them apart") == len(rule.signatures)
    for table in rule.signatures:
        indented = textwrap.indent(signature_table(table, width=78), "  ")
        assert "\n".join(line.rstrip() for line in indented.splitlines()) in text
        for row in table.rows:
            assert f"\n| {row.title} |" in markdown


def test_the_signature_matrix_as_json_says_what_the_tables_say():
    items = json.loads(_rules("--signatures", "--json").output)
    found = {
        (slug, item["when"], cause["slug"], name): value
        for item in items
        for slug in item["faults"]
        for cause in item["causes"]
        for name, value in cause["signs"].items()
    }
    assert found == {
        (slug, table.when, row.slug, name): value
        for slug, table in _tables()
        for row in table.rows
        for name, value in row.signs.items()
    }


def test_an_unknown_fault_gets_the_nearest_name():
    result = _rules("fan-fualt")
    assert result.exit_code == 2
    assert "There is no fault called 'fan-fualt'. Did you mean 'fan-fault'?" in result.stderr


def test_two_forms_at_once_are_refused():
    result = _rules("--json", "--markdown")
    assert result.exit_code == 2
    assert "not both" in result.stderr
