"""Where the records are: named in fleet.toml, noted for commands; the password is never written."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from sqlalchemy.engine import URL, make_url
from support.fleet_files import write_fleet
from support.postgres import PASSWORD, USER, PostgresServer
from support.records import NOW_MS, open_records, raised, step

from gateway.cli import main
from gateway.config import ConfigurationFaults, load
from gateway.records import Records
from gateway.records_place import (
    PLACE_FILE,
    RecordsPlace,
    RecordsPlaceError,
    note_place,
    noted_url,
)


def fleet_with(folder: Path, table: str) -> Path:
    fleet = write_fleet(folder / "fleet", broker_port=1883, mail_port=1025)
    path = fleet / "fleet.toml"
    path.write_text(path.read_text() + f"\n[records]\n{table}\n")
    return fleet


def test_fleet_toml_names_the_server_and_a_file_holds_the_password(tmp_path: Path) -> None:
    odd = "p@ss/w:rd%#é"
    (tmp_path / "secret").write_text(odd + "\n")
    (tmp_path / "secret").chmod(0o600)
    fleet = fleet_with(
        tmp_path,
        'url = "postgresql://db.north.example:5433/basinward?sslmode=require"\n'
        'username = "bw@north"\npassword_file = "../secret"',
    )
    place = load(fleet, {}).records
    url = make_url(place.database_url)
    assert (url.username, url.password, url.host, url.port, url.database) == (
        "bw@north", odd, "db.north.example", 5433, "basinward",
    )  # fmt: skip
    assert url.query == {"sslmode": "require"}
    assert odd not in repr(place)
    note_place(tmp_path, place)
    assert odd not in (tmp_path / PLACE_FILE).read_text()
    assert noted_url(tmp_path) == place.database_url
    note_place(tmp_path, RecordsPlace())
    assert noted_url(tmp_path) == ""


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ('url = "postgresql://a:b@db.example/x"', "Take the name and password out of the address"),
        ('url = "mysql://db.example/x"', "records.url"),
        ('url = "postgresql://db.example/x"\npassword = "b"', "password_file"),
        ('url = "postgresql://db.example/x"\npassword_env = "ABSENT"', "is not set"),
        (
            'url = "postgresql://db.example/x"\npassword_env = "SET"',
            "a password, but no username",
        ),
    ],
)
def test_a_table_that_cannot_be_meant_is_a_fault(tmp_path: Path, table: str, words: str) -> None:
    with pytest.raises(ConfigurationFaults) as caught:
        load(fleet_with(tmp_path, table), {"SET": "x"})
    assert words in str(caught.value)


def test_commands_find_the_records_that_the_gateway_has_noted(
    server_url: URL,
    postgres: PostgresServer,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    records = open_records(server_url)
    records.commit(1, step(raised(NOW_MS)), [], NOW_MS)
    records.close()
    plain = f"postgresql://127.0.0.1:{postgres.port}/{server_url.database}"
    note_place(tmp_path, RecordsPlace(plain, USER, PASSWORD, password_env="RECORDS_PASSWORD"))
    monkeypatch.setitem(os.environ, "RECORDS_PASSWORD", PASSWORD)
    assert main(["tickets", "--data", str(tmp_path)]) == 0
    assert "BW-000001" in capsys.readouterr().out
    monkeypatch.setitem(os.environ, "RECORDS_PASSWORD", "wrong-5")
    assert main(["tickets", "--data", str(tmp_path)]) == 1
    said = capsys.readouterr().err
    assert "check user and password" in said
    assert "wrong-5" not in said


def test_a_note_that_cannot_be_used_says_what_to_do(tmp_path: Path) -> None:
    note_place(tmp_path, RecordsPlace("postgresql://h/d", "u", password_file="/absent"))
    with pytest.raises(RecordsPlaceError, match="Run the command as the gateway's user"):
        noted_url(tmp_path)
    (tmp_path / PLACE_FILE).write_text("{")
    with pytest.raises(RecordsPlaceError, match="--records URL"):
        noted_url(tmp_path)


def test_a_url_given_by_hand_counts_first(tmp_path: Path) -> None:
    note_place(tmp_path, RecordsPlace("postgresql://absent.example/d"))
    url = f"sqlite:///{tmp_path / 'other.sqlite'}"
    Records(url).close()
    assert main(["tickets", "--data", str(tmp_path), "--records", url]) == 0
