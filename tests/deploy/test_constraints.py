"""deploy/constraints.txt pins everything that an installation brings, at what was tested."""

import importlib.metadata
import re
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())
EXTRAS = PROJECT["project"]["optional-dependencies"]


def pinned() -> dict[str, str]:
    lines = (ROOT / "deploy" / "constraints.txt").read_text().splitlines()
    pairs = [line.partition("==") for line in lines if line and not line.startswith("#")]
    assert all(sign == "==" for _, sign, _ in pairs)
    names = [canonicalize_name(name) for name, _, _ in pairs]
    assert len(set(names)) == len(names), "a name stands twice"
    return {canonicalize_name(name): version for name, _, version in pairs}


def closure(wanted: list[str]) -> dict[str, str]:
    """What these requirements bring on this machine, with the versions that are installed."""
    found: dict[str, str] = {}
    waiting = [(Requirement(text), {""}) for text in wanted]
    seen: set[tuple[str, frozenset[str]]] = set()
    while waiting:
        requirement, extras = waiting.pop()
        name = canonicalize_name(requirement.name)
        if requirement.marker and not any(
            requirement.marker.evaluate({"extra": extra}) for extra in extras
        ):
            continue
        if name == "basinward":
            waiting += [(Requirement(t), {""}) for e in requirement.extras for t in EXTRAS[e]]
            continue
        own = frozenset({"", *requirement.extras})
        if (name, own) in seen:
            continue
        seen.add((name, own))
        distribution = importlib.metadata.distribution(name)
        found[name] = distribution.version
        waiting += [(Requirement(text), set(own)) for text in distribution.requires or ()]
    return found


CASES = {
    "production": list(PROJECT["project"]["dependencies"]),
    **{extra: [*PROJECT["project"]["dependencies"], f"basinward[{extra}]"] for extra in EXTRAS},
}


@pytest.mark.parametrize("case", CASES)
def test_every_package_that_is_installed_is_pinned_at_its_version(case):
    pins, brought = pinned(), closure(CASES[case])
    assert len(brought) >= len(PROJECT["project"]["dependencies"])
    assert {n: v for n, v in brought.items() if pins.get(n) != v} == {}


def test_nothing_is_pinned_that_nobody_wants():
    wanted = [t for texts in CASES.values() for t in texts]
    builder = {canonicalize_name(Requirement(t).name) for t in PROJECT["build-system"]["requires"]}
    assert set(pinned()) - set(closure(wanted)) - builder == set()


def test_a_pin_satisfies_what_the_project_asks_for():
    pins = pinned()
    asked = [*PROJECT["project"]["dependencies"], *PROJECT["build-system"]["requires"]]
    for text in (*asked, *(t for texts in EXTRAS.values() for t in texts)):
        requirement = Requirement(text)
        if requirement.name != "basinward":
            version = pins[canonicalize_name(requirement.name)]
            assert requirement.specifier.contains(version), text


def test_the_commands_install_by_the_pins():
    for name in ("setup.sh", "compose/Dockerfile"):
        text = (ROOT / "deploy" / name).read_text()
        assert re.search(r"(--constraint|PIP_CONSTRAINT=)\S* ?.*constraints\.txt", text), name
