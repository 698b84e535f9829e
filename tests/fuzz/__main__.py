"""Fuzz one target, guided by coverage: ``python -m tests.fuzz --minutes 30 senml-json``.

Without a number it tries four times as many inputs as a check does. It ends with status 0 when no
promise was broken; else it prints the broken one and the file that holds the input. Put that file
into ``tests/fuzz/corpus/<target>/`` under a name that says what it is, and mend the program.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import atheris

INSTRUMENTED = [
    "gateway.wire", "gateway.config", "gateway.journal.codec", "gateway.board.links",
    "rules.own_rules",
]  # fmt: skip
SLOW_S = 20


def main() -> None:
    """Parse the arguments and hand over to the fuzzer, which ends the process."""
    # Instrumented while they are imported, so that the fuzzer sees which inputs lead to new places.
    with atheris.instrument_imports(include=INSTRUMENTED):
        from tests.fuzz.targets import CORPUS, TARGETS
    by_name = {target.name: target for target in TARGETS}
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("target", choices=sorted(by_name))
    parser.add_argument("--minutes", type=float, help="go on for so long")
    parser.add_argument("--runs", type=int, help="try so many inputs")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=Path(), help="where a finding is written")
    args = parser.parse_args()
    target = by_name[args.target]
    with tempfile.TemporaryDirectory() as found:
        words = Path(found, "words")
        lines = [f'"{_quoted(word)}"' for word in target.words]
        words.write_text("\n".join(lines) + "\n")
        new = Path(found, "new")
        new.mkdir()
        limit = (
            f"-max_total_time={round(args.minutes * 60)}"
            if args.minutes
            else f"-runs={args.runs or target.runs}"
        )
        options = [
            limit, f"-seed={args.seed}", f"-max_len={target.longest}", f"-dict={words}",
            f"-timeout={SLOW_S}", f"-artifact_prefix={args.out}/", "-verbosity=0",
            str(new), str(CORPUS / target.name),
        ]  # fmt: skip
        atheris.Setup([sys.argv[0], *options], target.run)
        atheris.Fuzz()


def _quoted(word: bytes) -> str:
    return "".join(f"\\x{byte:02x}" for byte in word)


if __name__ == "__main__":
    main()
