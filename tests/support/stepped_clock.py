"""A process's clock that a test sets: Debian's libfaketime, told by a file.

Only the time of day is set; the time since the machine started runs on as it is, as when a person
or a time server sets a real clock.
"""

from __future__ import annotations

from pathlib import Path

__all__ = ["SteppedClock"]

_LIBRARIES = (
    "/usr/lib/x86_64-linux-gnu/faketime/libfaketimeMT.so.1",
    "/usr/lib/aarch64-linux-gnu/faketime/libfaketimeMT.so.1",
)


class SteppedClock:
    """The clock of every process started with :attr:`environment`; right until it is set."""

    def __init__(self, directory: Path) -> None:
        self._file = directory / "clock"
        self.library = next((path for path in _LIBRARIES if Path(path).exists()), "")
        self.set_off(0)

    @property
    def environment(self) -> dict[str, str]:
        """The variables that put a process on this clock."""
        return {
            "LD_PRELOAD": self.library,
            "FAKETIME_TIMESTAMP_FILE": str(self._file),
            "FAKETIME_NO_CACHE": "1",
            "FAKETIME_DONT_FAKE_MONOTONIC": "1",
            "NO_FAKE_STAT": "1",
        }

    def set_off(self, ahead_s: float) -> None:
        """Set it so far ahead of the true time; behind if negative. [s]"""
        partial = self._file.with_suffix(".part")
        partial.write_text(f"{ahead_s:+.1f}\n")
        partial.replace(self._file)
