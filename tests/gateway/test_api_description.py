"""The API as it describes itself: a valid OpenAPI document, and answers that keep to it.

Operations and requests are generated from the document by schemathesis, an independent reader of
OpenAPI; openapi-spec-validator holds the document against the specification (OpenAPI 3.1.0).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import openapi_spec_validator
import pytest
import schemathesis
from board_people import ROOT
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    missing_required_header,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
    unsupported_method,
)
from starlette.testclient import TestClient
from support.records import NOW_MS
from support.shown_board import board_of
from support.shown_fleet import ShownFleet, fleet_of

from gateway.accounts.keys import kept, new_token
from gateway.batch import Reason
from gateway.board.app import make_app
from gateway.board.limits import RequestLimit
from gateway.board.people import PeopleDoors
from gateway.board.settings import BoardSettings
from rules.events import AlarmState, Change, Severity

CHECKS = [
    not_a_server_error, status_code_conformance, content_type_conformance,
    response_schema_conformance, response_headers_conformance, missing_required_header,
    unsupported_method,
]  # fmt: skip


@dataclass(frozen=True)
class Served:
    """A board with a busy fleet, and an administrator's token."""

    fleet: ShownFleet
    app: Any
    token: str


@pytest.fixture(scope="module")
def served(tmp_path_factory) -> Iterator[Served]:
    made = ShownFleet(tmp_path_factory.mktemp("fleet"), fleet_of(2, 2))
    events = [made.alarm(row, severity=Severity(1 + row % 3)) for row in range(3)]
    made.commit(*events)
    made.commit(made.changed(events[1], Change.SHELVED, AlarmState.SHELVED, by="Ana"))
    made.look(0)
    made.samples(0, hours=6)
    made.refuse("nowhere", "ac-9", Reason.UNREGISTERED, "No site file has it.")
    board = board_of(made, None)
    board.doorkeeper = PeopleDoors(
        made.records.accounts, board.signer, BoardSettings(), lambda: made.now_ms
    )
    board.request_limit = RequestLimit(10**9)
    made.records.accounts.add("root", "Ida Root", "", ["administer"], ROOT, NOW_MS)
    token = new_token()
    made.records.accounts.add_token(
        "root", "tests", kept(token), ["administer"], made.now_ms + 86_400_000, ROOT, made.now_ms
    )
    yield Served(made, make_app(board), str(token))
    made.close()


@pytest.fixture(scope="module")
def described(served) -> Any:
    return schemathesis.openapi.from_asgi("/api/1/openapi.json", served.app)


def test_every_operation_keeps_to_its_description_whatever_it_is_asked(served, described):
    seen = set()
    for result in described.get_all_operations():
        operation = result.ok()

        @settings(
            max_examples=12, deadline=None, derandomize=True, database=None,
            phases=[Phase.generate], suppress_health_check=list(HealthCheck),
        )  # fmt: skip
        @given(operation.as_strategy())
        def keeps_to_it(case):
            case.call_and_validate(
                headers={"Authorization": f"Bearer {served.token}"}, checks=CHECKS
            )

        keeps_to_it()
        seen.add(operation.label)
    assert len(seen) > 20


def test_the_document_is_valid_openapi(served):
    document = TestClient(served.app).get("/api/1/openapi.json").json()
    assert document["openapi"].startswith("3.1.")
    openapi_spec_validator.validate(document)
