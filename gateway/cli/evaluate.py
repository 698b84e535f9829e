"""``basinward evaluate``: how well the rules do on histories whose faults are known."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["evaluate"]

_HOUR_MS = 3_600_000
_TELL_EVERY_S = 5.0


def evaluate(
    folder: Annotated[
        Path,
        typer.Argument(
            metavar="FOLDER",
            help="Holds sites/*.toml, samples.parquet or samples.csv, faults.json, and if wanted "
            "fleet.toml for its settings.",
        ),
    ],
    *,
    json_file: Annotated[
        Path | None,
        typer.Option(
            "--json",
            metavar="FILE",
            help="Write the figures, every alarm and every ticket there as JSON.",
            show_default=False,
        ),
    ] = None,
    picture: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE.svg",
            help="Draw faults and alarms of every unit over time, and the confusion matrix.",
            show_default=False,
        ),
    ] = None,
    grace_hours: Annotated[
        float,
        typer.Option(
            min=0.0, max=168.0, help="So long after its end a fault still counts as there."
        ),
    ] = 1.0,
    close_hours: Annotated[
        float,
        typer.Option(
            min=0.0,
            max=8760.0,
            help="A ticket is taken to be closed so long after readings came back to normal.",
        ),
    ] = 24.0,
    jobs: Annotated[
        int | None,
        typer.Option(
            min=1, max=64, help="Processes at once. [default: by the machine]", show_default=False
        ),
    ] = None,
) -> None:
    """Run labelled histories through the rules and say how much they found, and how rightly.

    Nothing is recorded and no mail is sent. The samples go through the same rules and the same
    ticket desk as live, in order of time; README describes the folder's files.

    Example:

      basinward evaluate history --json result.json --picture result.svg
    """
    from gateway.cli.output import clean, errors, fail, print_problems  # noqa: PLC0415 - lazy
    from gateway.evaluation.folder import FaultyFolder, read_folder  # noqa: PLC0415 - lazy
    from gateway.evaluation.report import to_text  # noqa: PLC0415 - lazy
    from gateway.evaluation.run import run  # noqa: PLC0415 - lazy
    from rules.evaluation.scoring import score  # noqa: PLC0415 - lazy
    from rules.faults.registry import RULES, SLUGS  # noqa: PLC0415 - lazy

    if picture is not None and picture.suffix.lower() != ".svg":
        fail(f"The picture is drawn as SVG: name a file that ends in .svg, not '{picture}'.", 2)
    for file in (json_file, picture):
        if file is not None and not file.parent.is_dir():
            fail(f"{file} cannot be written: there is no folder {file.parent}.", 2)
    console = errors()

    def say(text: str) -> None:
        console.print(text, markup=False)

    began_s = time.monotonic()
    try:
        read = read_folder(folder, say)
    except FaultyFolder as faulty:
        print_problems(faulty.problems, console)
        say(f"\n{folder} has faults; nothing has been evaluated.")
        raise typer.Exit(1) from None
    if read.warnings:
        print_problems(read.warnings, console)
    read_s = time.monotonic() - began_s
    say(f"Judging {len(read.samples):,} samples of {len(read.samples.watched_ms())} units ...")
    close_ms = round(close_hours * _HOUR_MS)
    done = run(read, close_after_ms=close_ms, processes=jobs, progress=_progress(say))
    judged_s = time.monotonic() - began_s - read_s
    scores = score(
        read.labels,
        done.alarms,
        done.tickets,
        done.exposure,
        order=SLUGS,
        grace_ms=round(grace_hours * _HOUR_MS),
        catalogue={rule.fault.slug: rule.fault for rule in RULES},
        sent=read.sent(),
    )
    typer.echo(clean(to_text(read, done, scores, close_after_s=close_ms / 1000)))
    if json_file is not None:
        from gateway.evaluation.document import to_json  # noqa: PLC0415 - lazy

        text = json.dumps(to_json(read, done, scores), indent=1, ensure_ascii=False)
        json_file.write_text(text + "\n", encoding="utf-8")
    if picture is not None:
        from gateway.evaluation.picture import draw  # noqa: PLC0415 - lazy

        picture.write_text(draw(read, done, scores), encoding="utf-8")
    processes = f" in {done.processes} processes" if done.processes > 1 else ""
    say(f"Read in {read_s:.1f} s, judged in {judged_s:.1f} s{processes}.")


def _progress(say: Callable[[str], None]) -> Callable[[int, int], None]:
    """Says how far it is, every few seconds; where that has not changed, less often."""
    began_s = told_s = time.monotonic()
    told = ""

    def tell(done: int, total: int) -> None:
        nonlocal told_s, told
        now_s = time.monotonic()
        so_far = f"{done / total:.0%}"
        wanted_s = _TELL_EVERY_S if so_far != told else 6 * _TELL_EVERY_S
        if now_s - told_s >= wanted_s and done < total:
            told_s, told = now_s, so_far
            say(f"  {so_far} after {now_s - began_s:.0f} s")

    return tell
