"""A backup of a gateway at work is one state from which another goes on, or it is refused."""

from __future__ import annotations

import io
import json
import random
import stat
import tarfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy.engine import URL, make_url
from support.fleet_files import write_fleet
from support.records import NOW_MS, ROUTING, UNITS
from support.small_gateway import SmallGateway

from gateway import sqlite_copy
from gateway.accounts.actors import Actor, How
from gateway.backup import BackupError, make_backup, restore
from gateway.backup import make as making
from gateway.backup.manifest import MANIFEST, allowed
from gateway.cli import main
from gateway.data_directory import RECORDS_FILE
from gateway.records import moving
from gateway.records.rows import OutboxState
from gateway.snapshot import SnapshotFiles
from gateway.store_reader import STORE_READER
from gateway.tickets.life import LifeSettings
from rules.events import Action, ActionKind


@pytest.fixture
def new_url(new_records_url: Callable[[], URL]) -> Callable[[], str]:
    """URLs of fresh databases as people write them."""
    return lambda: new_records_url().render_as_string(hide_password=False)


@pytest.fixture
def on_server(server_url: URL) -> str:
    """The URL of a fresh database on a server."""
    return server_url.render_as_string(hide_password=False)


@pytest.fixture
def gateway(tmp_path: Path) -> Iterator[SmallGateway]:
    """A gateway that has seen a minute, and has a snapshot and a trimmed journal."""
    gateway = SmallGateway(tmp_path / "data")
    gateway.receive(0, 20).judge().keep().snapshot_and_trim()
    gateway.receive(20, 40).judge().keep().snapshot_and_trim()
    gateway.receive(40, 60).judge().keep()
    yield gateway
    gateway.close()


@pytest.fixture
def backup(gateway: SmallGateway, tmp_path: Path) -> Path:
    fleet = write_fleet(tmp_path / "fleet", broker_port=1883, mail_port=1025)
    make_backup(tmp_path / "b.tar", gateway.data, gateway.url, fleet)
    return tmp_path / "b.tar"


def names_in(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir())


def undisturbed(folder: Path, seconds: int) -> SmallGateway:
    return SmallGateway(folder / "undisturbed").receive(0, seconds).judge().keep()


# --- going on --------------------------------------------------------------------------------


def test_a_restored_gateway_goes_on_as_if_nothing_had_happened(
    new_url: Callable[[], str], tmp_path: Path
) -> None:
    """On each kind of database, with samples that were journalled and neither judged nor stored."""
    url = new_url()
    lost = SmallGateway(tmp_path / "data", url)
    lost.receive(0, 20).judge().keep().snapshot_and_trim()
    lost.receive(20, 40).judge().keep().snapshot_and_trim()
    lost.receive(40, 50).judge().receive(50, 60)
    manifest = make_backup(tmp_path / "b.tar", lost.data, url)
    assert manifest.offsets.snapshot == 80
    assert (manifest.offsets.records, manifest.offsets.store) == (100, 80)
    assert manifest.offsets.journal_last == 120
    assert manifest.offsets.journal_first > 1
    lost.receive(60, 90).judge().keep()  # what comes after the backup is lost with the gateway
    lost.close()

    other = new_url()
    restore(tmp_path / "b.tar", tmp_path / "new", None, other)
    went_on = SmallGateway(tmp_path / "new", other)
    assert went_on.rules.offset == 100
    went_on.receive(60, 90).judge().keep()
    expected = undisturbed(tmp_path, 90)
    assert went_on.story() == expected.story()
    assert went_on.samples() == expected.samples()
    assert went_on.engine.snapshot() == expected.engine.snapshot()
    assert [t.number for t in went_on.records.tickets()] == [
        t.number for t in expected.records.tickets()
    ]
    went_on.close()
    expected.close()


def test_a_gateway_that_works_on_between_the_copies_leaves_a_state_that_joins(
    gateway: SmallGateway, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between any two copies it judges, stores, saves snapshots and trims: once, then it idles."""
    at = [60]
    busy = [True]

    def work_on() -> None:
        if busy[0]:
            gateway.receive(at[0], at[0] + 5).judge().keep().snapshot_and_trim()
            gateway.receive(at[0] + 5, at[0] + 10).judge().keep().snapshot_and_trim()
            at[0] += 10

    copy_records, copy_file = moving.copy_records, sqlite_copy.copy_sqlite
    records_copied: list[int] = []

    def copy_records_busily(url: str, target: Path) -> None:
        work_on()
        copy_records(url, target)
        work_on()
        records_copied.append(at[0])
        busy[0] = len(records_copied) < 2  # the second time the journal is not trimmed meanwhile

    def copy_file_busily(source: Path, target: Path) -> None:
        copy_file(source, target)
        gateway.receive(at[0], at[0] + 5).judge().keep()
        at[0] += 5

    monkeypatch.setattr(making, "copy_records", copy_records_busily)
    monkeypatch.setattr(making, "copy_sqlite", copy_file_busily)
    manifest = make_backup(tmp_path / "b.tar", gateway.data, gateway.url)
    assert len(records_copied) == 3, "twice the journal had been trimmed beyond the snapshots"
    offsets = manifest.offsets
    assert offsets.snapshot is not None
    assert offsets.journal_first - 1 <= offsets.snapshot <= offsets.records <= offsets.journal_last
    assert manifest.notes == ()
    restore(tmp_path / "b.tar", tmp_path / "new")
    went_on = SmallGateway(tmp_path / "new")
    stored = went_on.journal.reader_offset(STORE_READER)
    seconds = stored // 2
    assert all(set(times) >= set(_times(seconds)) for times in went_on.samples())
    went_on.judge().keep()
    expected = undisturbed(tmp_path, went_on.journal.last_offset // 2)
    assert went_on.story() == expected.story()
    went_on.close()
    expected.close()


def _times(seconds: int) -> list[int]:
    return [NOW_MS + 1000 * at for at in range(seconds)]


def test_what_waited_is_sent_under_its_own_identifier_and_new_tickets_get_others(
    gateway: SmallGateway, tmp_path: Path
) -> None:
    before = gateway.records.outbox()
    assert {m.state for m in before} <= {OutboxState.PENDING, OutboxState.HELD}
    make_backup(tmp_path / "b.tar", gateway.data, gateway.url)
    restore(tmp_path / "b.tar", tmp_path / "new")
    went_on = SmallGateway(tmp_path / "new")
    after = went_on.records.outbox()
    assert [m.message_id for m in after] == [m.message_id for m in before]
    assert all(m.possibly_duplicate for m in after)
    assert went_on.records.installation != gateway.records.installation
    went_on.close()


def new_tickets(gateway: SmallGateway, start: int) -> set[str]:
    """The numbers of the tickets that the next seconds bring, once all others are closed."""
    records = gateway.records
    records.route(ROUTING, LifeSettings(reopen_within_ms=0))
    before = records.tickets()
    for ticket in before:
        if ticket.closed_ms is None:
            at_ms = NOW_MS + 1000 * start
            records.close_ticket(ticket.number, by="Ana", finding="Dirt.", now_ms=at_ms)
    gateway.receive(start, start + 20).judge()
    found = {t.number for t in records.tickets()} - {t.number for t in before}
    assert found
    return found


def test_no_number_of_a_ticket_comes_twice_however_often_something_is_restored(
    new_url: Callable[[], str], tmp_path: Path
) -> None:
    """The lost gateway gives numbers after the backup, and so does each that follows it."""
    url, other = new_url(), new_url()
    lost = SmallGateway(tmp_path / "data", url)
    known = new_tickets(lost, 0)
    make_backup(tmp_path / "b.tar", lost.data, url)
    known |= new_tickets(lost, 20)
    lost.close()

    _, beyond = restore(tmp_path / "b.tar", tmp_path / "new", None, other)
    first = SmallGateway(tmp_path / "new", other)
    numbers = new_tickets(first, 20)
    assert min(numbers) == f"BW-{beyond + 1:06d}"
    assert not numbers & known
    known |= numbers
    make_backup(tmp_path / "c.tar", first.data, other)
    known |= new_tickets(first, 40)
    first.close()

    _, further = restore(tmp_path / "c.tar", tmp_path / "newer")
    second = SmallGateway(tmp_path / "newer")
    numbers = new_tickets(second, 40)
    assert min(numbers) == f"BW-{further + 1:06d}"
    assert not numbers & known
    second.close()


def test_the_longer_ago_the_backup_the_further_on_its_numbers_go(
    gateway: SmallGateway, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    manifest = make_backup(tmp_path / "b.tar", gateway.data, gateway.url)
    gaps = []
    for days in (0, 1, 30, -1):
        now_s = manifest.made_ms / 1000 + days * 86_400
        monkeypatch.setattr(time, "time", lambda now_s=now_s: now_s)
        gaps.append(restore(tmp_path / "b.tar", tmp_path / f"after {days} days")[1])
    at_once, after_a_day, after_a_month, clock_behind = gaps
    assert at_once == clock_behind > 10_000
    assert after_a_day - at_once == pytest.approx(24 * 60 * 10, abs=1000)
    assert after_a_month - at_once == pytest.approx(30 * 24 * 60 * 10, abs=1000)
    _, told = restore(tmp_path / "b.tar", tmp_path / "told", numbers_beyond=765_432)
    assert told == 766_000


def test_a_new_request_never_has_the_number_of_one_that_only_the_journal_knows(
    new_url: Callable[[], str], tmp_path: Path
) -> None:
    """It would be taken for that one, which was applied long ago, and passed over."""
    url = new_url()
    lost = SmallGateway(tmp_path / "data", url)
    lost.journal.append([Action(41, ActionKind.ACKNOWLEDGE, 0, "level-frozen", NOW_MS, "R")], 1)
    make_backup(tmp_path / "b.tar", lost.data, url)
    lost.close()
    other = new_url()
    restore(tmp_path / "b.tar", tmp_path / "new", None, other)
    went_on = SmallGateway(tmp_path / "new", other)
    number = went_on.records.request_action(
        ActionKind.ACKNOWLEDGE, *next(iter(UNITS)), by="Ana", fault="level-frozen", now_ms=NOW_MS
    )
    assert number == 42
    went_on.close()


def test_records_move_from_a_file_to_a_server_and_back(
    on_server: str, gateway: SmallGateway, backup: Path, tmp_path: Path
) -> None:
    restore(backup, tmp_path / "on-server", None, on_server)
    assert not (tmp_path / "on-server" / RECORDS_FILE).exists()
    moved = SmallGateway(tmp_path / "on-server", on_server)
    assert moved.story() == gateway.story()
    moved.receive(60, 70).judge()  # new rows get numbers of their own
    manifest = make_backup(tmp_path / "back.tar", moved.data, on_server)
    assert any(
        f"{make_url(on_server).database}); here they are a file" in n for n in manifest.notes
    )
    story = moved.story()
    moved.close()
    restore(tmp_path / "back.tar", tmp_path / "in-file")
    in_file = SmallGateway(tmp_path / "in-file")
    assert in_file.story() == story
    in_file.receive(70, 80).judge()
    assert len(in_file.story()) > len(story)
    in_file.close()


# --- what is in it ---------------------------------------------------------------------------


def test_settings_are_in_it_and_passwords_are_not(gateway: SmallGateway, tmp_path: Path) -> None:
    fleet = write_fleet(tmp_path / "fleet", broker_port=1883, mail_port=1025)
    (fleet / "mail-password").write_text("hush-hush-4")
    (gateway.data / "watch.json").write_text("[]")  # what the gateway has told of itself
    (fleet / "sites" / "key.pem").write_text("hush-hush-4")
    target = tmp_path / "b.tar"
    make_backup(target, gateway.data, gateway.url, fleet)
    assert b"hush-hush-4" not in target.read_bytes()
    assert stat.S_IMODE(target.stat().st_mode) == 0o600
    restore(target, tmp_path / "new", tmp_path / "new-fleet")
    new = tmp_path / "new-fleet"
    kept = sorted(
        p.relative_to(tmp_path / "new-fleet") for p in (tmp_path / "new-fleet").rglob("*.toml")
    )
    assert (tmp_path / "new" / "watch.json").read_text() == "[]"
    assert [str(p) for p in kept] == [
        "fleet.toml", "oncall.toml", "sites/hill-dairy.toml", "sites/quay-cold-store.toml",
    ]  # fmt: skip
    for path in kept:
        assert (new / path).read_bytes() == (fleet / path).read_bytes()


def test_samples_on_a_server_are_pointed_out(gateway: SmallGateway, tmp_path: Path) -> None:
    gateway.store.close()
    (gateway.data / "telemetry.sqlite").unlink()
    fleet = write_fleet(
        tmp_path / "fleet", broker_port=1883, mail_port=1025, influx_url="http://127.0.0.1:8086"
    )
    manifest = make_backup(tmp_path / "b.tar", gateway.data, gateway.url, fleet)
    assert any("http://127.0.0.1:8086" in n and "own tool" in n for n in manifest.notes)


# --- what is refused -------------------------------------------------------------------------


def test_nothing_is_overwritten(
    gateway: SmallGateway, backup: Path, tmp_path: Path, on_server: str
) -> None:
    with pytest.raises(BackupError, match=r"b\.tar exists and is not overwritten"):
        make_backup(backup, gateway.data, gateway.url)
    with pytest.raises(BackupError, match=r"is not empty \(it holds journal\.sqlite\)"):
        restore(backup, gateway.data)
    with pytest.raises(BackupError, match=r"is not empty \(it holds fleet\.toml\)"):
        restore(backup, tmp_path / "new", tmp_path / "fleet")
    assert not (tmp_path / "new").exists()
    restore(backup, tmp_path / "first", None, on_server)
    with pytest.raises(BackupError, match="holds records already"):
        restore(backup, tmp_path / "second", tmp_path / "second-fleet", on_server)
    assert not (tmp_path / "second-fleet").exists()
    assert names_in(tmp_path / "second") == ["gateway.lock"]


def test_a_backup_with_any_byte_changed_puts_nothing_in_place(backup: Path, tmp_path: Path) -> None:
    whole = backup.read_bytes()
    with tarfile.open(backup) as tar:
        inside = [
            (m.offset_data, m.offset_data + m.size) for m in tar.getmembers() if m.name != MANIFEST
        ]
    rng = random.Random(1)
    for number, (start, stop) in enumerate(inside):
        damaged = bytearray(whole)
        damaged[rng.randrange(start, stop)] ^= 1 << rng.randrange(8)
        backup.write_bytes(damaged)
        with pytest.raises(BackupError, match="size or checksum differs"):
            restore(backup, tmp_path / f"new-{number}")
        assert names_in(tmp_path / f"new-{number}") == ["gateway.lock"]


@pytest.mark.parametrize("share", [0.0, 0.001, 0.5, 0.9])
def test_a_backup_that_was_cut_off_is_refused(backup: Path, tmp_path: Path, share: float) -> None:
    whole = backup.read_bytes()
    backup.write_bytes(whole[: int(share * len(whole))])
    with pytest.raises(BackupError, match="Take another copy"):
        restore(backup, tmp_path / "new")
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize(
    "name",
    ["../x", "/etc/passwd", "data/../../x", "data/x", "fleet/sites/../../x.toml", "fleet/a/b.toml",
     "fleet/sites/..toml", "data/journal.sqlite/x", "status.json"],
)  # fmt: skip
def test_no_file_of_another_name_is_ever_taken_out(backup: Path, tmp_path: Path, name: str) -> None:
    assert not allowed(name)
    _edit(backup, lambda manifest: manifest["files"].append([name, 1, "00"]), {name: b"x"})
    with pytest.raises(BackupError, match="as no backup does"):
        restore(backup, tmp_path / "new")
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("records", "9999", "records of revision 9999"),
        ("journal", 99, "a journal of form 99"),
        ("telemetry", 99, "telemetry of layout 99"),
    ],
)
def test_a_backup_of_a_newer_version_is_refused(
    backup: Path, tmp_path: Path, key: str, value: object, words: str
) -> None:
    _edit(backup, lambda manifest: manifest["versions"].update({key: value}))
    with pytest.raises(BackupError, match=rf"made by a newer version.*{words}"):
        restore(backup, tmp_path / "new")
    assert not (tmp_path / "new").exists()


def _edit(
    backup: Path,
    change: Callable[[Any], object],
    more: dict[str, bytes] | None = None,
) -> None:
    with tarfile.open(backup) as tar:
        files = {m.name: tar.extractfile(m) for m in tar.getmembers()}
        members = {name: file.read() for name, file in files.items() if file is not None}
    manifest = json.loads(members[MANIFEST])
    change(manifest)
    members |= (more or {}) | {MANIFEST: json.dumps(manifest).encode()}
    with tarfile.open(backup, "w") as tar:
        for name, data in members.items():
            info = tarfile.TarInfo(name)
            info.size = len(data)
            tar.addfile(info, io.BytesIO(data))


def test_a_backup_that_fails_leaves_nothing(
    gateway: SmallGateway, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device", "b.tar")

    monkeypatch.setattr(making, "_publish", full)
    with pytest.raises(BackupError, match=r"No space left.*room for the data twice"):
        make_backup(tmp_path / "b.tar", gateway.data, gateway.url)
    assert names_in(tmp_path) == ["data"]


# --- commands --------------------------------------------------------------------------------


def test_the_commands_say_what_was_done_and_what_to_mind(
    gateway: SmallGateway, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    fleet = write_fleet(tmp_path / "fleet", broker_port=1883, mail_port=1025)
    options = ["--fleet", str(fleet), "--data", str(gateway.data)]
    target = str(tmp_path / "b.tar")
    assert main(["backup", target, *options]) == 0
    assert "judged up to 120, stored up to 120" in capsys.readouterr().out
    assert main(["backup", target, *options]) == 1
    assert "is not overwritten" in capsys.readouterr().err
    assert main(["restore", target, "--data", str(tmp_path / "new")]) == 0
    said = capsys.readouterr().out
    assert "the gateway as of 2026-" in said
    assert "--fleet DIR puts them back" in said
    assert [s.offset for s in SnapshotFiles(tmp_path / "new").load()] == [80, 40]
    assert main(["backup", target, "--data", str(tmp_path), "--fleet", str(fleet)]) == 1
    assert main(["restore", str(fleet / "fleet.toml"), "--data", str(tmp_path / "no")]) == 1
    assert "is no backup" in capsys.readouterr().err


def test_accounts_and_the_trail_come_back_but_nobody_is_signed_in_by_a_backup(
    new_url: Callable[[], str], tmp_path: Path
) -> None:
    """What ended since the backup was made must not begin again by it."""
    gateway = SmallGateway(tmp_path / "data", new_url())
    gateway.receive(0, 10).judge().keep()
    root, accounts = Actor("root", "root", How.COMMAND), gateway.records.accounts
    accounts.add("rui", "Rui Prata", "hash", ["view"], root, NOW_MS)
    rui = accounts.get("rui")
    assert rui is not None
    accounts.begin_session(rui, "k", root, NOW_MS, browser="", idle_ms=10**9, longest_ms=10**9)
    accounts.add_token("rui", "figures", "t", ["view"], NOW_MS + 10**9, root, NOW_MS)
    fleet = write_fleet(tmp_path / "fleet", broker_port=1883, mail_port=1025)
    make_backup(tmp_path / "b.tar", gateway.data, gateway.url, fleet)
    trail = gateway.records.audit.entries()
    url = new_url()
    restore(tmp_path / "b.tar", tmp_path / "again", tmp_path / "fleet-again", url)
    again = SmallGateway(tmp_path / "again", url)
    assert again.records.accounts.get("rui") == rui
    assert again.records.accounts.session("k") is None
    assert accounts.session("k") is not None
    assert again.records.accounts.token("t") == accounts.token("t")
    assert again.records.audit.entries() == trail
    again.records.accounts.add("eva", "Eva", "", ["view"], root, NOW_MS)
    assert again.records.audit.entries(limit=1)[0].id == len(trail) + 1
    again.close()
    gateway.close()
