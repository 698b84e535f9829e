"""How the log is written: for people, or one JSON object a line for programs.

Times are UTC in ISO 8601. A line may carry fields (``extra={"fields": {...}}``): as ``key=value``
behind the sentence, or as an object of their own. What arrives from outside may hold line ends: in
the form for people they are indented, so that nothing can pass for a line of its own. Secrets that
are made known are never written, wherever they come from.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any, Final

__all__ = ["JsonFormatter", "LogFormat", "TextFormatter", "formatter_for"]

_HIDDEN: Final = "***"
_SHORTEST_SECRET: Final = 4
"""Shorter ones are in every other word, so that hiding them would hide the log."""


class LogFormat(StrEnum):
    """The form of the log."""

    TEXT = "text"
    JSON = "json"


class _Formatter(logging.Formatter):
    """What both forms share: the time, the fields, and the secrets that are kept out."""

    def __init__(self) -> None:
        super().__init__()
        self._secrets: tuple[str, ...] = ()

    def conceal(self, secrets: Iterable[str | None]) -> None:
        """Never write these."""
        found = {*self._secrets, *(s for s in secrets if s and len(s) >= _SHORTEST_SECRET)}
        self._secrets = tuple(sorted(found, key=len, reverse=True))

    def time_of(self, record: logging.LogRecord) -> str:
        """ISO 8601, UTC, to the millisecond."""
        at = datetime.fromtimestamp(record.created, UTC)
        return at.isoformat(timespec="milliseconds").replace("+00:00", "Z")

    def fields_of(self, record: logging.LogRecord) -> Mapping[str, Any]:
        """The fields that the line carries."""
        fields = getattr(record, "fields", None)
        return fields if isinstance(fields, Mapping) else {}

    def trace_of(self, record: logging.LogRecord) -> str:
        """The traceback, empty where there is none."""
        parts = []
        if record.exc_info:
            parts.append(self.formatException(record.exc_info))
        if record.stack_info:
            parts.append(self.formatStack(record.stack_info))
        return "\n".join(parts)

    def hidden(self, text: str) -> str:
        """The text without the secrets."""
        for secret in self._secrets:
            text = text.replace(secret, _HIDDEN)
        return text


class TextFormatter(_Formatter):
    """For people: time, level, logger and sentence; tracebacks below, indented."""

    def format(self, record: logging.LogRecord) -> str:
        """The event."""
        message = record.getMessage()
        fields = " ".join(f"{name}={_value(v)}" for name, v in self.fields_of(record).items())
        text = f"{message} [{fields}]" if fields else message
        trace = self.trace_of(record)
        lines = (f"{text}\n{trace}" if trace else text).splitlines() or [""]
        head = f"{self.time_of(record)} {record.levelname} {record.name}: "
        return self.hidden(head + "\n    ".join(lines))


class JsonFormatter(_Formatter):
    """For programs: one object a line."""

    def format(self, record: logging.LogRecord) -> str:
        """The event."""
        event: dict[str, Any] = {
            "time": self.time_of(record),
            "level": record.levelname,
            "logger": record.name,
            "thread": record.threadName,
            "message": self.hidden(record.getMessage()),
        }
        if fields := self.fields_of(record):
            event["fields"] = {name: self._plain(v) for name, v in fields.items()}
        if trace := self.trace_of(record):
            event["trace"] = self.hidden(trace)
        return json.dumps(event)

    def _plain(self, value: Any) -> Any:
        if value is None or isinstance(value, bool | int | float):
            return value
        return self.hidden(str(value))


def formatter_for(form: LogFormat) -> TextFormatter | JsonFormatter:
    """The formatter of a form."""
    return JsonFormatter() if form is LogFormat.JSON else TextFormatter()


def _value(value: Any) -> str:
    text = str(value)
    return text if text and not any(c.isspace() or c in '"=[]' for c in text) else json.dumps(text)
