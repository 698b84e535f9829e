"""What programs do by the API: with which scope, on what they have seen; what the trail says."""

from __future__ import annotations

import hashlib
import sqlite3
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace

import anyio
import pytest
from starlette.testclient import TestClient
from support.shown_api import ROOT, ShownApi, is_problem
from support.shown_board import ANA, board_of, client

from gateway.accounts.keys import kept
from gateway.board.api.terms import at
from gateway.board.app import make_app
from gateway.board.limits import RequestLimit, upload_limit
from gateway.data_directory import RECORDS_FILE
from gateway.overview.source import Names
from gateway.records.engines import engine_for
from gateway.records.session import RecordsUnavailable
from rules.events import ActionKind


def alarm(api: ShownApi, token: str) -> dict[str, str]:
    item = api.get("alarms", token).json()["items"][0]
    return {name: item[name] for name in ("site", "unit", "fault", "seen")}


def test_alarms_are_acknowledged_once_and_the_trail_says_by_what(api):
    token = api.token("view", "operate")
    body = {"act": "acknowledge", "alarms": [alarm(api, token)], "note": "Seen"}
    done = api.post("alarms/acts", body, token)
    assert done.status_code == 200
    assert done.json()["recorded"] == 1
    (action,) = api.records.pending_actions()
    assert (action.kind, action.by, action.note) == (ActionKind.ACKNOWLEDGE, "Rui Prata", "Seen")
    entry = api.records.audit.entries()[0]
    assert (entry.action, entry.actor.how.value, entry.actor.account) == (
        "alarm: acknowledge", "token", "rui",
    )  # fmt: skip
    number = entry.actor.token.partition(":")[0]
    assert entry.actor.token == f"{number}: tests", "which token it was, and what it is for"
    assert [str(t.id) for t in api.records.accounts.tokens()] == [number]
    assert token not in str(entry)
    assert entry.before["state"] == "Unacknowledged"
    assert entry.after["note"] == "Seen"
    again = api.post("alarms/acts", body, token)
    assert "Rui Prata has just asked for it" in is_problem(again, 409)
    api.fleet.apply()
    late = api.post("alarms/acts", body, token)
    assert "it has changed since you looked" in is_problem(late, 409)
    assert len(api.records.audit.entries()) == len(
        [e for e in api.records.audit.entries() if e.id <= entry.id]
    )
    items = api.get("audit", api.token("administer", account="ida")).json()["items"]
    assert {(i["how"], i["token"]) for i in items} == {
        ("command", ""), ("token", entry.actor.token),
    }  # fmt: skip


@contextmanager
def held(api: ShownApi) -> Iterator[None]:
    """Another program holds the write lock of the records, and nobody waits for it long."""
    waits = api.records._database._writer
    hasty = engine_for(api.records._database.url, 50).execution_options(writes=True)
    other = sqlite3.connect(api.fleet.where / RECORDS_FILE, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    api.records._database._writer = hasty
    try:
        yield
    finally:
        other.execute("ROLLBACK")
        other.close()
        api.records._database._writer = waits
        hasty.dispose()


def at_once(api: ShownApi, token: str, path: str, bodies: list[dict], **headers: str) -> list[int]:
    """Statuses of requests of which each was about to write before any of them could."""
    app, entered, acting = api.app, threading.Semaphore(0), api.board.acting

    def counted(request):
        entered.release()
        return acting(request)

    def send(body: dict) -> int:
        shown = headers | {"Authorization": f"Bearer {token}"}
        one = TestClient(app, base_url="https://board.example")
        return int(one.post(f"/api/1/{path}", json=body, headers=shown).status_code)

    api.board.acting = counted
    try:
        with ThreadPoolExecutor(len(bodies)) as threads:
            with api.records.audit.acting(ROOT, api.fleet.now_ms):  # nobody else writes meanwhile
                sent = [threads.submit(send, body) for body in bodies]
                for _ in bodies:
                    assert entered.acquire(timeout=60)
            return [one.result(60) for one in sent]
    finally:
        del api.board.acting


def test_of_those_who_act_on_one_alarm_at_once_one_is_recorded(api):
    token = api.token("view", "operate")
    body = {"act": "acknowledge", "alarms": [alarm(api, token)]}
    until = "2026-07-03T18:00:00+02:00"
    shelf = body | {"act": "shelve", "note": "Part on order", "until": until}
    codes = at_once(api, token, "alarms/acts", [body, shelf] * 2)
    assert sorted(codes) == [200, 409, 409, 409]
    assert len(api.records.pending_actions()) == 1
    assert len([e for e in api.records.audit.entries() if e.action.startswith("alarm: ")]) == 1
    other = shelf if api.records.pending_actions()[0].kind is ActionKind.ACKNOWLEDGE else body
    late = api.post("alarms/acts", other, token)
    assert "Rui Prata has just asked for another act" in is_problem(late, 409)


def test_alarms_are_acted_on_each_by_itself_in_one_transaction(api):
    token = api.token("view", "operate")
    items = api.get("alarms", token).json()["items"]
    both = [{name: one[name] for name in ("site", "unit", "fault", "seen")} for one in items]
    stale = [both[0], both[1] | {"seen": "1"}]
    done = api.post("alarms/acts", {"act": "acknowledge", "alarms": stale}, token)
    assert done.status_code == 200
    assert [one["recorded"] for one in done.json()["items"]] == [True, False]
    assert "it has changed since you looked" in done.json()["items"][1]["why"]


def test_shelving_needs_a_reason_and_an_end(api):
    token = api.token("view", "operate")
    body = {"act": "shelve", "alarms": [alarm(api, token)]}
    assert "Give a reason" in is_problem(api.post("alarms/acts", body, token), 422)
    body |= {"note": "Part on order"}
    assert "for how long" in is_problem(api.post("alarms/acts", body, token), 422)
    past = body | {"until": "2020-01-01T00:00:00Z"}
    assert "must lie ahead" in is_problem(api.post("alarms/acts", past, token), 422)
    # RFC 3339, section 5.8: the offset is what it says
    until = body | {"until": "2026-07-03T18:00:00+02:00"}
    assert api.post("alarms/acts", until, token).status_code == 200
    (action,) = api.records.pending_actions()
    assert action.until_ms == 1_783_094_400_000  # date -u -d 2026-07-03T16:00:00Z +%s000


def test_no_shelf_is_taken_that_the_rules_would_end_sooner(api):
    """README, Alarms: a shelf lasts a week at most, or as longest_shelf_s says."""
    token = api.token("view", "operate")
    body = {"act": "shelve", "alarms": [alarm(api, token)], "note": "Part on order"}
    week_ms = 7 * 86_400_000

    def until(ms: int) -> dict[str, str]:
        return {"until": at(api.fleet.now_ms + ms).isoformat()}

    long = api.post("alarms/acts", body | {"until": "9998-01-01T00:00:00Z"}, token)
    assert "a shelf lasts 7 days at most (longest_shelf_s)" in is_problem(long, 409)
    is_problem(api.post("alarms/acts", body | until(week_ms + 120_000), token), 409)
    assert api.records.pending_actions() == []
    assert api.post("alarms/acts", body | until(week_ms + 30_000), token).status_code == 200
    (action,) = api.records.pending_actions()
    assert action.until_ms == api.fleet.now_ms + week_ms, "as the rules end it"


def test_the_longest_shelf_is_as_the_unit_then_the_site_then_the_fleet_says(api):
    names = api.fleet.source.names
    (site, unit), *_ = names.units
    assert names.longest_shelf_ms(site, unit) == 7 * 86_400_000
    files = replace(api.fleet.configuration, settings={"fleet": {"longest_shelf_s": 7200.0}})
    assert Names(files).longest_shelf_ms(site, unit) == 7_200_000
    plate = names.sites[site]
    own = plate.units[0].model_copy(update={"settings": {"fleet": {"longest_shelf_s": 3600.0}}})
    changed = plate.model_copy(update={"units": (own, *plate.units[1:])})
    files = replace(files, sites=(changed,))
    assert Names(files).longest_shelf_ms(site, unit) == 3_600_000
    assert Names(files).longest_shelf_ms(site, plate.units[1].id) == 7_200_000


def test_a_unit_goes_out_of_service_and_comes_back(api):
    token = api.token("view", "operate")
    site, unit = next(iter(api.fleet.rows))
    path = f"sites/{site}/units/{unit}/acts"
    assert api.post(path, {"act": "out-of-service", "note": "Work"}, token).status_code == 200
    assert api.post(path, {"act": "in-service"}, token).status_code == 200
    is_problem(api.post(f"sites/{site}/units/none/acts", {"act": "in-service"}, token), 404)


def test_a_ticket_is_reported_on_only_as_it_was_seen(api):
    token = api.token("view", "operate")
    number = api.records.tickets()[0].number
    path = f"tickets/{number}/acts"
    read = api.get(f"tickets/{number}", token)
    seen = {"If-Match": read.headers["etag"]}
    note = {"act": "note", "note": "Called the site."}
    assert "If-Match" in is_problem(api.post(path, note, token), 428)  # RFC 6585, section 3
    done = api.post(path, note, token, **seen)
    assert done.status_code == 200
    assert done.json()["entries"][-1]["note"] == "Called the site."
    # RFC 9110, section 13.1.1: the same request again finds another state, and does nothing
    assert "has changed" in is_problem(api.post(path, note, token, **seen), 412)
    assert api.get(f"tickets/{number}", token).headers["etag"] == done.headers["etag"]
    seen = {"If-Match": done.headers["etag"]}
    done = api.post(path, {"act": "arrive", "stay_h": 2}, token, **seen)
    assert done.json()["phase"] == "on site"
    assert [one["by"] for one in done.json()["on_site"]] == ["Rui Prata"]
    seen = {"If-Match": done.headers["etag"]}
    close = {
        "act": "close", "finding": "Leaves on the screen.", "cleaned": ["pump-screen"],
        "findings": [{"part": "pump-screen", "found": "Half covered.", "done": "Cleaned.",
                      "verdict": "as said",
                      "readings": [{"what": "spray_pressure", "before": 41, "after": 60}]}],
    }  # fmt: skip
    wrong = close | {"findings": [{"part": "flux", "found": "x"}]}
    assert "There is no part 'flux'" in is_problem(api.post(path, wrong, token, **seen), 409)
    done = api.post(path, close, token, **seen)
    assert done.json()["phase"] == "closed"
    assert done.json()["findings"][0]["part"] == "pump-screen"
    assert done.json()["findings"][0]["verdict"] == "as said"
    read = api.get(f"tickets/{number}", token).json()["findings"][0]
    assert read["readings"] == [
        {"what": "spray_pressure", "unit": "kPa", "before": 41.0, "after": 60.0}
    ]
    entries = [e for e in api.records.audit.entries() if e.subject == number]
    assert [e.action for e in entries] == ["ticket: close", "ticket: arrive", "ticket: note"]
    assert entries[0].before["phase"] == "on site"
    assert entries[0].after["phase"] == "closed"


def test_who_cannot_report_that_he_has_left_is_reported_by_another(api):
    token = api.token("view", "operate")
    number = api.records.tickets()[0].number
    api.records.arrive(number, by="Tom", now_ms=api.fleet.now_ms)
    path = f"tickets/{number}/acts"
    seen = {"If-Match": api.get(f"tickets/{number}", token).headers["etag"]}
    own = api.post(path, {"act": "leave"}, token, **seen)
    assert "Rui Prata has not reported on site" in is_problem(own, 409)
    left = {"act": "leave", "whom": "Tom"}
    assert "clear of the machine" in is_problem(api.post(path, left, token, **seen), 409)
    done = api.post(path, left | {"is_clear": True}, token, **seen)
    assert (done.status_code, done.json()["on_site"]) == (200, [])
    entry = api.records.audit.entries()[0]
    assert (entry.action, entry.before["on_site"]) == ("ticket: leave", ["Tom"])
    assert (entry.actor.account, entry.after["whom"], entry.after["is_clear"]) == (
        "rui", "Tom", True,
    )  # fmt: skip


def test_what_is_attached_to_a_ticket_is_listed_and_handed_out_whole(api):
    token, png = api.token("view"), b"\x89PNG\r\n\x1a\n" + b"\0" * 100
    number = api.records.tickets()[0].number
    api.records.attach(
        number, by="Rui", name="sc\u00e9ne.png", content=png, now_ms=api.fleet.now_ms
    )
    [listed] = api.get(f"tickets/{number}", token).json()["attachments"]
    assert (listed["name"], listed["media_type"], listed["size_bytes"]) == (
        "sc\u00e9ne.png", "image/png", len(png)
    )  # fmt: skip
    assert listed["sha256"] == hashlib.sha256(png).hexdigest()
    file = api.get(f"tickets/{number}/files/{listed['position']}", token)
    assert (file.content, file.headers["content-type"]) == (png, "image/png")
    is_problem(api.get(f"tickets/{number}/files/9", token), 404)


def test_a_program_attaches_a_file_as_it_is(api):
    token, pdf = api.token("view", "operate"), b"%PDF-1.7\n" + b"x" * 200_000
    number = api.records.tickets()[0].number
    path = f"/api/1/tickets/{number}/files"
    shown = {"Authorization": f"Bearer {token}", "Content-Type": "application/pdf"}
    for _ in range(2):  # the same twice is kept once
        done = api.client.post(f"{path}?name=r%C3%A9port.pdf", content=pdf, headers=shown)
        assert done.status_code == 200, done.text
        assert [a["name"] for a in done.json()["attachments"]] == ["r\u00e9port.pdf"]
    found = api.records.attachment(number, 1)
    assert found is not None
    assert found[1] == pdf
    entry = api.records.audit.entries()[0]
    assert (entry.action, entry.subject) == ("ticket: file attached", number)
    assert "neither a photo" in is_problem(api.client.post(path, content=b"MZ", headers=shown), 409)
    kind = shown | {"Content-Type": "text/html"}
    is_problem(api.client.post(path, content=pdf, headers=kind), 415)
    long = pdf + b"x" * 10_485_760
    is_problem(api.client.post(path, content=long, headers=shown), 413)
    away = path.replace(number, "BW-999999")
    is_problem(api.client.post(away, content=pdf, headers=shown), 404)
    shown["Authorization"] = f"Bearer {api.token('view')}"
    is_problem(api.client.post(path, content=pdf, headers=shown), 403)


def asgi(api: ShownApi, token: str, body: list[bytes], path: str):
    """A request whose body comes piece by piece, as the server gives it; status, pieces read."""
    got: list[dict] = []
    read = 0
    scope = {
        "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": "POST",
        "scheme": "https", "path": path, "raw_path": path.encode(), "query_string": b"",
        "root_path": "", "client": ("192.0.2.7", 5), "server": ("board.example", 443),
        "headers": [
            (b"host", b"board.example"), (b"content-type", b"application/pdf"),
            (b"authorization", f"Bearer {token}".encode()),
        ],
    }  # fmt: skip

    async def receive() -> dict:
        nonlocal read
        piece = body[read] if read < len(body) else b""
        read += 1
        return {"type": "http.request", "body": piece, "more_body": read < len(body)}

    async def send(message: dict) -> None:
        got.append(message)

    anyio.run(api.app, scope, receive, send)
    return got[0]["status"], read


def test_no_body_is_read_of_who_may_not_send_one_or_asks_too_often(api):
    number = api.records.tickets()[0].number
    path = f"/api/1/tickets/{number}/files"
    body = [b"%PDF-1.7", *[b"x" * 1_000] * 50]
    assert asgi(api, api.token("view"), body, path) == (403, 0)
    assert asgi(api, "x", body, path) == (401, 0)
    token = api.token("view", "operate")
    assert asgi(api, token, body, path) == (200, len(body))
    app = make_app(replace(api.board, request_limit=RequestLimit(1, 0.001)))
    api.app = app
    assert asgi(api, token, body, path) == (200, len(body)), "one request is counted once"
    assert asgi(api, token, body, path) == (429, 0)


def test_a_few_files_at_once_are_taken_of_one_and_of_all_together(api):
    api.app.state.uploads = limit = upload_limit(in_all=2, of_one=1)
    path = f"/api/1/tickets/{api.records.tickets()[0].number}/files"
    token = api.token("view", "operate")
    mine = f"token {api.records.accounts.token(kept(token)).id}"
    body = [b"%PDF-1.7"]
    with limit.one_more(mine):
        assert asgi(api, token, body, path)[0] == 429
    with limit.one_more("token 8"), limit.one_more("token 9"):
        assert asgi(api, token, body, path)[0] == 503
    assert asgi(api, token, body, path)[0] == 200


def test_what_the_scope_does_not_hold_is_refused_and_named(api):
    """RFC 6750, section 3.1: insufficient_scope, and the scope that is needed."""
    reading = api.token("view")
    body = {"act": "acknowledge", "alarms": [alarm(api, reading)]}
    refused = api.post("alarms/acts", body, reading)
    told = is_problem(refused, 403)
    assert "the scope 'operate', which the token does not have" in told
    assert "account may not" not in told, "Rui may operate; his token may not"
    shown = refused.headers["www-authenticate"]
    assert 'error="insufficient_scope"' in shown
    assert 'scope="operate"' in shown
    number = api.records.tickets()[0].number
    is_problem(api.post(f"tickets/{number}/acts", {"act": "leave"}, reading), 403)
    is_problem(api.post("plan/anew", {}, api.token("view", "operate")), 403)
    is_problem(api.get("audit", api.token("view", "operate", "plan")), 403)
    is_problem(api.get("sites", api.token("operate")), 403)
    assert api.get("audit", api.token("administer", account="ida")).status_code == 200
    # never more than its account
    is_problem(api.get("audit", api.token("administer")), 403)
    assert api.records.pending_actions() == []


def test_nobody_and_a_bad_token_are_told_apart(api):
    nobody = api.get("sites")
    is_problem(nobody, 401)
    assert nobody.headers["www-authenticate"] == 'Bearer realm="basinward"'
    bad = api.get("sites", "x")
    is_problem(bad, 401)
    assert 'error="invalid_token"' in bad.headers["www-authenticate"]  # RFC 6750, section 3.1
    before = api.post("alarms/acts", {}, "x")
    is_problem(before, 401)


def test_a_session_reads_and_acts_with_its_form_token_alone(api):
    app = make_app(board_of(api.fleet))
    browser = TestClient(app, base_url="https://board.example")
    items = browser.get("/api/1/alarms").json()["items"]
    seen = {name: items[0][name] for name in ("site", "unit", "fault", "seen")}
    body = {"act": "acknowledge", "alarms": [seen]}
    refused = browser.post("/api/1/alarms/acts", json=body)
    assert "X-Form-Token" in is_problem(refused, 403)
    token = browser.get("/api/1/me").json()["form_token"]
    wrong = browser.post("/api/1/alarms/acts", json=body, headers={"X-Form-Token": "x"})
    is_problem(wrong, 403)
    headers = {"X-Form-Token": token, "Sec-Fetch-Site": "cross-site"}
    is_problem(browser.post("/api/1/alarms/acts", json=body, headers=headers), 403)
    assert api.records.pending_actions() == []
    done = browser.post("/api/1/alarms/acts", json=body, headers={"X-Form-Token": token})
    assert done.status_code == 200


@pytest.mark.parametrize(
    ("body", "kind", "status"),
    [
        (b"{", "application/json", 422), (b"\xff\xfe", "application/json", 422),
        (b"act=acknowledge", "application/x-www-form-urlencoded", 415), (b"{}", "", 415),
        (b'{"act":"acknowledge","alarms":[],"more":1}', "application/json", 422),
        (b'{"note":"' + b"x" * 200_000 + b'"}', "application/json", 413),
        (b"[" * 100_000, "application/json", 400),
    ],
)  # fmt: skip
def test_a_body_that_cannot_be_meant_is_a_problem(api, body, kind, status):
    token = api.token("view", "operate")
    headers = {"Authorization": f"Bearer {token}", "Content-Type": kind}
    response = api.client.post("/api/1/alarms/acts", content=body, headers=headers)
    is_problem(response, status)


def test_what_there_is_not_and_what_is_not_taken_is_a_problem(api):
    token = api.token("view")
    is_problem(api.get("nothing", token), 404)
    refused = api.client.delete("/api/1/sites", headers={"Authorization": f"Bearer {token}"})
    is_problem(refused, 405)
    assert refused.headers["allow"]
    for query in ("after=abc", "after=WzFd!", "limit=0", "limit=501", "condition=ill"):
        is_problem(api.get(f"sites?{query}", token), 422)
    for text in ("2026-07-01", "2026-07-01T00:00:00", "0", "2026-02-30T00:00:00Z"):
        is_problem(api.get(f"alarm-events?from={text}", token), 422)


def test_a_token_that_asks_too_often_waits_and_others_do_not(api):
    api.board.request_limit = RequestLimit(3, 0.001)
    app = make_app(replace(api.board))
    client = TestClient(app, base_url="https://board.example")
    one, other = ({"Authorization": f"Bearer {api.token('view')}"} for _ in range(2))
    codes = [client.get("/api/1/me", headers=one).status_code for _ in range(4)]
    assert codes == [200, 200, 200, 429]
    refused = client.get("/api/1/me", headers=one)
    is_problem(refused, 429)
    assert int(refused.headers["retry-after"]) > 0  # RFC 9110, section 10.2.3
    assert client.get("/api/1/me", headers=other).status_code == 200
    assert ANA.form_token not in refused.text


def test_records_that_cannot_be_written_are_no_answer_about_an_alarm(api):
    """RFC 9110, section 15.6.4: 503 with Retry-After, and nothing of it is recorded."""
    token = api.token("view", "operate")
    items = api.get("alarms", token).json()["items"]
    both = [{name: one[name] for name in ("site", "unit", "fault", "seen")} for one in items]
    body = {"act": "acknowledge", "alarms": both}
    number = api.records.tickets()[0].number
    seen = {"If-Match": api.get(f"tickets/{number}", token).headers["etag"]}
    note = {"act": "note", "note": "Called."}
    with held(api):
        refused = api.post("alarms/acts", body, token)
        noted = api.post(f"tickets/{number}/acts", note, token, **seen)
        page = client(board_of(api.fleet)).post(
            f"/tickets/{number}", data={"form_token": ANA.form_token, "act": "note", "note": "x"}
        )
    for one in (refused, noted):
        assert "cannot be reached at the moment" in is_problem(one, 503)
        assert int(one.headers["retry-after"]) > 0
        assert str(api.fleet.where) not in one.text
    assert (page.status_code, int(page.headers["retry-after"]) > 0) == (503, True)
    assert api.records.pending_actions() == []
    assert api.post("alarms/acts", body, token).json()["recorded"] == 2


def test_an_act_that_may_or_may_not_be_written_is_told_so(api, monkeypatch):
    token = api.token("view", "operate")
    body = {"act": "acknowledge", "alarms": [alarm(api, token)]}

    def cut_off(*_: object, **__: object) -> None:
        raise RecordsUnavailable("The connection broke.", uncertain=True)

    monkeypatch.setattr(api.records, "request_action", cut_off)
    assert "whether it was recorded is not known" in is_problem(
        api.post("alarms/acts", body, token), 503
    )


def test_records_that_are_away_and_defects_are_problems(api, monkeypatch):
    token = api.token("view")

    def away(*_: object, **__: object) -> None:
        raise RecordsUnavailable("The disk is full.")

    client = TestClient(api.app, base_url="https://board.example", raise_server_exceptions=False)
    headers = {"Authorization": f"Bearer {token}"}
    monkeypatch.setattr(api.records, "tickets", away)
    is_problem(client.get("/api/1/tickets", headers=headers), 503)
    monkeypatch.setattr(api.records, "tickets", lambda *_, **__: 1 / 0)
    is_problem(client.get("/api/1/tickets", headers=headers), 500)
