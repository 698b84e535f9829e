"""A directory of files becomes one checked configuration, or one report of all that is wrong."""

import os
from pathlib import Path

import pytest
from config_fleet import CATALOGUE, ENVIRON, FLEET, ONCALL, SITE, replaced, write

from gateway.config import ConfigurationFaults, Level, examine, load
from gateway.tickets.notice import Recipient


def _load(directory: Path, environ=ENVIRON):
    return load(directory, environ, catalogue=CATALOGUE)


def test_a_valid_directory_is_loaded_whole(tmp_path):
    configuration = _load(write(tmp_path))
    assert configuration.name == "Northern fleet"
    assert configuration.from_name == "Condenser watch"
    assert [site.id for site in configuration.sites] == ["quay-cold-store"]
    unit = configuration.sites[0].units[0]
    assert unit.commissioned == "2019-05-02"  # a bare TOML date, kept as text
    assert unit.settings == {"conductivity-high": {"limit_pct": 80.0}}
    assert configuration.settings == {"conductivity-high": {"limit_pct": 90.0}}
    assert configuration.journal_budget_mb == 500
    assert configuration.warnings == ()
    assert configuration.directory == tmp_path


def test_servers_get_their_settings_and_secrets(tmp_path):
    configuration = _load(write(tmp_path))
    broker = configuration.broker
    assert (broker.host, broker.port, broker.client_id) == ("127.0.0.1", 1883, "watch-1")
    assert (broker.protocol, broker.keep_alive_s, broker.tls) == ("3.1.1", 45, None)
    assert (broker.username, broker.password) == ("gateway", "first secret")
    mail = configuration.mail
    assert (mail.host, mail.port, mail.security) == ("127.0.0.1", 2525, "none")
    assert (mail.username, mail.password) == ("watch", "second secret")
    assert (mail.from_address, mail.reply_to) == ("watch@centre.example", "desk@centre.example")
    assert (configuration.store.kind, configuration.store.retention_days) == ("embedded", 30)
    assert "secret" not in repr(configuration)


def test_high_and_medium_go_to_those_on_call_and_low_to_the_planner(tmp_path):
    routing = _load(write(tmp_path)).routing
    on_call = (Recipient("Ada Holm", "ada@north.example"), Recipient("Bo Lind", "bo@north.example"))
    centre = (Recipient("Centre", "desk@centre.example"),)
    for priority in ("high", "medium"):
        assert routing.recipients("quay-cold-store", priority, 0) == (on_call, centre)
    planner = (Recipient("Planner", "plan@north.example"),)
    assert routing.recipients("quay-cold-store", "low", 0) == (planner, ())


def test_nobody_gets_the_same_mail_twice(tmp_path):
    oncall = replaced(ONCALL, 'email = "desk@centre.example"', 'email = "ADA@north.example"')
    to, copies = _load(write(tmp_path, oncall=oncall)).routing.recipients(
        "quay-cold-store", "high", 0
    )
    assert [r.email for r in to] == ["ada@north.example", "bo@north.example"]
    assert copies == ()


def test_broker_ports_follow_from_tls(tmp_path):
    """1883 and 8883 are the ports registered for MQTT (OASIS MQTT 3.1.1, section 4.2)."""
    plain = _load(write(tmp_path / "a", fleet=replaced(FLEET, "port = 1883\n", "")))
    assert plain.broker.port == 1883
    fleet = replaced(FLEET, "port = 1883\n", "") + "\n[broker.tls]\n"
    secure = _load(write(tmp_path / "b", fleet=fleet))
    assert secure.broker.port == 8883
    assert secure.broker.tls is not None


def test_tls_files_are_found_from_the_configuration_directory(tmp_path):
    (tmp_path / "ca.pem").write_text("certificate")
    fleet = FLEET + '\n[broker.tls]\nca_file = "ca.pem"\n'
    assert _load(write(tmp_path, fleet=fleet)).broker.tls.ca_file == tmp_path / "ca.pem"


def test_a_secret_may_stand_in_a_file(tmp_path):
    (tmp_path / "mqtt").write_text("from a file\n")
    (tmp_path / "mqtt").chmod(0o600)
    fleet = replaced(FLEET, 'password_env = "MQTT_PASSWORD"', 'password_file = "mqtt"')
    configuration = _load(write(tmp_path, fleet=fleet))
    assert configuration.broker.password == "from a file"
    assert configuration.warnings == ()


def test_an_influxdb_store_gets_its_token(tmp_path):
    fleet = replaced(
        FLEET,
        'kind = "embedded"',
        'kind = "influxdb"\nurl = "http://127.0.0.1:8086"\norg = "o"\nbucket = "b"\n'
        'token_env = "TOKEN"',
    )
    store = _load(write(tmp_path, fleet=fleet), {**ENVIRON, "TOKEN": "t-1"}).store
    assert (store.kind, store.url, store.org, store.bucket) == (
        "influxdb", "http://127.0.0.1:8086", "o", "b",
    )  # fmt: skip
    assert store.token == "t-1"


def test_every_fault_of_every_file_is_reported_at_once(tmp_path):
    write(
        tmp_path,
        fleet=replaced(FLEET, "port = 1883", "port = 99999"),
        oncall=replaced(ONCALL, "bo@north.example", "bo-at-north"),
        site=replaced(
            replaced(SITE, "overflow_mm = 320", "overflow_mm = 12000"), 'team = "north"', "team = 3"
        ),
    )
    with pytest.raises(ConfigurationFaults) as caught:
        _load(tmp_path, {})
    found = {(p.file, p.key) for p in caught.value.problems}
    assert found == {
        ("fleet.toml", "broker.port"),
        ("fleet.toml", "broker.password_env"),
        ("fleet.toml", "mail.password_env"),
        ("oncall.toml", "teams.north.on_call[1].email"),
        ("sites/quay-cold-store.toml", "team"),
        ("sites/quay-cold-store.toml", "units[0] (ac-1).basin.overflow_mm"),
    }
    assert str(caught.value).startswith("6 problems in the configuration:")


def test_lines_are_those_of_the_keys(tmp_path):
    site = replaced(SITE, "overflow_mm = 320", "overflow_mm = 12000")
    _, (problem,) = examine(write(tmp_path, site=site), ENVIRON, catalogue=CATALOGUE)
    assert site.splitlines()[problem.line - 1] == "overflow_mm = 12000"


def test_warnings_do_not_stop_it(tmp_path):
    write(tmp_path)
    (tmp_path / "sites" / "quay-cold-store.toml").rename(tmp_path / "sites" / "quay.toml")
    (tmp_path / "sites" / "notes.txt").write_text("nothing")
    configuration = _load(tmp_path)
    assert {(p.file, p.level) for p in configuration.warnings} == {
        ("sites/quay.toml", Level.WARNING),
        ("sites/notes.txt", Level.WARNING),
    }


def test_hidden_files_are_passed_over(tmp_path):
    write(tmp_path)
    (tmp_path / "sites" / ".quay.toml.swp").write_bytes(b"\x00\xff")
    assert _load(tmp_path).warnings == ()


@pytest.mark.parametrize("name", ["fleet.toml", "oncall.toml"])
def test_a_missing_file_is_named(tmp_path, name):
    write(tmp_path)
    (tmp_path / name).unlink()
    with pytest.raises(ConfigurationFaults, match=f"{name}: the file cannot be read: it does not"):
        _load(tmp_path)


def test_a_missing_folder_an_empty_folder_and_a_file_in_its_place_are_told_apart(tmp_path):
    write(tmp_path)
    (tmp_path / "sites" / "quay-cold-store.toml").unlink()
    with pytest.raises(ConfigurationFaults, match="sites/: the folder holds no site file"):
        _load(tmp_path)
    (tmp_path / "sites").rmdir()
    with pytest.raises(ConfigurationFaults, match="sites/: the folder cannot be read: it does not"):
        _load(tmp_path)
    (tmp_path / "sites").write_text("")
    with pytest.raises(ConfigurationFaults, match="is a file, not a directory"):
        _load(tmp_path)


def test_a_directory_that_cannot_be_one_is_refused(tmp_path):
    with pytest.raises(ConfigurationFaults, match="directory does not exist"):
        _load(tmp_path / "nowhere")
    (tmp_path / "file").write_text("")
    with pytest.raises(ConfigurationFaults, match="this is a file, not a configuration directory"):
        _load(tmp_path / "file")
    with pytest.raises(ConfigurationFaults, match="directory does not exist"):
        _load(Path("a\0b"))


def test_a_file_that_may_not_be_read_says_so(tmp_path, monkeypatch):
    """By a refusal of the system call: the superuser, who may run tests, is refused nothing."""
    write(tmp_path)
    real_open = Path.open

    def refusing_open(self, *args, **kwargs):
        if self.name == "oncall.toml":
            raise PermissionError(13, "Permission denied", str(self))
        return real_open(self, *args, **kwargs)

    monkeypatch.setattr(Path, "open", refusing_open)
    with pytest.raises(ConfigurationFaults, match=r"oncall\.toml: .*permission denied; let the"):
        _load(tmp_path)


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may read everything")
def test_a_folder_that_may_not_be_read_says_so(tmp_path):
    write(tmp_path)
    (tmp_path / "sites").chmod(0)
    try:
        with pytest.raises(ConfigurationFaults, match=r"sites/: .*permission denied"):
            _load(tmp_path)
    finally:
        (tmp_path / "sites").chmod(0o700)


def test_the_same_problem_is_listed_once(tmp_path):
    site = replaced(SITE, 'energy = "electrical"', 'energy = "water"')
    _, problems = examine(write(tmp_path, site=site), ENVIRON, catalogue=CATALOGUE)
    assert [p.key for p in problems] == ["units[0] (ac-1).isolation"]


def test_the_demonstration_fleet_is_in_order():
    """With the real catalogue and the decoder's own units."""
    demo = Path(__file__).parents[2] / "simulator" / "demo_fleet"
    configuration, problems = examine(demo, {})
    assert problems == ()
    assert configuration is not None
    assert sum(len(site.units) for site in configuration.sites) >= 20
