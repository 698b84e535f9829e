"""Whatever bytes come in: kept inputs, a short search guided by coverage, and effort by size."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from support.examples import examples

from tests.fuzz.targets import TARGETS, Target, kept

ROOT = Path(__file__).resolve().parents[2]
BY_NAME = pytest.mark.parametrize("target", TARGETS, ids=lambda t: t.name)
KEPT = [pytest.param(t, path, id=f"{t.name}-{path.name}") for t in TARGETS for path in kept(t.name)]
GROWING = [pytest.param(t, shape, id=f"{t.name}-{shape}") for t in TARGETS for shape in t.growing]


@pytest.mark.parametrize(("target", "path"), KEPT)
def test_a_kept_input_breaks_no_promise(target: Target, path: Path) -> None:
    target.run(path.read_bytes())


@BY_NAME
def test_a_search_finds_no_input_that_breaks_a_promise(target: Target, tmp_path: Path) -> None:
    """By number of inputs and seed, so that it is the same search each time."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.fuzz", "--out", str(tmp_path), "--runs",
         str(examples(target.runs // 4)), target.name],
        cwd=ROOT, capture_output=True, check=False,
    )  # fmt: skip
    said = done.stderr.decode(errors="replace")[-6000:]
    assert done.returncode == 0, f"the input is in {tmp_path}; keep it in the corpus\n{said}"


def effort(target: Target, data: bytes) -> int:
    """Lines of Python that the input takes, which no machine's speed can change."""
    lines = 0

    def count(_frame: object, _event: str, _argument: object) -> object:
        nonlocal lines
        lines += 1
        return count

    before = sys.gettrace()
    sys.settrace(count)  # type: ignore[arg-type]  # it gives itself back, as asked
    try:
        target.run(data)
    finally:
        sys.settrace(before)
    return lines


@pytest.mark.parametrize(("target", "shape"), GROWING)
def test_twice_the_input_takes_no_more_than_twice_the_effort(target: Target, shape: str) -> None:
    """Some more for sorting and remembering. Four times would be an attack with a small message."""
    make = target.growing[shape]
    size = target.longest
    target.run(make(size))  # what is imported and remembered at the first time
    once, twice = effort(target, make(size)), effort(target, make(2 * size))
    assert twice < 2.6 * once + 2_000, (once, twice)
