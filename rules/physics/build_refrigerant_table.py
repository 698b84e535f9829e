"""Builds ``refrigerant_table.csv``: dew-line temperature against pressure, from CoolProp.

Run by hand when a refrigerant is added: ``python -m rules.physics.build_refrigerant_table``. The
running program never imports this module, and CoolProp is only a reference library of the tests.
The sources are the reference equations of state that CoolProp implements (Bell et al. 2014, Ind.
Eng. Chem. Res. 53:2498); blends are its predefined mixtures.

Near the critical point of a blend the dew calculation fails here and there. Those nodes are
interpolated from neighbours that succeeded and from the traced phase envelope, and the table of a
blend ends at 98 % of its critical pressure.
"""

from __future__ import annotations

import sys
from importlib import import_module
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rules.physics.refrigerant import REFRIGERANTS, TABLE_NAME

# By name, because the running program does not need it and its type information comes and goes with
# its version.
CP: Final[Any] = import_module("CoolProp.CoolProp")

NODES: Final = 512
LOWEST_DEGC: Final = -50.0
BLEND_TOP_FRAC: Final = 0.98
KELVIN: Final = 273.15
WRONG_ROOT_K: Final = 1.0
"""A dew calculation this far off the coarse phase envelope has found a wrong root. [K]"""

Floats = NDArray[np.float64]


def library_name(refrigerant: str) -> str:
    """CoolProp's name: pure fluids as they are, blends as predefined mixtures."""
    return refrigerant if refrigerant in {"R717", "R744", "R134a"} else f"{refrigerant}.mix"


def dew_column(refrigerant: str) -> tuple[float, float, float, float, Floats]:
    """Lowest, highest and critical pressure [Pa], critical temperature [K], node values [K]."""
    state = CP.AbstractState("HEOS", library_name(refrigerant))
    blend = library_name(refrigerant).endswith(".mix")
    # The solver of blends also returns roots of negative pressure.
    critical = next(c for c in state.all_critical_points() if c.p > 0) if blend else None
    p_crit = critical.p if critical else state.p_critical()
    t_crit = critical.T if critical else state.T_critical()
    state.update(CP.QT_INPUTS, 1.0, LOWEST_DEGC + KELVIN)
    p_low = state.p()
    p_high = BLEND_TOP_FRAC * p_crit if blend else p_crit
    ln_p = np.linspace(np.log(p_low), np.log(p_high), NODES)
    t_k = np.array([_dew_k(state, float(np.exp(x))) for x in ln_p])
    if blend:
        t_k = _mended(state, ln_p, t_k)
    else:
        t_k[-1] = t_crit
    if not (np.isfinite(t_k).all() and (np.diff(t_k) > 0.0).all()):
        msg = f"{refrigerant}: the dew line is not complete and rising; nothing written"
        raise SystemExit(msg)
    return p_low, p_high, p_crit, t_crit, t_k


def _dew_k(state: Any, p_pa: float) -> float:
    try:
        state.update(CP.PQ_INPUTS, p_pa, 1.0)
    except ValueError:
        return np.nan
    return float(state.T())


def _envelope(state: Any) -> tuple[Floats, Floats]:
    """The dew side of the phase envelope: rising pressures [ln Pa] and temperatures [K]."""
    state.build_phase_envelope("")
    data = state.get_phase_envelope_data()
    p, t = np.array(data.p), np.array(data.T)
    top = int(np.argmax(p)) + 1
    return np.log(p[:top]), t[:top]


def _mended(state: Any, ln_p: Floats, t_k: Floats) -> Floats:
    """Nodes that failed or found a wrong root, filled by a local cubic through its neighbours.

    The neighbours are the good nodes, dew calculations at given temperature in the gaps, and
    points of the traced envelope where those fail too.
    """
    env_ln_p, env_t = _envelope(state)
    good = np.abs(t_k - np.interp(ln_p, env_ln_p, env_t)) < WRONG_ROOT_K
    step = ln_p[1] - ln_p[0]
    x, y = ln_p[good], t_k[good]
    by_temperature = [_dew_ln_pa(state, t) for t in np.arange(y[0], env_t[-1], 0.1)]
    more = np.array([(p, t) for p, t in by_temperature if np.isfinite(p)])
    right = np.abs(more[:, 1] - np.interp(more[:, 0], env_ln_p, env_t)) < WRONG_ROOT_K
    for extra_x, extra_y in ((more[right, 0], more[right, 1]), (env_ln_p, env_t)):
        for px, py in zip(extra_x, extra_y, strict=True):
            if np.abs(x - px).min() > 0.7 * step:  # nearer points would amplify rounding
                x, y = np.append(x, px), np.append(y, py)
    order = np.argsort(x)
    filled = np.array([_cubic(v, x[order], y[order]) for v in ln_p])
    sys.stderr.write(f"  {int((~good).sum())} of {NODES} nodes interpolated\n")
    return np.where(good, t_k, filled)


def _dew_ln_pa(state: Any, t_k: float) -> tuple[float, float]:
    try:
        state.update(CP.QT_INPUTS, 1.0, t_k)
    except ValueError:
        return np.nan, t_k
    return float(np.log(state.p())), t_k


def _cubic(at: float, x: Floats, y: Floats) -> float:
    """Lagrange's cubic through the two points on either side."""
    first = int(np.clip(np.searchsorted(x, at) - 2, 0, len(x) - 4))
    xs, ys = x[first : first + 4], y[first : first + 4]
    total = 0.0
    for j in range(4):
        others = np.delete(xs, j)
        total += float(ys[j] * np.prod((at - others) / (xs[j] - others)))
    return total


def table_text() -> str:
    """The whole data file."""
    columns = []
    for name in REFRIGERANTS:
        sys.stderr.write(f"{name}\n")
        columns.append(dew_column(name))
    lines = [
        "# Dew-line (saturated vapour) temperature in °C at nodes evenly spaced in ln p.",
        f"# From CoolProp {version('coolprop')} by build_refrigerant_table.py; do not edit.",
        "row," + ",".join(REFRIGERANTS),
        "lowest_kpa_abs," + ",".join(f"{c[0] / 1e3:.6f}" for c in columns),
        "highest_kpa_abs," + ",".join(f"{c[1] / 1e3:.6f}" for c in columns),
        "critical_kpa_abs," + ",".join(f"{c[2] / 1e3:.6f}" for c in columns),
        "critical_degc," + ",".join(f"{c[3] - KELVIN:.4f}" for c in columns),
    ]
    lines += [f"{i}," + ",".join(f"{c[4][i] - KELVIN:.4f}" for c in columns) for i in range(NODES)]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    Path(__file__).with_name(TABLE_NAME).write_text(table_text(), encoding="utf-8")
