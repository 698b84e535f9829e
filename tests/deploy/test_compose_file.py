"""deploy/compose: what can be said of it where no container engine runs.

The file is held against the JSON schema of the Compose Specification, as the package
check-jsonschema ships it; the files it names must be there and be usable.
"""

import re
import shlex
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from ruamel.yaml import YAML
from support.broker import make_certificates
from support.deployed_broker import DeployedBroker
from support.fleet_files import write_fleet
from support.ports import free_port
from support.records import open_records
from support.running_board import RunningBoard

from gateway.board.settings import DEFAULT_PORT
from gateway.broker_access import AccessFolder, accounts_of
from gateway.config import examine, load

ROOT = Path(__file__).parents[2]
FOLDER = ROOT / "deploy" / "compose"
FILE = FOLDER / "compose.yaml"


@pytest.fixture(scope="module")
def compose() -> dict[str, Any]:
    """The file, each ${NAME:-value} as it is where NAME is not set."""
    text = re.sub(r"\$\{(\w+):-([^}]*)\}", r"\2", FILE.read_text())
    assert "$" not in text
    data: dict[str, Any] = YAML(typ="safe").load(text)
    return data


def held_against_schema(path: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "check_jsonschema", "--builtin-schema", "vendor.compose-spec",
         str(path)], capture_output=True, text=True, check=False,
    )  # fmt: skip


def test_the_file_is_by_the_compose_specification():
    done = held_against_schema(FILE)
    assert done.returncode == 0, done.stdout + done.stderr


def test_what_is_not_would_be_found(tmp_path):
    wrong = tmp_path / "compose.yaml"
    wrong.write_text(FILE.read_text().replace("    read_only: true", "    read_onely: true", 1))
    assert held_against_schema(wrong).returncode != 0


def test_the_services_are_the_houses(compose):
    assert set(compose["services"]) == {"broker", "store", "records", "gateway", "board"}


def test_images_are_named_by_tag_and_come_from_the_usual_place(compose):
    """No registry is named, so whatever the engine is set up for is used."""
    for service in compose["services"].values():
        assert re.fullmatch(r"[a-z-]+:[0-9][\w.]*|basinward:local", service["image"])


def test_everything_that_is_named_is_declared(compose):
    for service in compose["services"].values():
        assert set(service.get("secrets", [])) <= set(compose["secrets"])
        assert set(service["networks"]) <= set(compose["networks"])
        assert set(service.get("depends_on", {})) <= set(compose["services"])
        for volume in service["volumes"]:
            source = volume.partition(":")[0]
            if source.startswith("."):
                assert (FOLDER / source).is_file(), source
            elif not source.startswith("/srv/basinward/"):
                assert source in compose["volumes"], source
    used = {name for s in compose["services"].values() for name in s.get("secrets", [])}
    assert used == set(compose["secrets"])


def test_only_the_broker_is_reached_from_outside_and_only_by_tls(compose):
    """And on this machine alone, unless an address is given; the board never but from here."""
    ports = {name: s["ports"] for name, s in compose["services"].items() if "ports" in s}
    board = f"127.0.0.1:{DEFAULT_PORT}:{DEFAULT_PORT}"
    assert ports == {"broker": ["127.0.0.1:8883:8883"], "board": [board]}
    assert compose["networks"]["inside"] == {"internal": True}
    for name in ("store", "records"):
        assert compose["services"][name]["networks"] == ["inside"]


def test_no_secret_stands_in_the_file_or_in_an_environment(compose):
    assert all(set(secret) == {"file"} for secret in compose["secrets"].values())
    for service in compose["services"].values():
        for name, value in service.get("environment", {}).items():
            if re.search("PASSWORD|TOKEN|SECRET", name):
                assert name.endswith("_FILE")
                assert value.removeprefix("/run/secrets/") in service["secrets"]


def test_every_service_has_what_keeps_it_in_bounds(compose):
    for service in compose["services"].values():
        assert service["restart"] == "unless-stopped"
        assert "no-new-privileges:true" in service["security_opt"]
        assert service["logging"]["driver"] == "local"
        assert "healthcheck" in service
        assert "privileged" not in service
    for name in ("broker", "gateway", "board"):
        assert compose["services"][name]["cap_drop"] == ["ALL"]
        assert compose["services"][name]["read_only"] is True


# ---------------------------------------------------------------- the gateway's configuration


@pytest.fixture
def fleet(tmp_path, compose) -> Path:
    """deploy/compose/fleet.toml among site files, its secrets and certificate in place."""
    directory = write_fleet(tmp_path / "fleet", broker_port=1, mail_port=2)
    text = (FOLDER / "fleet.toml").read_text()
    for name in compose["services"]["gateway"]["secrets"]:
        path = tmp_path / name
        path.write_text("secret\n")
        path.chmod(0o600)
        assert f'"/run/secrets/{name}"' in text, f"{name} is mounted and not used"
        text = text.replace(f"/run/secrets/{name}", str(path))
    assert "/run/secrets/" not in text
    ca_file = make_certificates(tmp_path / "certificates").ca_file
    text = text.replace("/etc/basinward/ca.pem", str(ca_file))
    (directory / "fleet.toml").write_text(text)
    return directory


def test_the_configuration_for_the_containers_can_be_loaded(fleet):
    _, problems = examine(fleet, {})
    assert problems == ()


def test_it_fits_the_servers_of_the_file(fleet, compose):
    whole, services = load(fleet, {}), compose["services"]
    assert whole.broker.host in services["broker"]["networks"]["outside"]["aliases"]
    assert whole.broker.port == 8883
    store = services["store"]["environment"]
    assert whole.store.url == "http://store:8086"
    assert whole.store.org == store["DOCKER_INFLUXDB_INIT_ORG"]
    assert whole.store.bucket == store["DOCKER_INFLUXDB_INIT_BUCKET"]
    days = int(store["DOCKER_INFLUXDB_INIT_RETENTION"].removesuffix("d"))
    assert days == whole.store.retention_days


def test_the_board_has_the_gateways_image_files_and_secrets(compose, fleet):
    gateway, board = compose["services"]["gateway"], compose["services"]["board"]
    for key in ("image", "secrets"):
        assert board[key] == gateway[key]
    assert board["volumes"] == gateway["volumes"]
    assert load(fleet, {}).board.public_url.startswith("https://")
    build = " ".join(rest for word, rest in instructions() if word == "RUN")
    assert ".[board,postgresql,visits]" in build


def test_the_boards_command_listens_and_its_health_is_seen(compose, tmp_path):
    """The command and the check of the file, on a board of this machine and only for it."""
    service, port = compose["services"]["board"], free_port()
    fleet = write_fleet(tmp_path / "fleet", broker_port=1, mail_port=2)
    with (fleet / "fleet.toml").open("a") as file:
        file.write(f'\n[board]\naddress = "127.0.0.9"\nport = {port}\n')
    (tmp_path / "data").mkdir()
    open_records(tmp_path / "data").close()
    name, *arguments = service["command"]
    assert name == "board"
    everywhere = "0.0.0.0"  # noqa: S104 - what the file says; this test stays on this machine
    here = ["127.0.0.1" if word == everywhere else word for word in arguments]
    assert here != arguments
    _, _, flag, check = service["healthcheck"]["test"]
    probe = [sys.executable, flag, check.replace(str(DEFAULT_PORT), str(port))]
    assert subprocess.run(probe, capture_output=True, check=False).returncode != 0
    with RunningBoard(fleet, tmp_path / "data", here) as board:
        assert f"http://127.0.0.1:{port}" in board.log
        assert subprocess.run(probe, capture_output=True, check=False).returncode == 0


# ---------------------------------------------------------------- the broker's configuration


def test_a_real_mosquitto_starts_with_the_containers_main_file(tmp_path, compose):
    mounts = [v.split(":") for v in compose["services"]["broker"]["volumes"]]
    places = {where: source for source, where, *_ in mounts}
    assert places["/etc/mosquitto/conf.d/basinward.conf"] == "../mosquitto/basinward.conf"
    assert "/mosquitto/data" in places
    access = AccessFolder(tmp_path / "access", tmp_path / "secrets")
    access.write(accounts_of([], "gateway"))
    main = (FOLDER / "mosquitto.conf").read_text()
    certificates = make_certificates(tmp_path / "certificates")
    with DeployedBroker(tmp_path / "broker", access.folder, certificates, main=main) as broker:
        assert "Error" not in broker.log


# ---------------------------------------------------------------- the image


def instructions() -> list[tuple[str, str]]:
    text = re.sub(r"\\\n\s*", "", (FOLDER / "Dockerfile").read_text())
    lines = [line for line in text.splitlines() if line and not line.startswith("#")]
    return [(word, rest) for word, _, rest in (line.partition(" ") for line in lines)]


KNOWN = {
    "FROM", "WORKDIR", "COPY", "ENV", "RUN", "USER", "VOLUME", "STOPSIGNAL", "ENTRYPOINT", "CMD",
}  # fmt: skip


def test_the_images_recipe_copies_what_is_there_and_what_the_builder_is_given():
    """By hand: no package of the registries checks the form of a Dockerfile."""
    assert {word for word, _ in instructions()} <= KNOWN
    ignored = (FOLDER / "Dockerfile.dockerignore").read_text().splitlines()
    given = {line.removeprefix("!") for line in ignored if line.startswith("!")}
    assert "*" in ignored
    copied = set()
    for word, rest in instructions():
        if word == "COPY" and "--from=" not in rest:
            *sources, _target = shlex.split(rest)
            copied |= set(sources)
    assert copied == given
    assert all((ROOT / source).exists() for source in copied)


def test_the_gateway_in_the_image_is_no_root_and_finds_its_folders(compose):
    last = {word: rest for word, rest in instructions()}  # noqa: C416 - the last of each counts
    assert last["USER"] == "10001:10001"
    environ = dict(re.findall(r"(BASINWARD_\w+)=(\S+)", " ".join(r for w, r in instructions()
                                                                  if w == "ENV")))  # fmt: skip
    mounted = {v.split(":")[1] for v in compose["services"]["gateway"]["volumes"]}
    assert set(environ.values()) == mounted
    assert last["FROM"].startswith("python:3.11-slim")
