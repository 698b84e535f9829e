"""The API as it describes itself: a valid OpenAPI document, and answers that keep to it.

Operations and requests are generated from the document by schemathesis, an independent reader of
OpenAPI; openapi-spec-validator holds the document against the specification (OpenAPI 3.1.0).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import openapi_spec_validator
import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
    unsupported_method,
)
from support.shown_api import ShownApi

from gateway.batch import Reason
from rules.events import AlarmState, Change, Severity

CHECKS = [
    not_a_server_error, status_code_conformance, content_type_conformance,
    response_schema_conformance, response_headers_conformance, unsupported_method,
]  # fmt: skip
PATIENCE_S = 120.0  # of the client: a busy machine is no server error


@pytest.fixture(scope="module")
def served(tmp_path_factory) -> Iterator[ShownApi]:
    made = ShownApi(tmp_path_factory.mktemp("fleet"))
    fleet = made.fleet
    events = [fleet.alarm(row, severity=Severity(1 + row % 3)) for row in range(3)]
    fleet.commit(*events)
    fleet.commit(fleet.changed(events[1], Change.SHELVED, AlarmState.SHELVED, by="Ana"))
    fleet.look(0)
    fleet.samples(0, hours=6)
    fleet.refuse("nowhere", "ac-9", Reason.UNREGISTERED, "No site file has it.")
    yield made
    made.close()


@pytest.fixture(scope="module")
def described(served) -> Any:
    return schemathesis.openapi.from_asgi("/api/1/openapi.json", served.app)


@pytest.mark.parametrize(
    ("mode", "examples"), [(GenerationMode.POSITIVE, 4), (GenerationMode.NEGATIVE, 3)]
)
def test_every_operation_keeps_to_its_description_whatever_it_is_asked(
    served, described, mode, examples
):
    token = served.token("administer", account="ida")
    site, unit = next(iter(served.fleet.rows))
    real = {
        "site": site, "unit": unit, "number": served.records.tickets()[0].number, "position": 1,
    }  # fmt: skip
    headers = {"Authorization": f"Bearer {token}"}
    asked = set()
    for result in described.get_all_operations():
        operation = result.ok()

        @settings(
            max_examples=examples, deadline=None, derandomize=True, database=None,
            phases=[Phase.generate], suppress_health_check=list(HealthCheck),
        )  # fmt: skip
        @given(operation.as_strategy(generation_mode=mode), st.booleans())
        def keeps_to_it(case, is_real):
            if is_real and mode is GenerationMode.POSITIVE:
                case.path_parameters = {n: real[n] for n in case.path_parameters or {}}
            case.call_and_validate(headers=headers, checks=CHECKS, timeout=PATIENCE_S)

        keeps_to_it()
        asked.add(operation.label)
    assert len(asked) > 30


def test_every_read_answers_with_what_it_describes(served, described):
    """With nothing asked for but what must be: the answers that generated requests seldom get."""
    token = served.token("administer", account="ida")
    site, unit = next(iter(served.fleet.rows))
    real = {
        "site": site, "unit": unit, "number": served.records.tickets()[0].number, "position": 1,
    }  # fmt: skip
    served.records.attach(
        real["number"], by="Rui", name="a.png", content=b"\x89PNG\r\n\x1a\n",
        now_ms=served.fleet.now_ms,
    )  # fmt: skip
    answered = {}
    for result in described.get_all_operations():
        operation = result.ok()
        if operation.method.upper() == "GET":
            names = [parameter.name for parameter in operation.path_parameters]
            case = operation.Case(path_parameters={name: real[name] for name in names})
            response = case.call_and_validate(
                headers={"Authorization": f"Bearer {token}"}, checks=CHECKS, timeout=PATIENCE_S
            )
            answered[operation.label] = response.status_code
    assert answered.pop("GET /api/1/visits/{number}") == 404  # there is none of a ticket's number
    assert set(answered.values()) == {200}
    assert len(answered) >= 25


def test_the_document_is_valid_openapi(served):
    document = served.get("openapi.json").json()
    assert document["openapi"].startswith("3.1.")
    openapi_spec_validator.validate(document)


def test_every_operation_and_every_field_is_described(served):
    """OpenAPI 3.1, section 4.8.10: a description is optional there; here it is not."""
    document = served.get("openapi.json").json()
    bare = [
        f"{method} {path}"
        for path, methods in document["paths"].items()
        for method, operation in methods.items()
        if not operation.get("description")
    ]
    assert bare == []
    quantities = [
        f"{name}.{field}"
        for name, schema in document["components"]["schemas"].items()
        for field, about in schema.get("properties", {}).items()
        if field.endswith(("_kw", "_pct", "_degc", "_h", "_l_min", "_k"))
        and "[" not in about.get("description", "")
    ]
    assert quantities == []
