"""Folders to evaluate, made by the simulator: two sites, some faults, a few days."""

from __future__ import annotations

import json
import shutil
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from rules.signals import SIGNALS
from simulator.history import history, truth, write_csv
from support.histories import END, FLEET_DIR

SITES = ("harbour-fish-hall", "lakeside-ice-rink")
SCENARIO: dict[str, Any] = {
    "faults": [
        {"unit": "harbour-fish-hall/ac-1", "kind": "fan-fault", "start": "-20h", "end": "-8h",
         "fans": [1]},
        {"unit": "lakeside-ice-rink/ac-2", "kind": "pump-trip", "start": "-15h", "end": "-4h"},
    ],
}  # fmt: skip


def write_folder(
    folder: Path, *, days: float = 2.0, step_s: float = 300.0, parquet: bool = True
) -> Path:
    """A whole folder: site files, samples and labels."""
    (folder / "sites").mkdir(parents=True)
    for site in SITES:
        shutil.copy(FLEET_DIR / "sites" / f"{site}.toml", folder / "sites")
    chunks = history(folder, SCENARIO, END - timedelta(days=days), END, step_s, seed=5)
    if parquet:
        parts = list(chunks)
        table = pa.concat_tables(
            pa.table(
                {
                    "time": pa.array(c.time_ms, pa.timestamp("ms", "UTC")),
                    "site": c.site.tolist(),
                    "unit": c.unit.tolist(),
                    **{
                        s.name: pa.array(c.values[:, i], from_pandas=True)
                        for i, s in enumerate(SIGNALS)
                    },
                }
            )
            for c in parts
        )
        pq.write_table(table, folder / "samples.parquet")
    else:
        with (folder / "samples.csv").open("w", newline="") as file:
            write_csv(chunks, file)
    (folder / "faults.json").write_text(json.dumps(labels(folder)))
    return folder


def labels(folder: Path) -> list[dict[str, Any]]:
    """What the scenario switches on, as the entries of faults.json."""

    def text(moment: datetime | None) -> str | None:
        return None if moment is None else moment.isoformat()

    return [
        {"site": site, "unit": unit, "fault": shows_as, "start": text(start), "end": text(end),
         "severity": "high" if severity > 0.6 else "medium"}
        for site, unit, _kind, shows_as, start, end, severity in truth(folder, SCENARIO, END)
        if shows_as
    ]  # fmt: skip
