"""Each kind of fault has its own sentence, its place, and says what to do."""

import pytest
from config_fleet import CATALOGUE, ENVIRON, FLEET, ONCALL, SITE, replaced, write

from gateway.config import ConfigurationFaults, Level, examine, load

FILES = {"fleet": FLEET, "oncall": ONCALL, "site": SITE}


def _load(directory, environ=ENVIRON):
    return load(directory, environ, catalogue=CATALOGUE)


@pytest.mark.parametrize(
    ("file", "old", "new", "match"),
    [
        pytest.param(
            "fleet", 'host = "127.0.0.1"\nport = 1883', 'host = "127.0.0.1',
            r"fleet\.toml, line 6: the file is not valid TOML: .*column",
            id="syntax",
        ),
        pytest.param(
            "fleet", 'kind = "embedded"', 'kind = "embedded"\nkind = "embedded"',
            r"fleet\.toml, line 16: the file is not valid TOML: cannot overwrite a value",
            id="key twice",
        ),
        pytest.param(
            "site", "elevation_m = 12", "elevation = 12",
            r"line 6: elevation: the key 'elevation' is not known here\. .*"
            r"Did you mean 'elevation_m'\?",
            id="misspelt key",
        ),
        pytest.param(
            "site", "elevation_m = 12", "",
            r"elevation_m: the key 'elevation_m' is missing\. Allowed: -430 to 5000 m\.",
            id="missing key",
        ),
        pytest.param(
            "site", "[units.fans]\ncount = 6\nrated_airflow_m3_s = 30\n", "",
            r"the table 'fans' is missing\. Add \[units\.fans\] with count, rated_airflow_m3_s",
            id="missing table",
        ),
        pytest.param(
            "site", "depth_mm = 400", "depth_mm = 12000",
            r"units\[0\] \(ac-1\)\.basin\.depth_mm: is above the limit, 3000 mm\. Given: 12000\. "
            r"Allowed: 50 to 3000 mm\. Meaning: floor to rim\.",
            id="out of range",
        ),
        pytest.param(
            "site", "depth_mm = 400", "depth_mm = nan", r"not a number is not a figure", id="nan"
        ),
        pytest.param(
            "site", "depth_mm = 400", "depth_mm = -inf", r"below the limit, 50 mm\. Given: -inf",
            id="infinity",
        ),
        pytest.param(
            "site", "depth_mm = 400", 'depth_mm = "400"',
            r"must be a number\. Given: '400'\. Allowed: 50 to 3000 mm",
            id="number in quotes",
        ),
        pytest.param(
            "site", "area_m2 = 2.4", "area_m2 = true", r"must be a number\. Given: true\.",
            id="true is not 1",
        ),
        pytest.param(
            "site", "count = 6", "count = 6.5",
            r"units\[0\] \(ac-1\)\.fans\.count: must be a whole number\. Given: 6\.5",
            id="whole number",
        ),
        pytest.param(
            "site", "float_shut_mm = 250", "float_shut_mm = 330",
            r"line 28: units\[0\] \(ac-1\)\.basin: float_shut_mm \(330\) must be below overflow_mm "
            r"\(320\)",
            id="levels out of order",
        ),
        pytest.param(
            "site", 'refrigerant = "R717"', 'refrigerant = "R-717"',
            r"is not one of the choices\. .*'R744'.* Did you mean 'R717'\?",
            id="choice",
        ),
        pytest.param(
            "site", 'time_zone = "Europe/Lisbon"', 'time_zone = "Europe/Lissabon"',
            r"not an IANA time zone name; .*Given: 'Europe/Lissabon'",
            id="time zone",
        ),
        pytest.param(
            "site", 'id = "ac-1"', 'id = "AC 1"', r"an id starts with a-z or 0-9", id="unit id"
        ),
        pytest.param(
            "site", 'phone = "+351 555 0100"', 'phone = "call me"',
            r"contacts\[0\]\.phone: is not a telephone number",
            id="telephone",
        ),
        pytest.param(
            "site", 'team = "north"', 'team = "nort"',
            r"team: oncall\.toml has no such team.* Allowed: north\. Did you mean 'north'\?",
            id="unknown team",
        ),
        pytest.param(
            "site", 'energy = "electrical"', 'energy = "water"',
            r"isolation: the unit has no isolation point with energy = 'electrical'",
            id="no electrical isolation",
        ),
        pytest.param(
            "site", 'signal = "spray_pressure"', 'signal = "spray_presure"',
            r"'spray_presure' is not in the catalogue.*Did you mean 'spray_pressure'\?",
            id="unknown signal",
        ),
        pytest.param(
            "site", 'unit = "bar"', 'unit = "baar"',
            r"signals\.p_disch\.unit: is not a unit that the decoder can convert to spray_pressure"
            r"\. .*Did you mean 'bar'\?",
            id="unknown unit",
        ),
        pytest.param(
            "site", 'unit = "bar"', 'unit = "Cel"',
            r"is not a unit that the decoder can convert to spray_pressure\. Given: 'Cel'",
            id="unit of another quantity",
        ),
        pytest.param(
            "site", "flow_loss_pct = 15", "flow_loss_pct = 99",
            r"line 17: settings\.pump-screen-clogging\.flow_loss_pct: is above the limit, 60 %\. "
            r"Given: 99\. Allowed: 3 to 60 %\. It means: loss of water over the pads\. "
            r"The default is 13 %",
            id="setting out of range",
        ),
        pytest.param(
            "site", "flow_loss_pct = 15", 'flow_loss_pct = "15"',
            r"flow_loss_pct: must be a number, without quotes\.",
            id="setting in quotes",
        ),
        pytest.param(
            "site", "flow_loss_pct = 15", "flow_los_pct = 15",
            r"'pump-screen-clogging' has no setting called 'flow_los_pct'\. .*"
            r"Did you mean 'flow_loss_pct'\?",
            id="unknown setting",
        ),
        pytest.param(
            "fleet", "[settings.conductivity-high]", "[settings.conductivity_hihg]",
            r"there is no fault called 'conductivity_hihg'\. .*Did you mean 'conductivity-high'\?",
            id="unknown fault",
        ),
        pytest.param(
            "fleet", "[settings.conductivity-high]", "[settings]",
            r"there is no fault called 'limit_pct'\..*below \[settings\.conductivity-high\]",
            id="setting without its fault",
        ),
        pytest.param(
            "site", "[units.settings.conductivity-high]\nlimit_pct = 80",
            "[units.settings.conductivity-high]\nlimit_pct = nan",
            r"units\[0\] \(ac-1\)\.settings\.conductivity-high\.limit_pct: not a number",
            id="unit setting nan",
        ),
        pytest.param(
            "fleet", 'password_env = "MQTT_PASSWORD"', 'password = "hunter-2"',
            r"line 12: broker\.password: a secret must not be written in this file\. "
            r"Given: \(hidden\)\. .*password_env",
            id="password in the file",
        ),
        pytest.param(
            "fleet", 'kind = "embedded"', 'kind = "influxdb"\nbucket = "b"\ntoken = "abc"\n'
            'url = "http://127.0.0.1:8086"',
            r"store\.token: a secret must not be written in this file\..*token_env",
            id="token in the file",
        ),
        pytest.param(
            "fleet", 'kind = "embedded"',
            'kind = "influxdb"\nbucket = "b"\nurl = "http://me:pw@127.0.0.1:8086"',
            r"store\.url: an address with a name or password in it must not",
            id="password in an address",
        ),
        pytest.param(
            "fleet", '"MQTT_PASSWORD"', '"NOT_SET"',
            r"broker\.password_env: the environment variable that should hold the password is not "
            r"set\. Given: 'NOT_SET'\. Set it",
            id="variable not set",
        ),
        pytest.param(
            "fleet", 'password_env = "MQTT_PASSWORD"', 'password_file = "nowhere"',
            r"the file that should hold the password cannot be read: it does not exist",
            id="secret file missing",
        ),
        pytest.param(
            "fleet", 'password_env = "MQTT_PASSWORD"', 'password_file = "."',
            r"cannot be read: it is a directory, not a file",
            id="secret file is a directory",
        ),
        pytest.param(
            "fleet", 'password_env = "MQTT_PASSWORD"',
            'password_env = "MQTT_PASSWORD"\npassword_file = "x"',
            r"password_env and password_file are both given",
            id="two places for one secret",
        ),
        pytest.param(
            "fleet", 'username = "gateway"\n', "",
            r"broker\.password_env: there is a password, but no username",
            id="password without name",
        ),
        pytest.param(
            "fleet", 'username = "watch"\npassword_env = "MAIL_PASSWORD"', 'username = "watch"',
            r"mail\.username: there is a username, but no password",
            id="name without password",
        ),
        pytest.param(
            "fleet", 'security = "none"', 'security = "starttsl"',
            r"mail\.security: is not one of the choices\. .*Did you mean 'starttls'\?",
            id="mail security",
        ),
        pytest.param(
            "fleet", '"watch@centre.example"', '"watch"',
            r"mail\.from_address: is not an e-mail address\. Given: 'watch'",
            id="mail address",
        ),
        pytest.param(
            "fleet", 'kind = "embedded"', 'kind = "influxdb"',
            r"store: kind = 'influxdb' also needs url and bucket",
            id="store without server",
        ),
        pytest.param(
            "fleet", "rollup_retention_days = 400", "rollup_retention_days = 7",
            r"rollup_retention_days \(7\) is shorter than retention_days \(30\)",
            id="rollups shorter than samples",
        ),
        pytest.param(
            "fleet", "budget_mb = 500", "budget_mb = 5",
            r"journal\.budget_mb: is below the limit, 50 MB\. Given: 5\. Allowed: 50 to 1000000 MB",
            id="journal budget",
        ),
        pytest.param(
            "fleet", "[journal]", '[broker.tls]\nca_file = "no.pem"\n\n[journal]',
            r"broker\.tls\.ca_file: the file cannot be read: it does not exist",
            id="certificate missing",
        ),
        pytest.param(
            "fleet", "[journal]", '[broker.tls]\nkey_file = "fleet.toml"\n\n[journal]',
            r"broker\.tls: certificate_file and key_file go together",
            id="key without certificate",
        ),
        pytest.param(
            "fleet", "[journal]\nbudget_mb = 500", "budget_mb = 500",
            r"store\.budget_mb: the key 'budget_mb' is not known here.*belongs under \[journal\]",
            id="key under the wrong header",
        ),
        pytest.param(
            "oncall", 'planner = [{ name = "Planner", email = "plan@north.example" }]',
            "planner = []",
            r"teams\.north\.planner: is empty",
            id="nobody to plan",
        ),
        pytest.param(
            "oncall", "[teams.north]", "[teams.North]", r"an id starts with a-z", id="team id"
        ),
        pytest.param(
            "oncall", "bo@north.example", "bo@north@example",
            r"oncall\.toml, line 5: teams\.north\.on_call\[1\]\.email: is not an e-mail address",
            id="on-call address",
        ),
    ],
)  # fmt: skip
def test_each_fault_has_its_sentence(tmp_path, file, old, new, match):
    write(tmp_path, **{file: replaced(FILES[file], old, new)})
    with pytest.raises(ConfigurationFaults, match=match) as caught:
        _load(tmp_path)
    for secret in ("hunter-2", "abc", "me:pw", *ENVIRON.values()):
        assert secret not in str(caught.value)


@pytest.mark.parametrize("file", ["fleet", "oncall", "site"])
@pytest.mark.parametrize(
    ("content", "match"),
    [
        (b"\x00\x01\xff\xfe", "is not text in UTF-8"),
        (b"\x89PNG\r\n\x1a\n" + bytes(100), "is not text in UTF-8"),
        (b"a" * (1024 * 1024 + 1), "is larger than 1 MiB, so it was not read"),
        (b"a = " + b"[" * 5000 + b"]" * 5000, "brackets are nested too deep"),
        (b"a = " + b"9" * 5000, "a number is too long"),
        (b".".join([b"a"] * 3000) + b" = 1", "nested deeper than 20 levels"),
        (b"a." * 200_000 + b"a = 1", "has a line of 400005 characters"),
        (b"", "is missing"),
        (b"\x00", "is not valid TOML"),
    ],
    ids=[
        "binary",
        "picture",
        "huge",
        "brackets",
        "digits",
        "deep keys",
        "long line",
        "empty",
        "nul",
    ],
)
def test_junk_is_refused_by_the_name_of_its_file(tmp_path, file, content, match):
    write(tmp_path, **{file: content})
    _, problems = examine(tmp_path, ENVIRON, catalogue=CATALOGUE)
    name = {"site": "sites/quay-cold-store.toml"}.get(file, f"{file}.toml")
    assert [p for p in problems if p.file == name and match in p.what]


def test_two_files_with_one_site_id_are_both_named(tmp_path):
    write(tmp_path)
    (tmp_path / "sites" / "second.toml").write_text(SITE)
    with pytest.raises(
        ConfigurationFaults,
        match=r"sites/second\.toml, line 1: id: the site id is already used by "
        r"sites/quay-cold-store\.toml",
    ):
        _load(tmp_path)


def test_two_units_with_one_id_are_both_named(tmp_path):
    second = SITE[SITE.index("[[units]]") :]
    write(tmp_path, site=SITE + second)
    line = SITE[: SITE.index('id = "ac-1"')].count("\n") + 1
    with pytest.raises(
        ConfigurationFaults,
        match=rf"units\[1\] \(ac-1\)\.id: the id is already used by units\[0\], line {line}",
    ):
        _load(tmp_path)


def test_a_unit_without_isolation_points_is_refused(tmp_path):
    start, end = SITE.index("[[units.isolation]]"), SITE.index("[units.signals")
    write(tmp_path, site=SITE[:start] + SITE[end:])
    with pytest.raises(
        ConfigurationFaults, match=r"the unit has no isolation point\. Add \[\[units\.isolation\]\]"
    ):
        _load(tmp_path)


def test_a_fault_in_one_key_does_not_hide_those_that_span_keys(tmp_path):
    site = replaced(SITE, "depth_mm = 400", "depth_mm = 12000")
    site = replaced(site, 'energy = "electrical"', 'energy = "water"')
    site = replaced(site, 'team = "north"', 'team = "south"')
    _, problems = examine(write(tmp_path, site=site), ENVIRON, catalogue=CATALOGUE)
    assert {p.key for p in problems} == {
        "team",
        "units[0] (ac-1).basin.depth_mm",
        "units[0] (ac-1).isolation",
    }


@pytest.mark.parametrize(
    ("content", "match"),
    [
        (b"", "the file that should hold the password is empty"),
        (b"two\nlines\n", "the file holds 2 lines; a password is one"),
        (b"\xff\xfe\x00", "does not hold a password: it is not plain text"),
        (b"a" * 20_000, "does not hold a password"),
    ],
    ids=["empty", "two lines", "binary", "huge"],
)
def test_a_secret_file_that_holds_no_secret_is_refused(tmp_path, content, match):
    (tmp_path / "mqtt").write_bytes(content)
    fleet = replaced(FLEET, 'password_env = "MQTT_PASSWORD"', 'password_file = "mqtt"')
    with pytest.raises(ConfigurationFaults, match=match):
        _load(write(tmp_path, fleet=fleet))


def test_a_secret_file_that_everyone_can_read_is_a_warning(tmp_path):
    secret = tmp_path / "mqtt"
    secret.write_text("quiet\n")
    secret.chmod(0o644)
    fleet = replaced(FLEET, 'password_env = "MQTT_PASSWORD"', 'password_file = "mqtt"')
    (warning,) = _load(write(tmp_path, fleet=fleet)).warnings
    assert "every user of this machine can read" in warning.what
    assert "chmod 600" in warning.todo
    assert warning.level is Level.WARNING
    assert warning.line == 12


@pytest.mark.parametrize(
    ("table", "match"),
    [
        ("broker", "the password goes to the broker unencrypted"),
        ("mail", "the password goes to the mail server unencrypted"),
    ],
)
def test_a_password_sent_in_the_clear_is_a_warning(tmp_path, table, match):
    fleet = FLEET.replace(
        f'[{table}]\nhost = "127.0.0.1"', f'[{table}]\nhost = "{table}.north.example"'
    )
    (warning,) = _load(write(tmp_path, fleet=fleet)).warnings
    assert match in warning.what


def test_a_server_named_for_the_embedded_store_is_a_warning(tmp_path):
    fleet = replaced(FLEET, 'kind = "embedded"', 'kind = "embedded"\nurl = "http://127.0.0.1:8086"')
    (warning,) = _load(write(tmp_path, fleet=fleet)).warnings
    assert "store.url" in str(warning)
    assert "has no effect with kind = 'embedded'" in warning.what


EDGE = '\n[sparkplug]\ngroup = "north"\nedge = "quay edge"\n'


def _with_device(site: str, device: str = "plc 1") -> str:
    return replaced(site, "commissioned = 2019-05-02", f'sparkplug_device = "{device}"')


def test_a_site_may_speak_sparkplug(tmp_path):
    loaded = _load(write(tmp_path, site=_with_device(SITE) + EDGE))
    (site,) = loaded.sites
    assert site.sparkplug is not None
    assert (site.sparkplug.group, site.sparkplug.edge) == ("north", "quay edge")
    assert site.units[0].sparkplug_device == "plc 1"
    assert (loaded.sparkplug.request_rebirth, loaded.sparkplug.reorder_wait_s) == (False, 5.0)


@pytest.mark.parametrize(
    ("site", "match"),
    [
        (_with_device(SITE), r"sparkplug_device: the site has no edge node .* Add a \[sparkplug\]"),
        (_with_device(SITE, "a/b") + EDGE, r"sparkplug_device: .*one level of an MQTT topic"),
        (SITE + replaced(EDGE, "quay edge", "#"), r"sparkplug\.edge: .*one level of an MQTT topic"),
        (SITE + replaced(EDGE, 'group = "north"\n', ""), r"the key 'group' is missing"),
        (SITE + EDGE + "node = 1\n", r"the key 'node' is not known here"),
    ],
)
def test_what_cannot_be_of_sparkplug_is_told(tmp_path, site, match):
    with pytest.raises(ConfigurationFaults, match=match):
        _load(write(tmp_path, site=site))


def test_a_device_of_two_units_is_told(tmp_path):
    unit = _with_device(SITE)[SITE.index("[[units]]") :]
    site = _with_device(SITE) + replaced(unit, 'id = "ac-1"', 'id = "ac-77"') + EDGE
    with pytest.raises(
        ConfigurationFaults, match=r"units\[1\] \(ac-77\)\.sparkplug_device: .*units\[0\]"
    ):
        _load(write(tmp_path, site=site))


def test_an_edge_node_of_two_sites_is_told(tmp_path):
    directory = write(tmp_path, site=SITE + EDGE)
    second = replaced(SITE, 'id = "quay-cold-store"', 'id = "second"') + EDGE
    (directory / "sites" / "second.toml").write_text(second)
    with pytest.raises(
        ConfigurationFaults, match=r"second\.toml.*sparkplug\.edge: .*quay-cold-store\.toml"
    ):
        _load(directory)
