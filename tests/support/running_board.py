"""``basinward board`` as its users run it, and a browser's way through its pages without one."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Sequence
from html.parser import HTMLParser
from pathlib import Path
from typing import NamedTuple, Self

__all__ = ["Answer", "RunningBoard", "hidden_fields"]

_ROOT = Path(__file__).resolve().parents[2]


class Answer(NamedTuple):
    """What came back, after any redirection."""

    status: int
    text: str


class _Hidden(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.fields: dict[str, str] = {}

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        named = dict(attrs)
        if tag == "input" and named.get("type") == "hidden":
            self.fields[named["name"] or ""] = named["value"] or ""


def hidden_fields(page: str) -> dict[str, str]:
    """The hidden fields of the page's form."""
    parser = _Hidden()
    parser.feed(page)
    parser.close()
    return parser.fields


class RunningBoard:
    """The process for the length of a block, listening when it begins.

    At the end it is told to stop and must do so in good order, with status 0 and no traceback.
    """

    def __init__(self, fleet: Path, data: Path, more: Sequence[str] = ()) -> None:
        """Nothing is started yet; ``more`` arguments come last."""
        self._arguments = [
            sys.executable, "-m", "gateway.cli", "board",
            "--fleet", str(fleet), "--data", str(data), *more,
        ]  # fmt: skip
        self._lines: list[str] = []
        self._news = threading.Condition()
        self._ended = False

    def __enter__(self) -> Self:
        kept = {k: v for k, v in os.environ.items() if not k.startswith("BASINWARD_")}
        self._process = subprocess.Popen(
            self._arguments, cwd=_ROOT, env=kept, stdin=subprocess.DEVNULL,
            stderr=subprocess.PIPE, text=True, errors="replace",
        )  # fmt: skip
        self._reader = threading.Thread(target=self._read)
        self._reader.start()
        with self._news:
            self._news.wait_for(lambda: self._ended or "The board answers" in self.log, 60)
            started = "The board answers" in self.log
        if not started:
            self._end()
            raise AssertionError(f"the board did not start:\n{self.log}")
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        status = self._end()
        if kind is None:
            assert status == 0, self.log
            assert "stopped in good order" in self.log, self.log
            assert "Traceback" not in self.log, self.log

    @property
    def log(self) -> str:
        """All that it has written so far."""
        return "".join(self._lines)

    @staticmethod
    def ask(url: str, method: str = "GET", fields: dict[str, str] | None = None) -> Answer:
        """One request as a browser sends it; POST with ``fields``."""
        assert url.startswith("http://127.0.0.1:")
        data = None if fields is None else urllib.parse.urlencode(fields).encode()
        request = urllib.request.Request(url, data, method=method)  # noqa: S310 - as checked
        try:
            with urllib.request.urlopen(request, timeout=120) as answer:  # noqa: S310
                return Answer(answer.status, answer.read().decode())
        except urllib.error.HTTPError as error:
            with error:
                return Answer(error.code, error.read().decode())

    def _read(self) -> None:
        assert self._process.stderr is not None
        with self._process.stderr as stderr:
            for line in stderr:
                with self._news:
                    self._lines.append(line)
                    self._news.notify_all()
        with self._news:
            self._ended = True
            self._news.notify_all()

    def _end(self) -> int:
        self._process.send_signal(signal.SIGTERM)
        try:
            status = self._process.wait(120)
        except subprocess.TimeoutExpired:
            self._process.kill()
            status = self._process.wait(60)
        self._reader.join(60)
        return status
