"""The log in its two forms: one event a line, UTC, fields, and no secrets."""

from __future__ import annotations

import io
import json
import logging
import re
from collections.abc import Iterator

import pytest

from gateway.watching.logs import LogFormat, formatter_for

ISO_UTC = r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z"  # ISO 8601, extended format, UTC


class Written:
    """A logger of its own whose lines are caught."""

    def __init__(self, form: LogFormat) -> None:
        self.formatter = formatter_for(form)
        self._stream = io.StringIO()
        handler = logging.StreamHandler(self._stream)
        handler.setFormatter(self.formatter)
        self.log = logging.Logger("gateway.somewhere")  # not to be found by others
        self.log.addHandler(handler)

    @property
    def lines(self) -> list[str]:
        return self._stream.getvalue().splitlines()

    @property
    def events(self) -> list[dict[str, object]]:
        return [json.loads(line) for line in self.lines]


@pytest.fixture
def text() -> Iterator[Written]:
    return Written(LogFormat.TEXT)


@pytest.fixture
def as_json() -> Iterator[Written]:
    return Written(LogFormat.JSON)


def test_a_line_for_people_is_a_sentence_behind_time_level_and_logger(text: Written) -> None:
    text.log.error("The broker at %s is away.", "b:1883")
    (line,) = text.lines
    assert re.fullmatch(
        ISO_UTC + r" ERROR gateway\.somewhere: The broker at b:1883 is away\.", line
    )


def test_fields_stand_behind_the_sentence(text: Written) -> None:
    fields = {"condition": "broker-away", "value": "away for 5 min", "count": 3}
    text.log.warning("It is away.", extra={"fields": fields})
    assert text.lines[0].endswith(
        'It is away. [condition=broker-away value="away for 5 min" count=3]'
    )


def test_a_line_for_programs_is_one_object(as_json: Written) -> None:
    as_json.log.warning("It is %s.", "away", extra={"fields": {"count": 3, "who": "b:1883"}})
    (event,) = as_json.events
    assert re.fullmatch(ISO_UTC, str(event.pop("time")))
    assert event == {
        "level": "WARNING", "logger": "gateway.somewhere", "thread": "MainThread",
        "message": "It is away.", "fields": {"count": 3, "who": "b:1883"},
    }  # fmt: skip


def test_nothing_from_outside_can_pass_for_a_line_of_its_own(
    text: Written, as_json: Written
) -> None:
    forged = "topic\n2026-01-01T00:00:00.000Z INFO gateway: all is well\r\nx\u2028y\x85z"
    for written in (text, as_json):
        written.log.warning("Refused: %s", forged)
    assert sum(bool(re.match(ISO_UTC, line)) for line in text.lines) == 1
    (event,) = as_json.events
    assert event["message"] == f"Refused: {forged}"


def test_a_traceback_belongs_to_its_event(text: Written, as_json: Written) -> None:
    for written in (text, as_json):
        try:
            int("no number")
        except ValueError:
            written.log.exception("It failed.")
    assert all(line.startswith("    ") for line in text.lines[1:])
    assert text.lines[-1].endswith(
        "ValueError: invalid literal for int() with base 10: 'no number'"
    )
    (event,) = as_json.events
    assert str(event["trace"]).startswith("Traceback")
    assert event["message"] == "It failed."


@pytest.mark.parametrize("form", LogFormat)
def test_a_secret_is_never_written_wherever_it_comes_from(form: LogFormat) -> None:
    written = Written(form)
    written.formatter.conceal(["s3cret-word", None, "", "s3cret-word-and-more", "ab"])
    written.log.warning("%s", "token s3cret-word-and-more", extra={"fields": {"p": "s3cret-word"}})
    try:
        int("s3cret-word")
    except ValueError:
        written.log.exception("about s3cret-word")
    whole = "\n".join(written.lines)
    assert "s3cret" not in whole
    assert "and-more" not in whole
    assert whole.count("***") == 5  # the line of the code is in the traceback too
    assert "about" in whole  # so short a word as "ab" is not hidden


def test_fields_that_are_none_are_left_out(text: Written, as_json: Written) -> None:
    for written in (text, as_json):
        written.log.warning("It is.", extra={"fields": "no table"})
    assert text.lines[0].endswith("It is.")
    assert "fields" not in as_json.events[0]
