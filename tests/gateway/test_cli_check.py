"""``basinward check`` says what is wrong, or that all is good."""

import json
from pathlib import Path

import pytest
from config_fleet import ENVIRON, ONCALL, REAL_FLEET, REAL_SITE, replaced, write
from typer.testing import CliRunner

from gateway.cli.app import app

RUNNER = CliRunner()


def _check(directory: Path, *options: str):
    return RUNNER.invoke(app, ["check", "--fleet", str(directory), *options], env=ENVIRON)


def test_a_good_configuration_is_counted_and_ends_with_0(tmp_path):
    result = _check(write(tmp_path, site=REAL_SITE, fleet=REAL_FLEET))
    assert result.output == "1 site, 1 unit, all good.\n"
    assert result.exit_code == 0


def test_the_demonstration_fleet_passes():
    result = _check(Path(__file__).parents[2] / "simulator" / "demo_fleet")
    assert result.output.endswith("units, all good.\n")
    assert result.exit_code == 0


def test_problems_are_grouped_by_file_and_end_with_1(tmp_path):
    write(
        tmp_path,
        site=replaced(REAL_SITE, "depth_mm = 400", "depth_mm = 12000"),
        oncall=replaced(ONCALL, "bo@north.example", "bo"),
        fleet=replaced(REAL_FLEET, "keep_alive_s = 45", "keep_alive = 45"),
    )
    result = _check(tmp_path)
    assert result.exit_code == 1
    assert result.stdout == ""
    lines = result.stderr.splitlines()
    heads = [line for line in lines if not line.startswith(" ")]
    assert heads[:3] == ["fleet.toml", "oncall.toml", "sites/quay-cold-store.toml"]
    assert "3 errors. Nothing can start from" in heads[-1]
    at = lines.index("sites/quay-cold-store.toml")
    assert lines[at + 1 : at + 5] == [
        "  error line 27: units[0] (ac-1).basin.depth_mm: is above the limit, 3000 mm.",
        "      given: 12000",
        "      allowed: 50 to 3000 mm",
        "      Meaning: floor to rim. Correct it; figures come from the unit's data sheet.",
    ]
    assert "Did you mean 'keep_alive_s'?" in result.stderr


def test_a_warning_is_shown_and_ends_with_0(tmp_path):
    write(tmp_path, site=REAL_SITE, fleet=REAL_FLEET)
    (tmp_path / "sites" / "read me.txt").write_text("")
    result = _check(tmp_path)
    assert result.exit_code == 0
    assert "warning the file is ignored" in result.output
    assert result.output.endswith("1 site, 1 unit, 1 warning.\n")


def test_json_holds_the_same_for_other_programs(tmp_path):
    write(
        tmp_path, site=replaced(REAL_SITE, "depth_mm = 400", "depth_mm = 12000"), fleet=REAL_FLEET
    )
    result = _check(tmp_path, "--json")
    assert result.exit_code == 1
    report = json.loads(result.stdout)
    assert (report["ok"], report["errors"], report["warnings"]) == (False, 1, 0)
    (problem,) = report["problems"]
    assert problem["file"] == "sites/quay-cold-store.toml"
    assert problem["key"] == "units[0] (ac-1).basin.depth_mm"
    assert (problem["line"], problem["level"], problem["given"]) == (27, "error", "12000")
    good = write(tmp_path / "good", site=REAL_SITE, fleet=REAL_FLEET)
    report = json.loads(_check(good, "--json").stdout)
    assert report == {
        "ok": True, "errors": 0, "warnings": 0, "sites": 1, "units": 1, "problems": [],
    }  # fmt: skip


def test_a_missing_directory_ends_with_a_sentence(tmp_path):
    result = _check(tmp_path / "nowhere")
    assert result.exit_code == 1
    assert "the configuration directory does not exist." in result.stderr


def test_text_of_a_file_cannot_steer_the_terminal_or_the_markup(tmp_path):
    site = replaced(REAL_SITE, 'team = "north"', 'team = "\\u001b[2J[bold]x"')
    result = _check(write(tmp_path, site=site, fleet=REAL_FLEET))
    assert "\x1b" not in result.stderr
    assert "[2J[bold]x" in result.stderr


@pytest.mark.parametrize("option", ["-h", "--help"])
def test_help_shows_examples(option):
    result = RUNNER.invoke(app, ["check", option])
    assert result.exit_code == 0
    assert "basinward check --fleet /etc/basinward" in result.output
