"""The example of README's "Read and act by program" does what it says, on a real socket."""

from __future__ import annotations

import re
from pathlib import Path

import httpx2
from support.shown_api import ShownApi
from support.shown_board import served

README = Path(__file__).parents[2] / "README.md"


def section() -> str:
    return README.read_text().partition("### Read and act by program")[2].partition("\n### ")[0]


def example() -> str:
    found = re.search(r"```python\n(.*?)```", section(), re.DOTALL)
    assert found is not None
    return found[1]


def roles() -> list[str]:
    """What the token may that the section's own command makes."""
    found = re.search(r"`basinward (accounts token [^`]*)`", section())
    assert found is not None
    return re.findall(r"--role (\w+)", found[1]) or ["view"]


def test_the_readme_says_how_to_install_what_its_example_imports():
    wanted = re.findall(r"^import (\w+)$", example(), re.MULTILINE)
    assert wanted == ["httpx2"]
    assert all(f'pip install "{name}' in section() for name in wanted)


def test_the_example_of_the_readme_reads_acts_and_exports(tmp_path):
    api = ShownApi(tmp_path)
    try:
        api.fleet.commit(api.fleet.alarm(0), api.fleet.alarm(2))
        api.fleet.samples(0, hours=48)
        with served(api.board) as address:
            values = {"address": address, "token": api.token(*roles()), "httpx2": httpx2}
            exec(compile(example(), "README.md", "exec"), values)  # noqa: S102 - our own page
            values["board"].close()
        asked = [a.note for a in api.records.pending_actions()]
        assert asked.count("On our list") == 2
        assert api.records.ticket(values["alarms"][0]["ticket"]).ticket.assignee == "Rui Prata"
        assert values["readings"].startswith("time,site,unit,basin_level [mm]")
        assert values["readings"].count("\n") > 200
        assert {e.actor.how.value for e in api.records.audit.entries()[:3]} == {"token"}
    finally:
        api.close()
