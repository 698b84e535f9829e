"""README.md and DEVELOPERS.md are true: commands, tables, files, keys and paths that they name.

The tables between ``<!-- table: ... -->`` marks are made from the catalogue. After a change of the
catalogue run pytest with BASINWARD_UPDATE_GOLDENS=1 to write them anew.
"""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import subprocess
import textwrap
import time
import tomllib
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest
import typer
from other_plant import __main__ as other_plant
from pydantic import BaseModel
from typer.testing import CliRunner

from gateway.batch import Reason
from gateway.cli.app import app
from gateway.cli.recording import Recording
from gateway.config import examine
from gateway.config.models import FleetFile
from gateway.watching.conditions import CONDITIONS
from gateway.watching.metrics import METRICS
from gateway.watching.settings import WatchSettings
from gateway.wire import Decoder, of_sites
from gateway.wire.advice import ADVICE
from gateway.wire.units import accepted
from rules.equipment import OwnRule, Site
from rules.events import AlarmState
from rules.faults.registry import RULES, SETTINGS, SLUGS
from rules.own_rules import syntax
from rules.own_rules.quantities import QUANTITIES
from rules.settings import FLEET
from rules.signals import INDEX, SIGNALS
from rules.state import CLEANABLE_PARTS
from simulator import __main__ as simulator
from simulator.labelled import LabelledPlan
from simulator.labelled.truth import MEASURES

ROOT = Path(__file__).parents[1]
README = ROOT / "README.md"
DEVELOPERS = ROOT / "DEVELOPERS.md"
PAGES = (README, DEVELOPERS)
RUNNER = CliRunner()

BLOCK = re.compile(r"^```(\w*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
INLINE = re.compile(r"`([^`\n]+(?:\n[^`\n]+)?)`")
MARK = re.compile(r"<!-- table: (\w+) -->\n(.*?)<!-- end -->", re.DOTALL)


def blocks(page: Path, language: str) -> list[str]:
    return [text for name, text in BLOCK.findall(page.read_text()) if name == language]


def prose(page: Path) -> str:
    return BLOCK.sub("", page.read_text())


# ---------------------------------------------------------------- commands


def commands_of(page: Path) -> Iterator[str]:
    """Every `basinward ...` of the page's shell blocks and running text."""
    for text in blocks(page, "sh"):
        for line in text.splitlines():
            if line.startswith("basinward "):
                yield line
    for text in INLINE.findall(prose(page)):
        if text.startswith("basinward "):
            yield " ".join(text.split())


COMMANDS = [(page.name, command) for page in PAGES for command in commands_of(page)]


def parse(arguments: list[str]) -> int:
    """The exit status of the program's command line with nothing behind it that could run."""
    command = typer.main.get_command(app)  # made anew at each call
    waiting = [command]
    while waiting:
        found = waiting.pop()
        found.callback = lambda **_: None
        waiting += getattr(found, "commands", {}).values()
    with pytest.raises(SystemExit) as end:
        command.main(arguments, prog_name="basinward")
    return int(end.value.code or 0)


_NOTHING = SimpleNamespace(rows=0, labels=(), unshown=(), placeless=(), unexplained=())


def test_the_pages_name_commands():
    named = {command.split()[1] for page, command in COMMANDS if page == "README.md"}
    assert {"run", "check", "arrived", "rules", "tickets", "replay"} <= named


@pytest.mark.parametrize(("page", "command"), COMMANDS)
def test_every_command_on_the_pages_can_be_given_so(page, command, tmp_path, monkeypatch):
    """Subcommands, options and their values are those of the program (nothing is run)."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "summer.csv").touch()
    assert parse(shlex.split(command, comments=True)[1:]) == 0


@pytest.mark.parametrize(
    "wrong",
    ["nonsense", "check --nonsense x", "tickets show --nonsense 3", "tickets --priority urgent",
     "tickets ack 3"],
)  # fmt: skip
def test_a_command_that_does_not_exist_would_be_found(wrong):
    assert parse(shlex.split(wrong)) == 2


def test_every_command_of_the_program_is_on_the_page():
    text = README.read_text()
    for name in typer.main.get_command(app).commands:
        if name not in {"version", "demo"}:
            assert f"`basinward {name}" in text or f"\nbasinward {name}" in text, name


PLANTS = [
    (page.name, line)
    for page in PAGES
    for text in blocks(page, "sh")
    for line in text.splitlines()
    if line.startswith("python -m ")
]


@pytest.mark.parametrize(("page", "line"), PLANTS)
def test_the_plants_commands_on_the_pages_can_be_given_so(page, line, monkeypatch):
    """What would run is put aside: it is the command line that is looked at."""
    _, _, module, *arguments = shlex.split(line)
    asked = []
    if module == "simulator":
        monkeypatch.setattr(simulator, "write_labelled", lambda *a: asked.append(a) or _NOTHING)
        assert simulator.main(arguments) == 0
    else:
        assert module == "tests.other_plant"
        monkeypatch.setattr(other_plant, "run", lambda **k: asked.append(k) or _NOTHING)
        monkeypatch.setattr(other_plant, "write", lambda *_, **__: 0)
        assert other_plant.main(arguments) == 0
    assert len(asked) == 1


def test_both_plants_are_on_the_pages():
    assert {line.split()[2] for _, line in PLANTS} == {"simulator", "tests.other_plant"}


# ---------------------------------------------------------------- words


def test_the_states_of_an_alarm_are_all_explained():
    rows = re.findall(r"^\| ([a-z, ]+) \| ", README.read_text(), re.MULTILINE)
    explained = {state for row in rows for state in row.split(", ")}
    for state in set(AlarmState) - {AlarmState.NORMAL}:
        word = "suppressed by design" if state is AlarmState.SUPPRESSED else state.name
        assert word.lower().replace("_", " ") in explained


def test_the_parts_that_a_close_out_names_are_on_the_page():
    listed = ", ".join(f"`{part}`" for part in CLEANABLE_PARTS)
    assert listed in " ".join(README.read_text().split())


def test_the_example_of_a_labels_limits_is_the_simulators():
    limits = MEASURES["pump-screen-clogging"].limits
    told = ", ".join(f"{100 * limit:.0f}" for limit in limits)
    assert f"the clean water flow that is lost: {told} %." in " ".join(README.read_text().split())
    assert {"--weeks", "--units"} <= set(re.findall(r"`(--[a-z]+)`", README.read_text()))
    plan = LabelledPlan()
    assert (plan.units, plan.weeks) == (60, 8)


# ---------------------------------------------------------------- tables


def _table(heading: tuple[str, ...], rows: list[tuple[str, ...]]) -> str:
    lines = [heading, ("---",) * len(heading), *rows]
    return "".join("| " + " | ".join(c.replace("|", "\\|") for c in row) + " |\n" for row in lines)


def signals_table() -> str:
    rows = []
    for s in SIGNALS:
        if s.kind == "analogue":
            units = " ".join(f"`{u}`" for u in accepted(s))
            possible = f"{s.low:g} to {s.high:,.0f} {s.unit}"
        else:
            units = "none needed"
            possible = "0 or 1, or true and false" if s.kind == "flag" else "whole number"
        rows.append((f"`{s.name}`", s.meaning, possible, units))
    return _table(("signal", "meaning", "possible", "units accepted"), rows)


def faults_table() -> str:
    """The list at the head of `basinward rules --markdown`, its links made plain."""
    printed = RUNNER.invoke(app, ["rules", "--markdown"]).stdout
    lines = printed.partition("\n## ")[0].splitlines()
    table = [line for line in lines if line.startswith("|")]
    return "\n".join(re.sub(r"\[([a-z-]+)\]\(#[a-z-]+\)", r"`\1`", line) for line in table) + "\n"


def quarantine_table() -> str:
    return _table(("reason", "what to do"), [(reason.value, ADVICE[reason]) for reason in Reason])


def names_table() -> str:
    """What `basinward rules --names` lists."""
    names = json.loads(RUNNER.invoke(app, ["rules", "--names", "--json"]).stdout)
    rows = [(f"`{n['name']}`", n["unit"], n["meaning"]) for n in names]
    return _table(("name", "unit", "meaning"), rows)


def signatures_table() -> str:
    return RUNNER.invoke(app, ["rules", "--signatures", "--markdown"]).stdout


def metrics_table() -> str:
    rows = []
    for m in METRICS:
        suffix = {"counter": "_total", "info": "_info"}.get(m.kind, "")
        name = f"`{m.full_name}{suffix}`"
        rows.append((name, m.kind, ", ".join(f"`{label}`" for label in m.labels), m.meaning))
    return _table(("metric", "kind", "labels", "meaning"), rows)


def conditions_table() -> str:
    return _table(
        ("alarm of the gateway's own", "what it means", "what to do"),
        [(f"`{c.slug}`: {c.title}", c.means, c.action) for c in CONDITIONS],
    )


TABLES = {
    "signals": (README, signals_table),
    "faults": (README, faults_table),
    "names": (README, names_table),
    "quarantine": (README, quarantine_table),
    "metrics": (README, metrics_table),
    "conditions": (README, conditions_table),
    "signatures": (DEVELOPERS, signatures_table),
}


@pytest.mark.parametrize("name", TABLES)
def test_the_tables_are_the_catalogues(name):
    page, make = TABLES[name]
    text = page.read_text()
    written = dict(MARK.findall(text))
    assert written.keys() == {n for n, (where, _) in TABLES.items() if where == page}
    expected = make()
    if os.environ.get("BASINWARD_UPDATE_GOLDENS") == "1":
        new = f"<!-- table: {name} -->\n{expected}<!-- end -->"
        page.write_text(text.replace(f"<!-- table: {name} -->\n{written[name]}<!-- end -->", new))
        return
    assert written[name] == expected, (
        f"the table of {name} differs from the catalogue; run pytest with "
        "BASINWARD_UPDATE_GOLDENS=1 to write it anew"
    )


def test_the_tables_hold_every_fault_signal_and_reason():
    """The makers of the tables are checked too: a table that lost a row would compare equal."""
    tables = dict(MARK.findall(README.read_text()))
    for slug in SLUGS:
        assert f"| `{slug}` |" in tables["faults"]
    for s in SIGNALS:
        assert f"| `{s.name}` |" in tables["signals"]
    for reason in Reason:
        assert f"| {reason.value} |" in tables["quarantine"]
    for quantity in QUANTITIES:
        assert f"| `{quantity}` |" in tables["names"]
    for metric in METRICS:
        assert f"| `{metric.full_name}" in tables["metrics"]
    for condition in CONDITIONS:
        assert f"| `{condition.slug}`: " in tables["conditions"]
    signatures = dict(MARK.findall(DEVELOPERS.read_text()))["signatures"]
    for rule in RULES:
        for table in rule.signatures:
            assert f"`{rule.fault.slug}`" in signatures
            for row in table.rows:
                assert f"| {row.title} |" in signatures


@pytest.mark.parametrize("slug", SETTINGS)
def test_every_setting_is_where_the_page_promises(slug):
    """README sends the reader to `basinward rules SLUG`."""
    assert "`basinward rules SLUG`" in README.read_text()
    printed = RUNNER.invoke(app, ["rules", slug]).stdout
    for setting in SETTINGS[slug].values():
        assert f"  {setting.name} = " in printed


# ---------------------------------------------------------------- files


@pytest.fixture(scope="module")
def first_fleet(tmp_path_factory):
    """The fleet directory that README's own shell lines write."""
    (script,) = [b for b in blocks(README, "sh") if b.startswith("mkdir -p fleet/sites")]
    folder = tmp_path_factory.mktemp("readme")
    bash = shutil.which("bash")
    assert bash is not None
    subprocess.run([bash, "-euo", "pipefail", "-c", script], cwd=folder, check=True)
    return folder / "fleet"


def test_the_first_fleet_passes_the_check(first_fleet):
    result = RUNNER.invoke(app, ["check", "--fleet", str(first_fleet)])
    assert result.exit_code == 0, result.output
    assert result.stdout.strip() == "1 site, 1 unit, all good."


def _keys(model: type[BaseModel], prefix: str = "") -> Iterator[str]:
    """Every key of a file's model, tables opened."""
    for name, field in model.model_fields.items():
        kinds = [field.annotation, *getattr(field.annotation, "__args__", ())]
        tables = [k for k in kinds if isinstance(k, type) and issubclass(k, BaseModel)]
        if name == "rules":  # a section of its own shows them
            continue
        if tables:
            yield from _keys(tables[0], f"{prefix}{name}.")
        elif name != "settings":
            yield f"{prefix}{name}"


def _has(data: object, path: str) -> bool:
    for key in path.split("."):
        if not isinstance(data, dict) or key not in data:
            return False
        data = data[key]
    return True


def largest_fleet() -> str:
    (text,) = [b for b in blocks(README, "toml") if "[broker.tls]" in b]
    return text


def test_the_largest_fleet_file_has_every_key():
    data = tomllib.loads(largest_fleet())
    absent = [key for key in _keys(FleetFile) if not _has(data, key)]
    # A secret is named in one of two ways, and the page shows the other beside it.
    for key in (
        "broker.password_file",
        "store.token_env",
        "mail.password_env",
        "records.password_env",
        "board.secret_env",
    ):
        absent.remove(key)
        assert f"`{key.split('.')[1]}`" in prose(README)
    assert absent == []


def test_the_largest_fleet_file_can_be_loaded(first_fleet, tmp_path):
    """With the files that it names put in place."""
    text = largest_fleet().replace("/etc/basinward", str(tmp_path / "etc"))
    (tmp_path / "etc").mkdir()
    for name in re.findall(rf"{re.escape(str(tmp_path / 'etc'))}/([\w.-]+)", text):
        path = tmp_path / "etc" / name
        path.write_text("secret-of-more-than-thirty-two-bytes\n")
        path.chmod(0o600)
    fleet = tmp_path / "fleet"
    (fleet / "sites").mkdir(parents=True)
    for name in ("oncall.toml", "sites/my-site.toml"):
        (fleet / name).write_text((first_fleet / name).read_text())
    (fleet / "fleet.toml").write_text(text)
    _, problems = examine(fleet, {"BASINWARD_BROKER_PASSWORD": "secret"})
    # The certificates are no certificates; nothing else may be wrong.
    assert {p.key for p in problems} <= {
        "broker.tls.ca_file", "broker.tls.certificate_file", "broker.tls.key_file", "mail.ca_file",
    }, problems  # fmt: skip


def test_the_example_of_overrides_names_settings_that_exist(first_fleet, tmp_path):
    (example,) = [b for b in blocks(README, "toml") if "[settings.conductivity-high]" in b]
    data = tomllib.loads(example)
    of_the_unit = data["units"]["settings"]
    for table in (data["settings"], of_the_unit):
        for slug, overrides in table.items():
            for name, value in overrides.items():
                setting = SETTINGS[slug][name]
                assert setting.low <= value <= setting.high
    assert f"`[settings.{FLEET}]`" in README.read_text()


def _with_own_rule(first_fleet: Path, tmp_path: Path, rule: str) -> Path:
    fleet = tmp_path / "fleet"
    shutil.copytree(first_fleet, fleet)
    site = fleet / "sites" / "my-site.toml"
    site.write_text(f"{site.read_text()}\n{rule}")
    return fleet


def test_the_example_of_an_own_rule_has_every_key_and_passes_the_check(first_fleet, tmp_path):
    (example,) = [b for b in blocks(README, "toml") if b.startswith("[[units.rules]]")]
    (rule,) = tomllib.loads("[[units]]\n" + example)["units"][0]["rules"]
    assert rule.keys() == OwnRule.model_fields.keys()
    fleet = _with_own_rule(first_fleet, tmp_path, example)
    result = RUNNER.invoke(app, ["check", "--fleet", str(fleet)])
    assert result.exit_code == 0, result.output


def test_the_mistake_that_the_page_shows_is_told_so(first_fleet, tmp_path):
    (example,) = [b for b in blocks(README, "toml") if b.startswith("[[units.rules]]")]
    (shown,) = [b for b in blocks(README, "text") if "'kpa' is not a unit" in b]
    fleet = _with_own_rule(first_fleet, tmp_path, example.replace("80 kPa", "80 kpa", 1))
    told = RUNNER.invoke(app, ["check", "--fleet", str(fleet)]).stderr
    assert textwrap.dedent(shown) == textwrap.dedent("\n".join(told.splitlines()[1:4])) + "\n"


def test_the_grammar_on_the_page_is_the_parsers():
    (shown,) = [b for b in blocks(README, "text") if b.startswith("condition ")]
    told = [line.strip() for line in (syntax.__doc__ or "").splitlines()]
    assert [line.strip() for line in shown.splitlines() if line.strip() not in told] == []


def test_the_example_of_a_mapping_fits_the_site_file(first_fleet):
    (example,) = [b for b in blocks(README, "toml") if b.startswith("[units.signals.")]
    path = first_fleet / "sites" / "my-site.toml"
    data = tomllib.loads(path.read_text() + "\n" + example)
    mapping = Site.model_validate(data).unit("ac-1").signals["p_disch"]
    assert mapping.signal == "spray_pressure"
    assert mapping.unit in accepted(SIGNALS[INDEX[mapping.signal]])


def test_the_example_of_a_recording_can_be_replayed(first_fleet, tmp_path):
    (text,) = blocks(README, "csv")
    (tmp_path / "r.csv").write_text(text)
    recording = Recording(tmp_path / "r.csv")
    (batch,) = recording.chunks({("my-site", "ac-1"): 0})
    assert recording.faults.count == 0
    assert len(batch) == 2
    result = RUNNER.invoke(app, ["replay", str(tmp_path / "r.csv"), "--fleet", str(first_fleet)])
    assert result.exit_code == 0, result.output


def test_the_limits_that_the_page_shows_are_the_defaults():
    shown = tomllib.loads(largest_fleet())["watch"]
    for key in ("operators", "syslog_host"):
        del shown[key]
    for key, value in shown.items():
        assert getattr(WatchSettings, key) == value, key


# ---------------------------------------------------------------- payloads


def published() -> list[tuple[str, str]]:
    """Topic and payload of every mosquitto_pub on the pages."""
    found = []
    for page in PAGES:
        for text in blocks(page, "sh"):
            for line in text.splitlines():
                if line.startswith("mosquitto_pub "):
                    words = shlex.split(line)
                    assert words[words.index("-q") + 1] == "1"
                    found.append((words[words.index("-t") + 1], words[words.index("-m") + 1]))
    return found


def _decoder(fleet: Path) -> Decoder:
    site = Site.model_validate(tomllib.loads((fleet / "sites" / "my-site.toml").read_text()))
    return Decoder(of_sites([site], {(site.id, u.id): i for i, u in enumerate(site.units)}))


def test_the_messages_on_the_page_arrive_as_frames(first_fleet):
    decoder = _decoder(first_fleet)
    messages = published()
    assert len(messages) >= 2
    for topic, payload in messages:
        json.loads(payload)
        decoded = decoder.decode(topic, payload.encode(), time.time_ns() // 1_000_000)
        assert decoded.rejects == ()
        assert [len(f.values) for f in decoded.frames] == [1]


def test_the_first_reading_arrives_as_the_page_shows(first_fleet):
    topic, payload = published()[0]
    (frame,) = _decoder(first_fleet).decode(topic, payload.encode(), 1).frames
    assert frame.values == {INDEX["conductivity"]: pytest.approx(900.0)}
    assert "conductivity  900 µS/cm" in README.read_text()


def test_the_wrong_unit_of_the_exercise_is_refused(first_fleet):
    topic, payload = published()[0]
    assert '`"u":"Cel"`' in README.read_text()
    wrong = payload.replace('"S/m"', '"Cel"').encode()
    decoded = _decoder(first_fleet).decode(topic, wrong, 1)
    assert decoded.frames == ()
    assert [r.reason for r in decoded.rejects] == [Reason.WRONG_UNIT]


def test_the_example_of_a_pack_is_one(first_fleet):
    pack = blocks(README, "json")[0]
    bt_ms = json.loads(pack)[0]["bt"] * 1000
    decoded = _decoder(first_fleet).decode("sites/my-site/ac-1/senml", pack.encode(), bt_ms)
    (frame,) = decoded.frames
    assert frame.time_ms == bt_ms
    assert frame.values == {INDEX["basin_level"]: 186.0, INDEX["pump_command"]: 1.0}


# ---------------------------------------------------------------- the broker's configuration


def test_the_settings_that_the_page_explains_are_those_of_the_file():
    """tests/gateway/test_broker_access_rights.py runs a real Mosquitto with that file."""
    page = README.read_text().partition("What the settings of that file are for:")[2]
    named = re.findall(r"`(\w+)`", page.partition("\n\n#")[0])
    assert len(named) >= 5
    lines = (ROOT / "deploy" / "mosquitto" / "basinward.conf").read_text().splitlines()
    assert set(named) <= {line.split()[0] for line in lines if line}


# ---------------------------------------------------------------- paths and links


TOP = ("deploy", "gateway", "rules", "simulator", "tests")


def paths_of(page: Path) -> set[str]:
    """Paths of this repository that the page names, in text and in shell blocks."""
    words = INLINE.findall(prose(page)) + blocks(page, "sh")
    found = set()
    for text in words:
        for word in text.split():
            if re.fullmatch(rf"({'|'.join(TOP)})/[\w./*-]*", word):
                found.add(word.rstrip("."))
    return found


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.name)
def test_every_path_on_the_page_exists(page):
    named = paths_of(page)
    assert named
    for path in named:
        assert list(ROOT.glob(path.rstrip("/"))), f"{page.name} names {path}, which is not there"


def anchors(page: Path) -> set[str]:
    """The headings as links name them: small letters, blanks as hyphens, no other marks."""
    headings = re.findall(r"^#+ (.*)$", prose(page), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", h.lower()).replace(" ", "-") for h in headings}


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.name)
def test_every_link_on_the_page_leads_somewhere(page):
    for target in re.findall(r"\]\(([^)]+)\)", prose(page)):
        if "://" in target:
            continue
        name, _, anchor = target.partition("#")
        path = ROOT / name if name else page
        assert path.exists(), f"{page.name} links to {target}"
        assert not anchor or anchor in anchors(path), f"{page.name} links to {target}"


def test_addresses_on_the_pages_are_nobodys():
    """RFC 2606: names under .example belong to nobody."""
    for page in PAGES:
        for host in re.findall(r"[\w.-]+@([\w-]+(?:\.[\w-]+)+)", page.read_text()):
            assert host.endswith(".example"), host
