"""``basinward tickets``: assign, arrive, leave, done, handback, attach, close, on real records."""

import json
from functools import partial

import pytest
from support.records import NOW_MS, open_records, raised, step
from typer.testing import CliRunner

from gateway.accounts.actors import How
from gateway.cli import ticket_ask
from gateway.cli.app import app
from gateway.records.ticket_data import HandBackSeen
from rules.events import ActionKind, Reading
from rules.handback import Answer, HandBackItem

RUNNER = CliRunner()
ITEMS = (
    HandBackItem("Fans proven", Answer.OK, "", Reading("Fans proven running", 4.0, "", 4.0)),
    HandBackItem(
        "Pump current", Answer.NOT_OK, "against what was learned when clean",
        Reading("Pump current", 2.1, "A", 2.9, 2.67, 3.25),
    ),
    HandBackItem("Head pressure", Answer.NOT_KNOWN, "signal not sent", None, sent=False),
)  # fmt: skip


@pytest.fixture
def run(tmp_path):
    """Runs a command on records with one open ticket of a fan."""
    records = open_records(tmp_path)
    records.commit(1, step(raised(NOW_MS)), [], NOW_MS)
    records.close()
    return partial(_run, tmp_path)


def _run(data, *arguments, code=0):
    result = RUNNER.invoke(app, ["tickets", "--data", str(data), *arguments])
    assert result.exit_code == code, result.output
    return result.stdout if code in {0, 1} and result.stdout else result.stderr


def _records(run):
    return open_records(run.args[0])


def test_the_way_from_assignment_to_close_out(run):
    assert run("assign", "1", "--to", "Ana", "--by", "Desk") == (
        "BW-000001: assigned to Ana by Desk.\n"
    )
    here = run("arrive", "1", "--by", "Ana", "--for", "90m")
    assert "the alarms of quay-cold-store/ac-1 are out of service for 90m" in here
    assert "It authorises nothing, and a stop from afar is never an isolation." in here
    shown = run("show", "1")
    assert "on site, locked out: Ana since" in shown
    assert "is no isolation" in shown
    assert "assigned to Ana" in shown
    assert [t["number"] for t in json.loads(run("--state", "on-site", "--json"))] == ["BW-000001"]
    done = run("done", "1", "--by", "Ana")
    assert "Before you leave: `basinward tickets handback BW-000001`" in done
    run("close", "1", "--by", "Ana", "--found", "Fan 2.")
    (ticket,) = json.loads(run("--state", "closed", "--json"))
    assert (ticket["state"], ticket["work_done_by"]) == ("closed", "Ana")
    records = _records(run)
    assert [a.kind for a in records.pending_actions()] == [
        ActionKind.ACKNOWLEDGE, ActionKind.OUT_OF_SERVICE, ActionKind.IN_SERVICE,
    ]  # fmt: skip
    records.close()


def test_who_leaves_says_so(run):
    run("arrive", "1", "--by", "Ana")
    run("arrive", "1", "--by", "Ben")
    assert run("leave", "1", "--by", "Ben") == (
        "BW-000001: Ben has left. The unit stays out of service: somebody else still works on it.\n"
    )
    assert "back in service" in run("leave", "1", "--by", "Ana", "--note", "Waits for a part.")


def test_another_says_who_has_left_and_that_he_is_clear(run):
    run("arrive", "1", "--by", "Ana")
    gone = ("leave", "1", "--by", "Rui", "--whom", "Ana")
    assert "Confirm that Ana is clear of the machine" in run(*gone, code=1)
    assert "Ana has left. The unit is back in service" in run(*gone, "--clear")
    records = _records(run)
    last = records.audit.entries()[0]
    records.close()
    assert (last.action, last.after["by"]) == ("left the site", "Rui")
    assert (last.after["whom"], last.after["is_clear"]) == ("Ana", True)


def test_who_leaves_hears_that_the_unit_stays_as_somebody_else_had_it(run):
    records = _records(run)
    records.request_action(
        ActionKind.OUT_OF_SERVICE, "quay-cold-store", "ac-1", by="Rui", note="Fan removed",
        now_ms=ticket_ask.now_ms(),
    )  # fmt: skip
    records.close()
    run("arrive", "1", "--by", "Ana")
    assert run("leave", "1", "--by", "Ana") == (
        "BW-000001: Ana has left. The unit stays out of service, as Rui had it before (Fan "
        "removed).\n"
    )


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (("done", "1", "--by", "Ana"), 1, "Report the arrival first"),
        (("leave", "1", "--by", "Ana"), 1, "Nobody has reported to be on site"),
        (("arrive", "1", "--by", "Ana", "--for", "soon"), 2, "Write 90m, 8h or 3d"),
        (("arrive", "1", "--by", "Ana", "--for", "3d"), 1, "no further than 24 h"),
        (("assign", "9", "--by", "A", "--to", "B"), 1, "There is no ticket '9'"),
        (("attach", "1", "absent.jpg", "--by", "A"), 2, "absent.jpg cannot be read"),
    ],
)
def test_what_is_refused_ends_with_a_sentence(run, arguments, code, words):
    assert words in run(*arguments, code=code)


def test_the_hand_back_is_shown_and_its_exit_code_tells(run):
    assert "was not handed back" in run("handback", "1", code=1)
    run("arrive", "1", "--by", "Ana")
    run("done", "1", "--by", "Ana")
    out = run("handback", "1", code=1)
    assert "still being checked" in out
    assert "has not looked yet" in out
    records = _records(run)
    for items, proven in ((ITEMS, False), (ITEMS[:1], True)):
        (waits,) = records.under_care()
        data = {"items": [i.to_json() for i in items], "proven": proven}
        now = ticket_ask.now_ms()
        records.note_hand_backs([HandBackSeen(waits, data, True, proven, "Checked.")], now)
        if not proven:
            lines = run("handback", "1", code=1).splitlines()
            assert lines[0].startswith("hand-back since ")
            assert "NOT all proven" in lines[0]
            assert [line.strip() for line in lines[1:]] == [
                "Fans proven: ok, 4 (4 expected)",
                "Pump current: not ok, 2.10 A (2.67 A to 3.25 A expected); against what was "
                "learned when clean",
                "Head pressure: not known (signal not sent)",
            ]
            shown = json.loads(run("show", "1", "--json"))["hand_back"]
            assert [i["answer"] for i in shown["items"]] == ["ok", "not ok", "not known"]
            records.arrive("BW-000001", by="Ana", now_ms=now)
            records.finish("BW-000001", by="Ana", now_ms=now + 1)
    records.close()
    assert ": proven " in run("handback", "1")


def test_a_close_out_part_by_part(run):
    run(
        "close", "1", "--by", "Ana", "--found", "Screen blocked.",
        "--part", "pump-screen | full of leaves | cleaned | gasket",
        "--part", "fans|in order||| Nothing found",
        "--reading", "pump-screen | spray_pressure | 58 | 84",
        "--reading", "Pump-Screen | noise | | 71 | dB",
    )  # fmt: skip
    shown = run("show", "1")
    assert "pump-screen: full of leaves; cleaned; used: gasket" in shown
    assert "spray_pressure: before 58 kPa after 84 kPa" in shown
    assert "noise: after 71 dB" in shown
    first, second = json.loads(run("show", "1", "--json"))["findings"]
    assert first["readings"][1] == {"what": "noise", "unit": "dB", "before": None, "after": 71.0}
    assert (second["part"], second["found"], second["done"]) == ("fans", "in order", "")
    assert (first["verdict"], second["verdict"]) == (None, "nothing found")
    assert "fans: in order (nothing found)" in shown


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--part", "roof | wet"), "There is no part 'roof'"),
        (("--part", "pump"), "has 1 fields, 2 to 5 are asked for"),
        (("--part", "pump | a | b | c | d | e"), "has 6 fields"),
        (("--part", "pump | a | b | c | perhaps"), "'perhaps' is no verdict on a part"),
        (("--reading", "pump | noise | loud"), "something else than a number"),
        (("--reading", "pump | noise | 3"), "There is a reading at 'pump', but no --part"),
        (("--part", "pump | x", "--reading", "pump | noise | | "), "needs a number"),
    ],
)
def test_a_part_that_cannot_be_meant_leaves_the_ticket_open(run, options, words):
    assert words in run("close", "1", "--by", "Ana", "--found", "x", *options, code=2)
    assert json.loads(run("--state", "open", "--json"))[0]["number"] == "BW-000001"


def test_a_photo_is_attached_and_listed(run, tmp_path):
    photo = tmp_path / "screen.jpg"
    photo.write_bytes(b"\xff\xd8\xff" + bytes(2045))
    assert run("attach", "1", str(photo), "--by", "Ana") == "BW-000001: attachment 1, 2 kB.\n"
    assert "attachment 1: screen.jpg (image/jpeg, 2 kB) by Ana" in run("show", "1")
    photo.write_bytes(b"<html>")
    assert "neither a photo" in run("attach", "1", str(photo), "--by", "Ana", code=1)


def test_every_act_stands_in_the_audit_trail_with_the_machines_user_and_before_and_after(
    run, tmp_path
):
    photo = tmp_path / "screen.pdf"
    photo.write_bytes(b"%PDF-1.7 a page")
    run("ack", "1", "--by", "Desk")
    run("assign", "1", "--to", "Ana", "--by", "Desk", "--note", "Today")
    run("arrive", "1", "--by", "Ana", "--for", "90m")
    run("leave", "1", "--by", "Ana")
    run("arrive", "1", "--by", "Ana")
    run("attach", "1", str(photo), "--by", "Ana")
    run("done", "1", "--by", "Ana")
    run("close", "1", "--by", "Ana", "--found", "Fan 2.", "--cleaned", "fans")
    run("close", "1", "--by", "Eve", "--found", "Again.", code=1)
    records = _records(run)
    trail = records.audit.entries()[::-1]
    records.close()
    assert [(e.action, e.after["by"]) for e in trail] == [
        ("acknowledgement asked for", "Desk"), ("ticket assigned", "Desk"), ("on site", "Ana"),
        ("left the site", "Ana"), ("on site", "Ana"), ("file attached", "Ana"),
        ("work done", "Ana"), ("ticket closed", "Ana"),
    ]  # fmt: skip
    assert {(e.subject, e.actor.how) for e in trail} == {("BW-000001", How.COMMAND)}
    assert len({e.actor.account for e in trail}) == 1
    assert trail[0].actor.account
    states = [(e.before["state"], e.after["state"]) for e in trail[1:3]]
    assert states == [("open", "assigned"), ("assigned", "on site")]
    assert trail[1].after["note"] == "Today"
    assert trail[5].after["name"] == "screen.pdf"
    assert (trail[-1].after["finding"], trail[-1].after["cleaned"]) == ("Fan 2.", "fans")
    assert trail[-1].after["state"] == "closed"
