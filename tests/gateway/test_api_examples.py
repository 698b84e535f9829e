"""The example of README's "Read and act by program" does what it says, on a real socket."""

from __future__ import annotations

import re
from pathlib import Path

import httpx2
from support.shown_api import ShownApi
from support.shown_board import served

README = Path(__file__).parents[2] / "README.md"


def example() -> str:
    section = README.read_text().partition("### Read and act by program")[2]
    found = re.search(r"```python\n(.*?)```", section, re.DOTALL)
    assert found is not None
    return found[1]


def test_the_example_of_the_readme_reads_acts_and_exports(tmp_path):
    api = ShownApi(tmp_path)
    try:
        api.fleet.commit(api.fleet.alarm(0), api.fleet.alarm(2))
        api.fleet.samples(0, hours=48)
        with served(api.board) as address:
            values = {"address": address, "token": api.token("view", "operate"), "httpx2": httpx2}
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
