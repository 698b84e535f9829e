"""Where each key of a TOML file stands: key path to line number.

``tomllib`` tells lines only for syntax errors. This walk runs over text that ``tomllib`` has
already accepted, so it only follows structure (headers, keys, strings, arrays, inline tables)
and never judges it. A key it cannot place has no line; that is all that can go wrong.
"""

from __future__ import annotations

from typing import Final

__all__ = ["Path", "find_line", "key_lines"]

Path = tuple[str | int, ...]

_BLANK: Final = " \t\r\n"
_BARE_END: Final = " \t\r\n=.]}#,"


def find_line(lines: dict[Path, int], path: Path) -> int | None:
    """The line of the key, or of the nearest table around it that has one."""
    for end in range(len(path), 0, -1):
        if (line := lines.get(path[:end])) is not None:
            return line
    return None


def key_lines(text: str) -> dict[Path, int]:
    """The line (from 1) of each key, table and array element of accepted TOML text."""
    walk = _Walk(text)
    walk.document()
    return walk.lines


class _Walk:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.line = 1
        self.lines: dict[Path, int] = {}
        self.counts: dict[Path, int] = {}

    def document(self) -> None:
        table: Path = ()
        while self._skip_blank():
            start = self.at
            if self.text.startswith("[[", self.at):
                self._move(2)
                table = self._element(self._key())
                self._past("]]")
            elif self._here() == "[":
                self._move(1)
                table = self._inside(self._key())
                self._past("]")
            else:
                self._pair(table)
            if self.at == start:  # not understood: give up rather than turn for ever
                return

    def _element(self, key: Path) -> Path:
        array = self._inside(key[:-1]) + key[-1:]
        index = self.counts.get(array, -1) + 1
        self.counts[array] = index
        self._note(array)
        self.lines[(*array, index)] = self.line
        return (*array, index)

    def _inside(self, key: Path) -> Path:
        """The full path of a header's key: arrays of tables mean their newest element."""
        full: Path = ()
        for part in key:
            full = (*full, part)
            self._note(full)
            if full in self.counts:
                full = (*full, self.counts[full])
        return full

    def _pair(self, table: Path) -> None:
        key = self._key()
        path = table
        for part in key:
            path = (*path, part)
            self._note(path)
        self._past("=")
        self._value(path)

    def _value(self, path: Path) -> None:
        self._skip_blank()
        here = self._here()
        if here in {'"', "'"}:
            self._string()
        elif here == "[":
            self._move(1)
            index = 0
            while self._skip_blank() and self._here() != "]":
                start = self.at
                self._note((*path, index))
                self._value((*path, index))
                index += 1
                self._past_comma()
                if self.at == start:
                    return
            self._move(1)
        elif here == "{":
            self._move(1)
            while self._skip_blank() and self._here() != "}":
                start = self.at
                self._pair(path)
                self._past_comma()
                if self.at == start:
                    return
            self._move(1)
        else:
            while self.at < len(self.text) and self._here() not in ",]}#\n":
                self._move(1)

    def _key(self) -> Path:
        parts: list[str | int] = []
        while self._skip_blank():
            here = self._here()
            if here in {'"', "'"}:
                parts.append(self._string())
            else:
                start = self.at
                while self.at < len(self.text) and self._here() not in _BARE_END:
                    self._move(1)
                parts.append(self.text[start : self.at])
            self._skip_blank()
            if self._here() != ".":
                break
            self._move(1)
        return tuple(parts)

    def _string(self) -> str:
        quote = self._here()
        mark = quote * 3 if self.text.startswith(quote * 3, self.at) else quote
        self._move(len(mark))
        start = self.at
        while self.at < len(self.text) and not self.text.startswith(mark, self.at):
            self._move(2 if quote == '"' and self._here() == "\\" else 1)
        end = self.at
        self._move(len(mark))
        while len(mark) == 3 and self._here() == quote:  # a string may end in quotes of its own
            self._move(1)
        return self.text[start:end]

    def _here(self) -> str:
        return self.text[self.at : self.at + 1]

    def _move(self, count: int) -> None:
        self.line += self.text.count("\n", self.at, self.at + count)
        self.at = min(self.at + count, len(self.text))

    def _past(self, mark: str) -> None:
        self._skip_blank()
        if self.text.startswith(mark, self.at):
            self._move(len(mark))

    def _past_comma(self) -> None:
        self._past(",")

    def _skip_blank(self) -> bool:
        """Moves to the next thing that is neither blank nor comment; False at the end."""
        while self.at < len(self.text):
            here = self._here()
            if here == "#":
                end = self.text.find("\n", self.at)
                self._move((len(self.text) if end < 0 else end) - self.at)
            elif here in _BLANK:
                self._move(1)
            else:
                return True
        return False

    def _note(self, path: Path) -> None:
        self.lines.setdefault(path, self.line)
