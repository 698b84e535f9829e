"""Who may import whom, and what pure code may not touch. Read from the source, nothing is run.

The folders' rules are in DEVELOPERS.md. An exception stands in a table here with its reason.
"""

from __future__ import annotations

import ast
import importlib.metadata
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Final

import pytest

from rules.faults.registry import SLUGS
from simulator.faults import KINDS

ROOT = Path(__file__).parents[1]
PACKAGES = ("rules", "gateway", "simulator")
LONGEST_MODULE = 600

# A developer's script: it asks the reference library for the table that the rules then read.
BUILD_SCRIPT: Final = "rules/physics/build_refrigerant_table.py"

PURE_THIRD_PARTY = {"numpy", "scipy", "pydantic"}

IMPURE_MODULES = {
    "asyncio", "ctypes", "http", "logging", "multiprocessing", "os", "pathlib", "random", "secrets",
    "select", "selectors", "shutil", "signal", "smtplib", "socket", "socketserver", "sqlite3",
    "ssl", "subprocess", "sys", "tempfile", "threading", "time", "urllib", "uuid",
}  # fmt: skip
"""Of the standard library: the world, the clock, chance. Not for rules."""

IMPURE_CALLS = {
    "now", "utcnow", "today", "open", "print", "input", "read_text", "read_bytes", "write_text",
    "write_bytes", "exec", "eval", "default_rng", "sleep",
}  # fmt: skip

IMPURE_CALLS_ALLOWED = {
    # The property table is a part of the package, as a constant is; it is read once.
    ("rules/physics/refrigerant.py", "open"),
    ("rules/physics/refrigerant.py", "read_text"),
}


def modules(package: str) -> list[Path]:
    return sorted((ROOT / package).rglob("*.py"))


def name_of(path: Path) -> str:
    return str(path.relative_to(ROOT))


@cache
def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(), name_of(path))


def imports(path: Path) -> Iterator[str]:
    """Every module that the file imports, wherever in it; of ``from a import b`` both forms."""
    package = path.relative_to(ROOT).parent.parts
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            inside = list(package[: len(package) - node.level + 1]) if node.level else []
            base = ".".join([*inside, *([node.module] if node.module else [])])
            yield base
            yield from (f"{base}.{alias.name}" for alias in node.names)
        elif isinstance(node, ast.Call) and _called(node) in {"import_module", "__import__"}:
            first = node.args[0]
            if isinstance(first, ast.Constant) and isinstance(first.value, str):
                yield first.value


def _called(node: ast.Call) -> str:
    match node.func:
        case ast.Name(id=name) | ast.Attribute(attr=name):
            return name
    return ""


def roots(path: Path) -> set[str]:
    return {module.partition(".")[0] for module in imports(path)}


def inside(module: str, package: str) -> bool:
    return module == package or module.startswith(f"{package}.")


def all_modules() -> list[Path]:
    return [path for package in PACKAGES for path in modules(package)]


def pure_modules() -> list[Path]:
    return [path for path in modules("rules") if name_of(path) != BUILD_SCRIPT]


# ---------------------------------------------------------------- the tests' own eyes


def test_imports_are_seen_in_every_form(tmp_path, monkeypatch):
    (tmp_path / "rules").mkdir()
    source = tmp_path / "rules" / "m.py"
    source.write_text(
        "import a.b as x\nfrom c import d\nfrom . import e\nfrom .f import g\n"
        "def late():\n    import h\n    importlib.import_module('i.j')\n"
    )
    monkeypatch.setattr(sys.modules[__name__], "ROOT", tmp_path)
    assert set(imports(source)) == {
        "a.b", "c", "c.d", "rules", "rules.e", "rules.f", "rules.f.g", "h", "i.j",
    }  # fmt: skip


def test_there_is_something_to_look_at():
    assert all(len(modules(package)) > 10 for package in PACKAGES)
    assert (ROOT / BUILD_SCRIPT) in modules("rules")


# ---------------------------------------------------------------- who imports whom


@pytest.mark.parametrize("path", pure_modules(), ids=name_of)
def test_rules_import_nothing_but_pure_libraries(path):
    allowed = PURE_THIRD_PARTY | {"rules"} | (set(sys.stdlib_module_names) - IMPURE_MODULES)
    assert roots(path) <= allowed, f"{name_of(path)} must not import {roots(path) - allowed}"


@pytest.mark.parametrize("path", pure_modules(), ids=name_of)
def test_rules_read_no_clock_and_touch_no_file(path):
    calls = {
        _called(node)
        for node in ast.walk(tree(path))
        if isinstance(node, ast.Call) and _called(node) in IMPURE_CALLS
    }
    named = {(name_of(path), call) for call in calls} - IMPURE_CALLS_ALLOWED
    assert named == set()


def test_the_build_script_is_nobodys_import():
    script = BUILD_SCRIPT.removesuffix(".py").replace("/", ".")
    assert [name_of(p) for p in all_modules() if script in set(imports(p))] == []


@pytest.mark.parametrize("path", modules("gateway"), ids=name_of)
def test_gateway_never_imports_the_simulator(path):
    """The demonstration runs it as a process of its own."""
    assert "simulator" not in roots(path)


@pytest.mark.parametrize("path", modules("simulator"), ids=name_of)
def test_the_simulator_shares_nothing_but_the_signal_catalogue(path):
    """A formula shared by plant and rules would make a test of one against the other worthless."""
    own = {m for m in imports(path) if m.partition(".")[0] in {"rules", "gateway"}}
    assert {m for m in own if not inside(m, "rules.signals")} == set()


@pytest.mark.parametrize("path", modules("rules/physics"), ids=name_of)
def test_physics_knows_no_fleet_and_no_fault(path):
    own = {m for m in imports(path) if inside(m, "rules")}
    assert {m for m in own if not inside(m, "rules.physics")} == set()


@pytest.mark.parametrize("path", modules("rules/faults"), ids=name_of)
def test_a_fault_does_not_know_the_engine(path):
    assert {"rules.engine", "rules.jobplans", "rules.safety"} & set(imports(path)) == set()


def test_nothing_but_commands_imports_commands_and_the_demonstration():
    for path in modules("gateway"):
        if name_of(path).startswith(("gateway/cli/", "gateway/demo/")):
            continue
        own = [m for m in imports(path) if inside(m, "gateway.cli") or inside(m, "gateway.demo")]
        assert own == [], name_of(path)


# What the gateway's own process takes from the board: the signing of the mails' links.
LINKS_OF_MAILS = {
    "gateway/board/key.py", "gateway/board/links.py", "gateway/board/mail_links.py",
    "gateway/board/settings.py",
}  # fmt: skip
WEB = {"fastapi", "starlette", "uvicorn"}


def test_the_gateway_takes_nothing_of_the_web_but_the_signing_of_links():
    """Pages run in a process of their own: a defect there must not reach the rules."""
    for path in modules("gateway"):
        name = name_of(path)
        if name.startswith("gateway/board/") or name == "gateway/cli/board.py":
            continue
        taken = {m.replace(".", "/") + ".py" for m in imports(path) if inside(m, "gateway.board")}
        there = {m for m in taken if (ROOT / m).exists()}
        assert there <= LINKS_OF_MAILS, name
    for name in LINKS_OF_MAILS:
        path = ROOT / name
        assert not roots(path) & WEB, name
        own = {m.replace(".", "/") + ".py" for m in imports(path) if inside(m, "gateway.board")}
        assert {m for m in own if (ROOT / m).exists()} <= LINKS_OF_MAILS, name


def test_each_protocol_has_one_place():
    """One package opens each of broker, mail server and database client."""
    homes = {
        "paho": {"gateway/intake.py", "gateway/mqtt_client.py", "simulator/"},
        "smtplib": {"gateway/mail/"},
        "influxdb_client": {"gateway/telemetry/"},
        "sqlalchemy": {"gateway/records/"},
        "alembic": {"gateway/records/"},
        "iotcore": {"gateway/embedded_broker.py"},
        "aiosmtpd": {"gateway/demo/"},
        "prometheus_client": {"gateway/watching/metrics.py"},
        "pyarrow": {
            "gateway/evaluation/arrow.py",
            "gateway/export/parquet.py",
            "simulator/labelled/files.py",
        },
        "fastapi": {"gateway/board/"},
        "starlette": {"gateway/board/"},
        "uvicorn": {"gateway/board/connections.py", "gateway/board/server.py"},
    }
    for path in all_modules():
        for library in roots(path) & homes.keys():
            assert name_of(path).startswith(tuple(homes[library])), (name_of(path), library)


def test_what_is_imported_is_declared():
    """Every library that a package imports is named in pyproject.toml, not met by chance."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    extras = project["optional-dependencies"]
    optional = [text for name in ("board", "demo", "evaluate", "visits") for text in extras[name]]
    wanted = [*project["dependencies"], *optional]
    declared = {_normal(re.split(r"[<>=!~\[ ;]", text, maxsplit=1)[0]) for text in wanted}
    # Parts of pydantic that its users meet; pydantic pins them to what it needs.
    declared |= {"pydantic-core", "annotated-types"}
    distributions = importlib.metadata.packages_distributions()
    for path in all_modules():
        if name_of(path) == BUILD_SCRIPT:
            continue
        for library in roots(path) - set(sys.stdlib_module_names) - set(PACKAGES):
            names = {_normal(name) for name in distributions.get(library, [library])}
            assert names & declared, f"{name_of(path)} imports {library}, which is not declared"


def _normal(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


# ---------------------------------------------------------------- size and names


@pytest.mark.parametrize("path", all_modules(), ids=name_of)
def test_no_module_is_longer_than_a_person_reads(path):
    lines = len(path.read_text().splitlines())
    assert lines <= LONGEST_MODULE, f"{name_of(path)} has {lines} lines; split it by subject"


def unit_suffixes() -> set[str]:
    """The suffixes of the table in DEVELOPERS.md."""
    text = (ROOT / "DEVELOPERS.md").read_text()
    return {s for line in text.splitlines() if line.startswith("| `_")
            for s in re.findall(r"`(_\w+)`", line.split("|")[1])}  # fmt: skip


def unitless_names() -> set[str]:
    """What the same page lists as counts, ratios and indices that have no unit."""
    text = (ROOT / "DEVELOPERS.md").read_text()
    (listed,) = re.findall(r"Names without a unit: (.*?)\.\s", text, re.DOTALL)
    return set(re.findall(r"`(\w+)`", listed))


def physics_parameters() -> Iterator[tuple[str, str]]:
    """Public function and parameter of every array in rules/physics."""
    for path in modules("rules/physics"):
        # robust.py works on numbers of any unit; modules with an underscore are private.
        if path.name.startswith("_") or path.name == "robust.py":
            continue
        for node in tree(path).body:
            if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
                for argument in (*node.args.args, *node.args.kwonlyargs):
                    kind = ast.unparse(argument.annotation) if argument.annotation else ""
                    if kind not in {"str", "bool"}:
                        yield f"{path.name}:{node.name}", argument.arg


def test_every_quantity_of_the_physics_carries_its_unit():
    suffixes, unitless = unit_suffixes(), unitless_names()
    assert len(suffixes) > 15
    found = list(physics_parameters())
    assert len(found) > 100
    bare = [
        (where, name)
        for where, name in found
        if name not in unitless and not name.endswith(tuple(suffixes))
    ]
    assert bare == []


def test_the_list_of_names_without_a_unit_holds_nothing_else():
    used = {name for _, name in physics_parameters()}
    assert unitless_names() <= used
    assert not [n for n in unitless_names() if n.endswith(tuple(unit_suffixes()))]


# ---------------------------------------------------------------- every fault is tested and shown


def test_every_fault_is_named_in_its_tests():
    text = "".join(p.read_text() for p in (ROOT / "tests" / "rules").rglob("test_*.py"))
    missing = [slug for slug in SLUGS if f'"{slug}"' not in text]
    assert missing == []


def test_every_fault_can_be_simulated_and_every_simulated_fault_exists():
    shown = {kind.shows_as for kind in KINDS.values() if kind.shows_as}
    assert shown == set(SLUGS)


OTHER_TESTS = {"benchmarks", "deploy", "end_to_end", "faults", "fuzz", "other_plant", "support"}


def test_the_tests_mirror_the_packages():
    for package in PACKAGES:
        assert (ROOT / "tests" / package).is_dir()
    for folder in (ROOT / "tests").iterdir():
        if folder.is_dir() and folder.name != "__pycache__":
            assert folder.name in {*PACKAGES, *OTHER_TESTS}, folder


# ---------------------------------------------------------------- what an extra brings stays there

OF_EXTRAS = (
    "aiosmtpd", "argon2", "fastapi", "iotcore", "psycopg", "pyarrow", "python_multipart", "scipy",
    "starlette", "uvicorn",
)  # fmt: skip


def test_the_gateway_starts_without_any_extra():
    """``sys.modules`` with None in it makes the import of that name fail, as if not installed."""
    program = (
        f"import sys; sys.modules.update(dict.fromkeys({OF_EXTRAS}))\n"
        "import gateway.cli.run, gateway.service"
    )
    subprocess.run([sys.executable, "-c", program], cwd=ROOT, check=True)


# ---------------------------------------------------------------- the top of the tree

TOP = {"DEVELOPERS.md", "README.md", "deploy", "gateway", "pyproject.toml", "rules", "simulator",
       "tests"}  # fmt: skip
NOT_KEPT = {"__pycache__", "basinward.egg-info", "build", "demo-data", "dist"}
"""What .gitignore names, and an installation or a demonstration leaves there."""


def test_the_top_of_the_tree_holds_nothing_else():
    names = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    assert names - NOT_KEPT == TOP
