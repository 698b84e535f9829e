"""The broker's accounts, passwords and access list as ``basinward broker-access`` writes them."""

import fcntl
import os
import re
import shutil
import stat
import subprocess
from types import SimpleNamespace

import pytest
from config_fleet import REAL_FLEET, REAL_SITE, replaced, write
from support.gateway_fleet import SITES
from support.gateway_fleet import site as make_site
from typer.testing import CliRunner

from gateway.broker_access import (
    AccessFolder,
    AccessFolderError,
    Account,
    AccountsError,
    accounts_of,
)
from gateway.broker_access.passwords import hashed, matches, new_password, read_password_file
from gateway.broker_access.topics import access_list
from gateway.cli.app import app

RUNNER = CliRunner()


# ---------------------------------------------------------------- passwords


@pytest.fixture
def by_mosquitto(tmp_path):
    """Makes the line of the password file that Debian's mosquitto_passwd writes."""
    program = shutil.which("mosquitto_passwd")
    assert program is not None, "install mosquitto"

    def line(password: str) -> str:
        path = tmp_path / "theirs"
        subprocess.run(
            [program, "-c", "-b", str(path), "quay", password], check=True, capture_output=True
        )
        return path.read_text()

    return line


@pytest.mark.parametrize("password", ["simple", "with blank: and colon", "ümlaut-€", "x" * 100])
def test_our_hash_is_that_of_mosquitto_passwd(by_mosquitto, password):
    """Same salt, same line, to the last character (mosquitto 2.0.11)."""
    theirs = by_mosquitto(password).strip().partition(":")[2]
    _, seven, iterations, salt, _ = theirs.split("$")
    assert seven == "7"
    import base64

    ours = hashed(password, salt=base64.b64decode(salt), iterations=int(iterations))
    assert ours == theirs
    assert matches(theirs, password)
    assert not matches(theirs, password + "x")


def test_hashes_of_one_password_differ_by_their_salt():
    assert hashed("same") != hashed("same")
    assert matches(hashed("same"), "same")


@pytest.mark.parametrize(
    "written",
    ["", "plain", "$6$salt$hash", "$7$101$AAAA", "$7$0$AAAA$AAAA", "$7$101$A$AAAA",
     "$7$99999999$AAAA$AAAA"],
)  # fmt: skip
def test_what_is_no_hash_matches_nothing(written):
    assert not matches(written, "plain")


def test_new_passwords_are_long_differ_and_do_not_show():
    one, other = new_password(), new_password()
    assert one != other
    assert re.fullmatch(r"[\w-]{43}", one)  # 256 bits, six a character
    assert one not in repr(one)


# ---------------------------------------------------------------- rights


def with_sparkplug(site_id: str, group: str, edge: str) -> SimpleNamespace:
    return SimpleNamespace(id=site_id, units=(), sparkplug=SimpleNamespace(group=group, edge=edge))


def test_each_site_may_publish_its_own_topics_and_read_nothing():
    gateway, *sites = accounts_of(SITES, "gateway")
    assert gateway == Account("gateway", "the gateway", (), ("sites/#", "spBv1.0/#"))
    assert sites == [
        Account("quay", "site quay", ("sites/quay/#",)),
        Account("mill", "site mill", ("sites/mill/#",)),
    ]


def test_a_unit_with_an_account_of_its_own_may_publish_for_itself_only():
    accounts = accounts_of(SITES, "gateway", each_unit={"mill"})
    assert [a.user for a in accounts] == ["gateway", "quay", "mill", "mill.ac-1", "mill.ac-2"]
    assert accounts[-1].writes == ("sites/mill/ac-2/#",)
    assert accounts[-1].reads == ()


def test_a_sparkplug_edge_may_publish_as_itself_and_read_its_own_command():
    sites = (with_sparkplug("quay", "north", "quay edge"),)
    gateway, site = accounts_of(sites, "gateway")
    assert gateway.writes == ()
    assert site.writes == (
        "sites/quay/#",
        "spBv1.0/north/NBIRTH/quay edge", "spBv1.0/north/NDATA/quay edge",
        "spBv1.0/north/NDEATH/quay edge", "spBv1.0/north/DBIRTH/quay edge/+",
        "spBv1.0/north/DDATA/quay edge/+", "spBv1.0/north/DDEATH/quay edge/+",
    )  # fmt: skip
    assert site.reads == ("spBv1.0/north/NCMD/quay edge",)
    gateway, _ = accounts_of(sites, "gateway", may_ask_rebirth=True)
    assert gateway.writes == ("spBv1.0/north/NCMD/quay edge",)


@pytest.mark.parametrize("name", ["+", "#", "a/b", "a\ntopic write #", " a", "", "a\u0000"])
@pytest.mark.parametrize("key", ["group", "edge"])
def test_a_name_that_would_widen_the_rights_is_refused(key, name):
    names = {"group": "north", "edge": "quay", key: name}
    with pytest.raises(AccountsError, match=rf"sites/quay.toml: sparkplug.{key} is .*one level"):
        accounts_of([with_sparkplug("quay", **names)], "gateway")


def test_two_sites_cannot_be_the_same_edge():
    sites = (with_sparkplug("quay", "north", "e1"), with_sparkplug("mill", "north", "e1"))
    with pytest.raises(AccountsError, match="quay and mill both have"):
        accounts_of(sites, "gateway")


@pytest.mark.parametrize(
    ("user", "words"), [("quay", "is also a site's id"), ("a:b", "cannot be used"),
                        ("quay.ac-1", "cannot be used"), ("../x", "cannot be used")],
)  # fmt: skip
def test_the_gateway_is_no_site(user, words):
    with pytest.raises(AccountsError, match=words):
        accounts_of(SITES, user)


def test_the_access_list_grants_nothing_to_those_who_are_not_named():
    """Topics before the first 'user' line would hold for anonymous clients (mosquitto.conf)."""
    lines = [
        line
        for line in access_list(accounts_of(SITES, "gateway", each_unit=["quay"])).splitlines()
        if line and not line.startswith("#")
    ]
    assert lines[0].startswith("user ")
    assert all(re.match(r"user |topic (read|write) ", line) for line in lines)


# ---------------------------------------------------------------- the folder


@pytest.fixture
def folder(tmp_path):
    return AccessFolder(tmp_path / "access", tmp_path / "secrets")


def hashes(folder: AccessFolder) -> dict[str, str]:
    return read_password_file((folder.folder / "passwords").read_text())


def handed_over(folder: AccessFolder, user: str) -> str:
    return (folder.secrets / user).read_text().strip()


ALL = accounts_of(SITES, "gateway")


def test_new_accounts_get_passwords_that_only_the_owner_may_read(folder):
    changes = folder.write(ALL)
    assert changes.new == ("gateway", "quay", "mill")
    assert set(changes.handed_over) == {folder.secrets / u for u in changes.new}
    for user in changes.new:
        assert matches(hashes(folder)[user], handed_over(folder, user))
        assert stat.S_IMODE((folder.secrets / user).stat().st_mode) == 0o600
    assert stat.S_IMODE(folder.secrets.stat().st_mode) == 0o700
    for name in ("passwords", "access-list"):
        assert stat.S_IMODE((folder.folder / name).stat().st_mode) == 0o640
    written = "".join(path.read_text() for path in folder.folder.iterdir())
    assert not any(handed_over(folder, user) in written for user in changes.new)


def test_a_second_run_changes_nothing_and_needs_no_secret(folder):
    folder.write(ALL)
    before = hashes(folder)
    (folder.secrets / "quay").unlink()  # handed over
    changes = folder.write(ALL)
    assert changes.kept == ("gateway", "quay", "mill")
    assert changes.handed_over == changes.removed == ()
    assert hashes(folder) == before
    assert not (folder.secrets / "quay").exists()


def test_sites_come_and_go(folder):
    folder.write(ALL)
    before = hashes(folder)
    changes = folder.write(accounts_of([SITES[0], make_site("tower", "ac-1")], "gateway"))
    assert (changes.new, changes.removed) == (("tower",), ("mill",))
    assert "mill" not in (folder.folder / "access-list").read_text()
    assert not (folder.secrets / "mill").exists()
    assert {u: hashes(folder)[u] for u in ("gateway", "quay")} == {
        u: before[u] for u in ("gateway", "quay")
    }


def test_a_renewed_password_is_another(folder):
    folder.write(ALL)
    before, old = hashes(folder), handed_over(folder, "mill")
    changes = folder.write(ALL, renew={"mill"})
    assert (changes.renewed, changes.kept) == (("mill",), ("gateway", "quay"))
    new = handed_over(folder, "mill")
    assert new != old
    assert matches(hashes(folder)["mill"], new)
    assert not matches(hashes(folder)["mill"], old)
    assert hashes(folder)["quay"] == before["quay"]


@pytest.mark.parametrize("renewed", [False, True])
def test_a_run_that_is_broken_off_is_completed_by_the_next(folder, monkeypatch, renewed):
    """The disk fills up after the passwords were written and before the hashes were."""
    if renewed:
        folder.write(ALL)
    whole = AccessFolder._write_broker_files

    def full(*_):
        raise OSError(28, "No space left on device", str(folder.folder / "passwords"))

    monkeypatch.setattr(AccessFolder, "_write_broker_files", full)
    with pytest.raises(AccessFolderError, match="no space left on device"):
        folder.write(ALL, renew={"quay"} if renewed else ())
    waiting = handed_over(folder, "quay")
    monkeypatch.setattr(AccessFolder, "_write_broker_files", whole)
    changes = folder.write(ALL)
    assert "quay" in changes.taken_over
    assert handed_over(folder, "quay") == waiting
    assert matches(hashes(folder)["quay"], waiting)


def test_the_group_and_a_narrower_mode_that_a_person_gave_stay(folder):
    folder.write(ALL)
    path = folder.folder / "passwords"
    path.chmod(0o600)
    if os.geteuid() == 0:
        os.chown(path, 0, 4242)
    folder.write(ALL, renew={"quay"})
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    if os.geteuid() == 0:
        assert path.stat().st_gid == 4242


def test_two_runs_at_once_are_not(folder):
    folder.write(ALL)
    handle = os.open(folder.folder, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        with pytest.raises(AccessFolderError, match="Another run works on"):
            folder.write(ALL)
    finally:
        os.close(handle)


@pytest.mark.parametrize("raw", [b"", b"two\nlines\n", b"\xff\xfe", b"x" * 5000])
def test_a_damaged_hand_over_file_is_told_and_not_used(folder, raw):
    folder.write(ALL)
    before = hashes(folder)
    (folder.secrets / "quay").write_bytes(raw)
    with pytest.raises(AccessFolderError, match="secrets/quay does not hold one password"):
        folder.write(ALL)
    assert hashes(folder) == before


def test_a_password_file_that_is_not_text_is_told(folder):
    folder.write(ALL)
    (folder.folder / "passwords").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(AccessFolderError, match="is not a text file"):
        folder.write(ALL)


# ---------------------------------------------------------------- the command


@pytest.fixture
def run(tmp_path):
    """The command on a fleet; its output holds none of the passwords that it has made."""
    fleet = write(tmp_path / "fleet", fleet=REAL_FLEET, site=REAL_SITE)
    out = tmp_path / "out"

    def command(*more: str, code: int = 0) -> str:
        result = RUNNER.invoke(
            app, ["broker-access", "--fleet", str(fleet), "--out", str(out), *more]
        )
        assert result.exit_code == code, result.output
        for path in (out / "secrets").glob("*"):
            assert path.read_text().strip() not in result.output
        return result.output

    return SimpleNamespace(command=command, fleet=fleet, out=out)


def test_the_command_says_what_it_did_and_where_the_passwords_are(run):
    said = run.command()
    assert "2 new: gateway, quay-cold-store" in said
    assert f"New passwords are in {run.out / 'secrets'}" in said
    assert "SIGHUP" in said
    said = run.command("--renew", "quay-cold-store")
    assert "1 kept as they were" in said
    assert "1 with a new password: quay-cold-store" in said
    assert "New passwords" not in run.command()


def test_the_gateway_may_ask_for_births_where_the_configuration_says_so(run):
    site = run.fleet / "sites" / "quay-cold-store.toml"
    site.write_text(site.read_text() + '\n[sparkplug]\ngroup = "north"\nedge = "quay edge"\n')
    run.command()
    assert "spBv1.0/north/DDATA/quay edge/+" in (run.out / "access-list").read_text()
    assert "topic write spBv1.0/north/NCMD" not in (run.out / "access-list").read_text()
    with (run.fleet / "fleet.toml").open("a") as file:
        file.write("\n[sparkplug]\nrequest_rebirth = true\n")
    run.command()
    assert "topic write spBv1.0/north/NCMD/quay edge" in (run.out / "access-list").read_text()


def test_units_get_accounts_until_they_are_taken_away(run):
    assert "1 new: quay-cold-store.ac-1" in run.command() + run.command(
        "--each-unit", "quay-cold-store"
    )
    assert "3 kept" in run.command()  # it need not be said again
    assert "1 removed: quay-cold-store.ac-1" in run.command("--site-only", "quay-cold-store")
    assert "2 kept" in run.command()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--renew", "nobody"), "There is no account nobody. Nothing has been written."),
        (("--each-unit", "nobody"), "There is no site file for nobody."),
    ],
)
def test_a_name_that_is_not_there_is_told(run, arguments, words):
    assert words in run.command(*arguments, code=1)
    assert not run.out.exists()


def test_a_fleet_with_a_fault_changes_nothing(run):
    run.command()
    before = (run.out / "passwords").read_text()
    site = run.fleet / "sites" / "quay-cold-store.toml"
    site.write_text(replaced(REAL_SITE, 'id = "ac-1"', 'id = "AC 1"'))
    said = run.command(code=1)
    assert "an id starts with" in said
    assert "nothing has been written" in said
    assert (run.out / "passwords").read_text() == before


def test_a_fleet_file_that_names_no_user_is_told_to(run):
    text = replaced(REAL_FLEET, 'username = "gateway"\npassword_env = "MQTT_PASSWORD"\n', "")
    (run.fleet / "fleet.toml").write_text(text)
    said = run.command()
    assert "2 new: gateway, quay-cold-store" in said
    assert 'write username = "gateway"' in said


def test_a_folder_that_cannot_be_written_is_told(run):
    run.out.write_text("a file")
    assert "out/passwords cannot be used: " in run.command(code=1)
