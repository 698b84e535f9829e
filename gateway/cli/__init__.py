"""The command line: ``basinward run``, ``check``, ``arrived``, ``rules``, ``tickets`` and others.

:func:`main` is the entry point. Whatever ends a command, a person reads a sentence.
"""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Sequence

__all__ = ["main"]

_INTERRUPTED = 130  # 128 + SIGINT, as shells have it
_PIPE_CLOSED = 141  # 128 + SIGPIPE


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status; ``arguments`` default to the process's own."""
    try:
        from gateway.cli.app import app  # noqa: PLC0415 - an interrupt may come this early

        app(args=None if arguments is None else list(arguments), prog_name="basinward")
    except SystemExit as end:
        return _flushed(end.code if isinstance(end.code, int) else int(bool(end.code)))
    except KeyboardInterrupt:
        print("Stopped.", file=sys.stderr)  # noqa: T201 - the terminal is where it belongs
        return _INTERRUPTED
    except BrokenPipeError:
        return _flushed(_PIPE_CLOSED)
    except OSError as error:
        if error.errno == errno.EPIPE:
            return _flushed(_PIPE_CLOSED)
        where = f"{error.filename}: " if error.filename else ""
        print(f"Error: {where}{error.strerror or error}.", file=sys.stderr)  # noqa: T201 - as above
        return 1
    return _flushed(0)


def _flushed(status: int) -> int:
    """Write what is left of the output; a reader that has gone away is no reason to complain."""
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        nothing = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nothing, sys.stdout.fileno())  # or the interpreter complains when it ends
        return _PIPE_CLOSED
    return status
