"""Own rules in the files: all that is wrong is told at once, each with a pointer; and the lists."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from config_fleet import ENVIRON, REAL_FLEET, REAL_SITE, replaced, write
from typer.testing import CliRunner

from gateway.cli.app import app
from gateway.config import examine, load
from gateway.wire.units import SYMBOLS
from rules.faults.registry import FAULTS
from rules.jobplans import JOB_PLANS
from rules.own_rules.quantities import QUANTITIES
from rules.own_rules.units import UNITS

RUNNER = CliRunner()
GOLDENS = Path(__file__).parent / "goldens"

FLEET_RULES = """
[[rules]]
id = "warm-water"
title = "Basin water warm"
condition = "basin_temperature > 24 °C and not pump_running"
priority = "low"
text = "Ask the site whether the unit can be drained."
job_plan = "full-clean"
"""
SITE_RULES = """
[[rules]]
id = "low-spray"
title = "Spray pressure low"
condition = "spray_pressure < 50 kPa and pump_running"
priority = "medium"
text = "Look at valve V3."
"""
UNIT_RULES = """
[[units.rules]]
id = "low-spray"
title = "Spray pressure low at the long header"
condition = '''
spray_pressure < 40 kPa
and pump_running'''
clear = "spray_pressure > 45 kPa"
on_delay_s = 120
off_delay_s = 60
priority = "high"
text = "Look at valve V7."
job_plan = "distribution"
"""


def site_with(top: str = "", below: str = "") -> str:
    """The site file with own rules of the site, and of its unit."""
    return replaced(REAL_SITE, "[[units]]\n", f"{top}\n[[units]]\n") + below


def test_rules_of_every_level_are_loaded(tmp_path):
    write(tmp_path, fleet=REAL_FLEET + FLEET_RULES, site=site_with(SITE_RULES, UNIT_RULES))
    configuration = load(tmp_path, ENVIRON)
    assert [r.id for r in configuration.rules] == ["warm-water"]
    (site,) = configuration.sites
    assert site.rules[0].condition == "spray_pressure < 50 kPa and pump_running"
    (rule,) = site.units[0].rules
    assert (rule.on_delay_s, rule.priority, rule.job_plan) == (120, "high", "distribution")
    assert (site.rules[0].on_delay_s, site.rules[0].job_plan) == (300, "inspection")


WRONG_FLEET = FLEET_RULES.replace("basin_temperature", "basin_temprature").replace(
    "full-clean", "full-cleaning"
)
WRONG_SITE = (
    SITE_RULES.replace("spray_pressure < 50 kPa", "pump_current < spray_pressure")
    + SITE_RULES.replace('id = "low-spray"', 'id = "Low spray"')
    .replace('priority = "medium"', 'priority = "urgent"')
    .replace('text = "Look at valve V3."\n', "")
    + SITE_RULES.replace("50 kPa", "50 kpa")
)
WRONG_UNIT = (
    UNIT_RULES.replace("and pump_running", "and pump_running == 1")
    .replace("> 45 kPa", "> 45 K")
    .replace("on_delay_s = 120", "on_delay_s = -1")
)


def test_every_error_of_every_rule_is_told_at_once(tmp_path):
    """A golden: what `basinward check` prints. It was read and found good, and is kept."""
    write(tmp_path, fleet=REAL_FLEET + WRONG_FLEET, site=site_with(WRONG_SITE, WRONG_UNIT))
    result = RUNNER.invoke(app, ["check", "--fleet", str(tmp_path)], env=ENVIRON)
    assert result.exit_code == 1
    said = result.stderr.replace(str(tmp_path), "DIR")
    said = said.replace(", ".join(plan.slug for plan in JOB_PLANS), "PLANS")
    golden = GOLDENS / "own-rules-check.txt"
    if os.environ.get("BASINWARD_UPDATE_GOLDENS") == "1":
        golden.write_text(said)
    assert said == golden.read_text()


@pytest.mark.parametrize(
    ("file", "key", "line", "what", "excerpt"),
    [
        ("fleet.toml", "rules[0] (warm-water).condition", "condition = ",
         "column 1: there is no signal or quantity called 'basin_temprature'.",
         "basin_temprature > 24 °C and not pump_running\n^^^^^^^^^^^^^^^^"),
        ("fleet.toml", "rules[0] (warm-water).job_plan", "job_plan = ",
         "there is no such job plan.", ""),
        ("sites/quay-cold-store.toml", "rules[0] (low-spray).condition", "condition = ",
         "column 1: pump_current is an electric current (A), and spray_pressure is a pressure "
         "(kPa): the two cannot be compared.",
         "pump_current < spray_pressure and pump_running\n^^^^^^^^^^^^^^^^^^^^^^^^^^^^^"),
        ("sites/quay-cold-store.toml", "units[0] (ac-1).rules[0] (low-spray).condition",
         "condition = ", "line 2 of the expression, column 5: pump_running is true or false, not "
         "a number.", "and pump_running == 1\n    ^^^^^^^^^^^^"),
        ("sites/quay-cold-store.toml", "units[0] (ac-1).rules[0] (low-spray).clear", "clear = ",
         "column 1: spray_pressure is a pressure (kPa), and 45 K is a temperature difference (K): "
         "the two cannot be compared.", "spray_pressure > 45 K\n^^^^^^^^^^^^^^^^^^^^^"),
    ],
)  # fmt: skip
def test_a_problem_has_file_line_key_and_a_pointer(tmp_path, file, key, line, what, excerpt):
    write(tmp_path, fleet=REAL_FLEET + WRONG_FLEET, site=site_with(WRONG_SITE, WRONG_UNIT))
    _, problems = examine(tmp_path, ENVIRON)
    (found,) = [p for p in problems if p.file == file and p.key == key]
    assert (found.what, found.excerpt) == (what, excerpt)
    assert found.todo
    assert (tmp_path / file).read_text().splitlines()[found.line - 1].startswith(line)
    assert found.to_json()["excerpt"] == excerpt


@pytest.mark.parametrize("at", ["top", "unit"])
@pytest.mark.parametrize(
    "rules",
    ["rules = 3", 'rules = "x"', "rules = []", "rules = [1, {}, [], {condition = 3, id = []}]",
     'rules = [{condition = "", clear = " ", job_plan = 3}]', "[rules]\nid = 'x'"],
)  # fmt: skip
def test_rules_of_a_wrong_shape_are_refused_and_nothing_else_happens(tmp_path, at, rules):
    where = rules if at == "top" else rules.replace("[rules]", "[units.rules]")
    text = f"{where}\n{REAL_SITE}" if at == "top" else REAL_SITE
    if at == "unit":
        text = replaced(REAL_SITE, 'id = "ac-1"\n', f'id = "ac-1"\n{where}\n')
    if rules.startswith("[rules]"):
        text = REAL_SITE + "\n" + where
    configuration, problems = examine(write(tmp_path, fleet=REAL_FLEET, site=text), ENVIRON)
    assert (configuration is None) == (rules != "rules = []")
    assert all("rules" in p.key or "not valid TOML" in p.what for p in problems)


def test_the_wire_and_the_rules_convert_alike():
    """Two tables of factors that were written apart from each other."""
    canonical = {
        "length": "mm", "conductivity": "µS/cm", "current": "A", "voltage": "V",
        "pressure": "kPa", "flow": "L/min", "power": "kW", "temperature": "°C",
    }  # fmt: skip
    compared = 0
    for dimension, unit in canonical.items():
        for symbol, on_the_wire in SYMBOLS[dimension].items():
            if symbol not in UNITS or symbol == "K":  # in a rule K is a difference
                continue
            scale, offset = UNITS[symbol].into(UNITS[unit])
            assert scale == pytest.approx(on_the_wire.scale, rel=1e-6), symbol
            assert offset == pytest.approx(on_the_wire.offset, abs=1e-9), symbol
            compared += 1
    assert compared > 35


# ---------------------------------------------------------------- basinward rules


def test_the_alarm_list_of_a_fleet_holds_its_own_rules(tmp_path):
    write(tmp_path, fleet=REAL_FLEET + FLEET_RULES, site=site_with(SITE_RULES, UNIT_RULES))
    result = RUNNER.invoke(app, ["rules", "--fleet", str(tmp_path)])
    assert result.exit_code == 0, result.output
    lines = [" ".join(line.split()) for line in result.output.splitlines()[len(FAULTS) + 1 :]]
    assert lines == [
        "own-warm-water own rules Basin water warm (every unit) Ask the site whether the unit can "
        "be drained.",
        "own-low-spray own rules Spray pressure low (every unit of quay-cold-store) Look at valve "
        "V3.",
        "own-low-spray own rules Spray pressure low at the long header (quay-cold-store/ac-1) Look "
        "at valve V7.",
    ]


def test_one_own_rule_is_told_in_full_wherever_it_stands(tmp_path):
    write(tmp_path, fleet=REAL_FLEET, site=site_with(SITE_RULES, UNIT_RULES))
    arguments = ["rules", "own-low-spray", "--fleet", str(tmp_path)]
    words = " ".join(RUNNER.invoke(app, arguments).output.split())
    for text in (
        "applies to: every unit of quay-cold-store",
        "condition: spray_pressure < 50 kPa and pump_running",
        "clear: when the condition is not there",
        "applies to: quay-cold-store/ac-1",
        "condition: spray_pressure < 40 kPa and pump_running",
        "clear: spray_pressure > 45 kPa",
        "on-delay, off-delay: 120 s, 60 s",
        "job plan: distribution",
        "needs: spray_pressure, pump_current",
    ):
        assert text in words
    both = json.loads(RUNNER.invoke(app, [*arguments, "--json"]).output)
    assert [e["own"]["applies_to"] for e in both] == [
        "every unit of quay-cold-store", "quay-cold-store/ac-1",
    ]  # fmt: skip
    assert both[1]["own"]["clear"] == "spray_pressure > 45 kPa"


def test_markdown_tells_the_two_places_apart(tmp_path):
    write(tmp_path, fleet=REAL_FLEET, site=site_with(SITE_RULES, UNIT_RULES))
    page = RUNNER.invoke(app, ["rules", "--markdown", "--fleet", str(tmp_path)]).output
    for anchor in ("own-low-spray-quay-cold-store", "own-low-spray-quay-cold-store-ac-1"):
        assert f"(#{anchor})" in page
        assert page.count(f"\n## {anchor}\n") == 1


def test_a_fleet_with_a_fault_is_not_listed_but_told(tmp_path):
    write(tmp_path, fleet=REAL_FLEET + WRONG_FLEET, site=REAL_SITE)
    result = RUNNER.invoke(app, ["rules", "--fleet", str(tmp_path)])
    assert result.exit_code == 1
    assert "basin_temprature" in result.stderr


def test_the_names_are_all_listed():
    table = RUNNER.invoke(app, ["rules", "--names"]).output
    names = json.loads(RUNNER.invoke(app, ["rules", "--names", "--json"]).output)
    listed = [n["name"] for n in names]
    assert listed[: len(QUANTITIES)] == list(QUANTITIES)
    assert listed[-4:] == ["min(...)", "max(...)", "abs(...)", "baseline(...)"]
    for name in names:
        assert f"{name['name']} " in table


def test_every_job_plan_can_be_named(tmp_path):
    for plan in JOB_PLANS:
        rules = FLEET_RULES.replace("full-clean", plan.slug)
        _, problems = examine(write(tmp_path, fleet=REAL_FLEET + rules, site=REAL_SITE), ENVIRON)
        assert not problems


# --- what a text may not claim --------------------------------------------------------------------

CLAIM = "A remote stop counts as isolation for this job."


@pytest.mark.parametrize("key", ["title", "text"])
@pytest.mark.parametrize(
    ("where", "at"),
    [
        ("fleet.toml", "rules[0] (warm-water)"),
        ("sites/quay-cold-store.toml", "rules[0] (low-spray)"),
        ("sites/quay-cold-store.toml", "units[0] (ac-1).rules[0] (low-spray)"),
    ],
)
def test_a_rules_text_may_not_claim_that_work_is_safe(tmp_path, key, where, at):
    """29 CFR 1910.147(b): a control-circuit device is not an energy-isolating device."""

    def claiming(rules: str, wanted: bool) -> str:
        line = next(one for one in rules.splitlines() if one.startswith(f"{key} = "))
        return rules.replace(line, f'{key} = "Look. {CLAIM}"') if wanted else rules

    fleet = REAL_FLEET + claiming(FLEET_RULES, where == "fleet.toml")
    site = site_with(
        claiming(SITE_RULES, at.startswith("rules") and where != "fleet.toml"),
        claiming(UNIT_RULES, at.startswith("units")),
    )
    write(tmp_path, fleet=fleet, site=site)
    configuration, (problem,) = examine(tmp_path, ENVIRON)
    assert configuration is None
    assert (problem.file, problem.key, problem.given) == (where, f"{at}.{key}", f"'{CLAIM}'")
    assert "is not isolation" in problem.what
    written = (tmp_path / where).read_text().splitlines()
    assert CLAIM in written[problem.line - 1]


def test_a_text_that_denies_the_claim_is_taken(tmp_path):
    text = "A remote stop is not isolation: lock the disconnect and verify."
    rules = FLEET_RULES.replace("Ask the site whether the unit can be drained.", text)
    write(tmp_path, fleet=REAL_FLEET + rules, site=REAL_SITE)
    assert load(tmp_path, ENVIRON).rules[0].text == text


@pytest.mark.parametrize("key", ["isolates", "method", "verify"])
def test_an_isolation_point_may_not_claim_it_either(tmp_path, key):
    line = next(one for one in REAL_SITE.splitlines() if one.startswith(f"{key} = "))
    claim = "The controller in off means isolated."
    write(tmp_path, fleet=REAL_FLEET, site=REAL_SITE.replace(line, f'{key} = "{claim}"', 1))
    _, (problem,) = examine(tmp_path, ENVIRON)
    assert problem.key.endswith(f".{key}")
    assert problem.given == f"'{claim}'"
