"""Writes the labelled folder: site files, samples as CSV or Parquet in order of arrival, labels."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute
import pyarrow.csv
import pyarrow.parquet
from numpy.typing import NDArray

from .campaign import START, STRANGER_FROM, Campaign
from .machine import Design
from .sensors import NAMES

__all__ = ["site_text", "write"]


def _value(value: object) -> str:
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else f"{value}"


def site_text(d: Design, number: int) -> str:
    """The site file of one site, as TOML."""
    site = d.sites[number]
    lines = [
        "# An invented site. People, addresses and numbers are fictional.",
        f'id = "{site.id}"',
        f'name = "Plot {number + 1} ({site.climate.name})"',
        f'address = "Plot {number + 1}, Proving Lane"',
        'access = "Gate code at the desk"',
        f'time_zone = "{site.climate.time_zone}"',
        f"elevation_m = {site.climate.elevation_m:g}",
        'energy_control_procedure = "Procedure 7, plant room folder"',
        'team = "proving"',
        "",
        "[[contacts]]",
        'name = "Desk"',
        'role = "Shift desk"',
        'email = "desk@proving.example"',
    ]
    for u in site.units:
        lines += ["", "[[units]]", f'id = "{d.ids[u]}"', f'name = "Condenser {d.ids[u]}"',
                  'location = "Roof"']  # fmt: skip
        for table, values in d.nameplates[u].items():
            lines += ["", f"[units.{table}]", *(f"{k} = {_value(v)}" for k, v in values.items())]
        lines += [
            "", "[[units.isolation]]", f'label = "Q{u + 1}"', 'energy = "electrical"',
            'isolates = "Pump and fans of this unit"', "location = \"On the unit's panel\"",
            'method = "Turn off, fit own padlock and tag"',
            'verify = "Prove dead with a tester proved before and after"',
        ]  # fmt: skip
    return "\n".join(lines) + "\n"


def _table(c: Campaign, *, by_time: bool, received: bool) -> pa.Table:
    d = c.design
    unit = np.concatenate([np.full(r.stamped_s.size, r.unit) for r in c.rows])
    stamped = np.concatenate([r.stamped_s for r in c.rows])
    arrives = np.concatenate([r.arrives_s for r in c.rows])
    values = np.concatenate([r.values for r in c.rows])
    site_names = np.array([s.id for s in d.sites])[d.site_of]
    unit_names = np.array(d.ids)
    if c.stranger is not None:
        also = np.flatnonzero((unit == c.stranger) & (arrives > STRANGER_FROM * arrives.max()))
        unit = np.r_[unit, np.full(also.size, d.n)]
        stamped, arrives = np.r_[stamped, stamped[also]], np.r_[arrives, arrives[also] + 1]
        values = np.vstack([values, values[also]])
        site_names = np.append(site_names, site_names[c.stranger])
        unit_names = np.append(unit_names, "spare-9")
    order = np.argsort(stamped if by_time else arrives, kind="stable")
    unit, values = unit[order], values[order]
    ms = np.round((START + stamped[order]) * 1000).astype("datetime64[ms]")
    columns: dict[str, Any] = {
        "time": pa.array(ms, type=pa.timestamp("ms", tz="UTC")),
        "site": pa.array(site_names[unit]),
        "unit": pa.array(unit_names[unit]),
    }
    if received:
        came = np.round((START + arrives[order]) * 1000).astype("datetime64[ms]")
        columns["received"] = pa.array(came, type=pa.timestamp("ms", tz="UTC"))
    for i, name in enumerate(NAMES):
        column: NDArray[np.float64] = np.round(values[:, i].astype(np.float64), 2)
        columns[name] = pa.array(column, mask=np.isnan(column))
    return pa.table(columns)


def write(
    c: Campaign, out: Path, form: str = "parquet", *, by_time: bool = False, received: bool = False
) -> int:
    """Write the folder; the number of rows.

    Rows stand in order of arrival (a backlog late, a wrong clock's stamps out of order), or of
    their time stamps if ``by_time``. ``received`` adds a column that says when each came.
    """
    (out / "sites").mkdir(parents=True, exist_ok=True)
    for number, site in enumerate(c.design.sites):
        (out / "sites" / f"{site.id}.toml").write_text(site_text(c.design, number))
    table = _table(c, by_time=by_time, received=received)
    for old in ("samples.csv", "samples.parquet"):
        (out / old).unlink(missing_ok=True)
    if form == "csv":
        for i, name in enumerate(table.column_names):
            if name in {"time", "received"}:
                texts = pa.compute.strftime(table[name], format="%Y-%m-%dT%H:%M:%SZ")
                table = table.set_column(i, name, texts)
        options = pyarrow.csv.WriteOptions(quoting_style="none")
        pyarrow.csv.write_csv(table, out / "samples.csv", options)
    else:
        pyarrow.parquet.write_table(table, out / "samples.parquet", compression="zstd")
    (out / "faults.json").write_text(json.dumps(c.labels, indent=1) + "\n")
    (out / "out_of_service.json").write_text(json.dumps(c.out_of_service, indent=1) + "\n")
    return table.num_rows
