"""``basinward arrived``: newest values and refusals, from real stores, beside a running writer."""

import json
import time

import pytest
from config_fleet import ENVIRON, REAL_FLEET, REAL_SITE, write
from support.telemetry import batch
from typer.testing import CliRunner

from gateway.batch import Reason, Reject
from gateway.cli.app import app
from gateway.records import Records
from gateway.telemetry import TELEMETRY_FILE, EmbeddedStore
from gateway.wire.advice import ADVICE, explain
from rules.events import StepResult

RUNNER = CliRunner()
UNIT = ("quay-cold-store", "ac-1")


@pytest.fixture
def now_ms():
    return time.time_ns() // 1_000_000


@pytest.fixture
def fleet(tmp_path, monkeypatch):
    for name, value in ENVIRON.items():
        monkeypatch.setenv(name, value)
    return write(tmp_path / "fleet", fleet=REAL_FLEET, site=REAL_SITE)


@pytest.fixture
def writer(tmp_path, now_ms):
    """The data directory with the store still open for writing, as a running gateway has it."""
    data = tmp_path / "data"
    data.mkdir()
    records = Records(f"sqlite:///{data / 'records.sqlite'}")
    store = EmbeddedStore(data / TELEMETRY_FILE, {0: UNIT})
    old = {"conductivity": 905.0, "basin_level": 186.4}
    store.write(batch((0, now_ms - 200_000, old)))
    new = {"conductivity": 912.0, "fan_fault": 5.0, "wet_mode": 1.0}
    store.write(batch((0, now_ms - 75_000, new)))
    yield data, records, store
    store.close()
    records.close()


def _refuse(records, now_ms, *rejects):
    records.commit(records.committed_offset() + 1, StepResult(), rejects, now_ms)


def _reject(now_ms, reason=Reason.WRONG_UNIT, site=UNIT[0], unit=UNIT[1], topic=None):
    what = f"{reason.value} it was."
    topic = topic or f"sites/{site}/{unit}/senml"
    return Reject(now_ms, topic, reason, explain(reason, what), '{"n": "x"}', site, unit)


def _arrived(fleet, data, *arguments):
    return RUNNER.invoke(app, ["arrived", *arguments, "--fleet", str(fleet), "--data", str(data)])


def test_values_show_in_catalogue_units_with_their_age(fleet, writer):
    data, _, _ = writer
    result = _arrived(fleet, data, "quay-cold-store/ac-1")
    assert result.exit_code == 0, result.output
    lines = [line.split(maxsplit=1) for line in result.stdout.splitlines() if line[:2] == "  "]
    shown = dict(lines)
    assert list(shown) == ["signal", "basin_level", "conductivity", "fan_fault", "wet_mode"]
    assert shown["conductivity"].startswith("912 µS/cm  ")
    assert shown["basin_level"].startswith("186 mm  ")
    assert "3 min 2" in shown["basin_level"]
    assert "1 min 1" in shown["conductivity"]
    assert shown["fan_fault"].startswith("fans 1, 3 ")
    assert shown["wet_mode"].startswith("on ")
    assert "quay-cold-store/ac-1: newest sample 20" in result.stdout
    assert "Nothing in quarantine." in result.stdout


def test_what_a_running_gateway_writes_next_is_seen(fleet, writer, now_ms):
    data, _, store = writer
    _arrived(fleet, data, "quay-cold-store/ac-1")
    store.write(batch((0, now_ms, {"conductivity": 1333.0})))
    assert "1333 µS/cm" in _arrived(fleet, data, "quay-cold-store/ac-1").stdout


def test_a_fleet_of_one_unit_needs_no_name(fleet, writer):
    data, _, _ = writer
    assert "912 µS/cm" in _arrived(fleet, data).stdout


def test_a_larger_fleet_has_one_line_a_unit(fleet, writer):
    data, _, _ = writer
    (fleet / "sites" / "hill-dairy.toml").write_text(
        REAL_SITE.replace('id = "quay-cold-store"', 'id = "hill-dairy"')
    )
    lines = _arrived(fleet, data).stdout.splitlines()
    table = lines[lines.index(next(x for x in lines if x.startswith("site "))) + 1 :]
    assert table[0].split()[:2] == ["hill-dairy", "ac-1"]
    assert table[0].split()[2:] == ["never", "heard", "0"]
    assert table[1].split()[:2] == ["quay-cold-store", "ac-1"]
    assert table[1].endswith(" 4")
    one = _arrived(fleet, data, "hill-dairy").stdout
    assert "hill-dairy/ac-1: never heard." in one
    assert "912" not in one


def test_refusals_come_with_reason_and_advice_newest_first(fleet, writer, now_ms):
    data, records, _ = writer
    _refuse(records, now_ms, _reject(now_ms - 9_000_000), _reject(now_ms, Reason.NO_UNIT))
    text = _arrived(fleet, data).stdout
    newest = text.index("sites/quay-cold-store/ac-1/senml: no unit, once")
    assert newest < text.index("sites/quay-cold-store/ac-1/senml: wrong unit, once")
    assert ADVICE[Reason.NO_UNIT] in text
    assert ADVICE[Reason.WRONG_UNIT] in text
    assert '    It read: {"n": "x"}' in text
    cut = _arrived(fleet, data, "--limit", "1").stdout
    assert "wrong unit" not in cut
    assert "1 more rows; --limit shows more." in cut


def test_refusals_under_a_misspelt_topic_are_hinted_at(fleet, writer, now_ms):
    data, records, _ = writer
    stray = _reject(now_ms, Reason.UNREGISTERED, "my-stie", "ac-1")
    _refuse(records, now_ms, stray)
    one = _arrived(fleet, data, "quay-cold-store/ac-1").stdout
    assert "Nothing in quarantine." in one
    assert "Refused elsewhere: 1" in one
    assert "sites/my-stie/ac-1/senml: unregistered unit" in _arrived(fleet, data).stdout


def test_what_a_sensor_sent_does_not_steer_the_terminal(fleet, writer, now_ms):
    data, records, _ = writer
    _refuse(records, now_ms, _reject(now_ms, topic="sites/\x1b[2J/ac-1/senml"))
    assert "\x1b" not in _arrived(fleet, data).stdout


@pytest.mark.parametrize(
    ("status", "said"),
    [
        (None, "The gateway has not told yet how it is"),
        ({"broker_connected": True, "messages": 1, "age_ms": 0},
         "The gateway runs and is connected to the broker; 1 message since"),
        ({"broker_connected": False, "messages": 0, "age_ms": 0,
          "troubles": ["Nobody answers at 127.0.0.1:1."]},
         "Trouble: Nobody answers at 127.0.0.1:1."),
        ({"broker_connected": True, "messages": 7, "age_ms": 600_000},
         "The gateway does not run; its last sign of life was at"),
    ],
)  # fmt: skip
def test_how_the_gateway_is_comes_first(fleet, writer, now_ms, status, said):
    data, _, _ = writer
    if status is not None:
        times = {"now_ms": now_ms - status["age_ms"], "started_ms": now_ms - 700_000}
        (data / "status.json").write_text(json.dumps(status | times))
    assert said in "\n".join(_arrived(fleet, data).stdout.splitlines()[:2])


def test_json_holds_times_and_units(fleet, writer, now_ms):
    data, records, _ = writer
    _refuse(records, now_ms, _reject(now_ms))
    found = json.loads(_arrived(fleet, data, "--json").stdout)
    (unit,) = found["units"]
    assert unit["newest_ms"] == now_ms - 75_000
    assert unit["values"]["conductivity"] == {
        "time_ms": now_ms - 75_000, "value": 912.0, "unit": "µS/cm",
    }  # fmt: skip
    assert found["quarantine"][0]["reason"] == "wrong unit"
    assert found["gateway"] is None


def test_an_unknown_place_is_told_with_the_places_there_are(fleet, writer):
    data, _, _ = writer
    for place in ("nowhere", "quay-cold-store/ac-9"):
        result = _arrived(fleet, data, place)
        assert result.exit_code == 1
        assert f"There is no site or unit '{place}'" in result.stderr
        assert "quay-cold-store/ac-1" in result.stderr


def test_a_faulty_configuration_does_not_hide_what_is_stored(fleet, writer, monkeypatch):
    """Secrets of the gateway's own environment may be missing where a person looks."""
    data, _, _ = writer
    monkeypatch.delenv("MAIL_PASSWORD")
    from gateway.journal import SqliteJournal
    from gateway.unit_register import UnitRegister

    journal = SqliteJournal(data / "journal.sqlite")
    UnitRegister(journal).ensure([UNIT])
    result = _arrived(fleet, data)
    journal.close()
    assert result.exit_code == 0, result.output
    assert "basinward check lists them" in result.stderr
    assert "912 µS/cm" in result.stdout


def test_a_directory_without_records_ends_with_a_sentence(fleet, tmp_path):
    result = _arrived(fleet, tmp_path / "nothing")
    assert result.exit_code == 1
    assert "There are no records in" in result.stderr
    assert not (tmp_path / "nothing").exists()


def test_neither_directory_known_ends_with_a_sentence(tmp_path):
    result = _arrived(tmp_path / "a", tmp_path / "b")
    assert result.exit_code == 1
    assert "names a unit" in result.stderr


def test_a_damaged_store_ends_with_a_sentence(fleet, tmp_path):
    data = tmp_path / "data"
    data.mkdir()
    Records(f"sqlite:///{data / 'records.sqlite'}").close()
    (data / TELEMETRY_FILE).write_bytes(b"no database, but long enough to look at" * 30)
    result = _arrived(fleet, data)
    assert result.exit_code == 1
    assert "The telemetry store cannot be read" in result.stderr
    assert "Traceback" not in result.output
