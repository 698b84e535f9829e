"""What is wrong with an expression, and where in its text."""

from __future__ import annotations

from typing import Final

__all__ = ["ExpressionError"]

_SHOWN: Final = 76
"""Characters of a line that an excerpt shows."""


class ExpressionError(ValueError):
    """An expression that cannot be used.

    ``what`` says what is wrong, ``todo`` what to do; ``start`` and ``end`` are positions in
    ``text``, 0 <= start <= end <= its length (start is the length where the text ends too early).
    """

    def __init__(self, text: str, start: int, end: int, what: str, todo: str = "") -> None:
        self.text = text
        self.start = min(max(start, 0), len(text))
        self.end = min(max(end, self.start), len(text))
        self.what = what
        self.todo = todo
        super().__init__(
            f"line {self.line}, column {self.column}: {what}" + (f" {todo}" if todo else "")
        )

    @property
    def line(self) -> int:
        """The line of ``start``, from 1."""
        return self.text.count("\n", 0, self.start) + 1

    @property
    def column(self) -> int:
        """The column of ``start`` in its line, from 1."""
        return self.start - self._line_start + 1

    @property
    def _line_start(self) -> int:
        return self.text.rfind("\n", 0, self.start) + 1

    def excerpt(self) -> str:
        """The line of the text, and below it carets under what is meant."""
        first = self._line_start
        last = self.text.find("\n", self.start)
        last = len(self.text) if last < 0 else last
        # A long line is shown around the place, so that the carets stay below it on a terminal.
        left = first
        if last - first > _SHOWN:
            left = max(first, min(self.start - _SHOWN // 3, last - _SHOWN))
            last = min(last, left + _SHOWN)
        shown = "".join(c if c.isprintable() else " " for c in self.text[left:last])
        carets = "^" * max(1, min(self.end, last) - self.start)
        return f"{shown.rstrip()}\n{' ' * (self.start - left)}{carets}"
