"""Fit the law by which a window's relief changes beside it (`simkit.optimise.windows`) to the window's cell.

Run: python benchmarks/windows.py [COUNT]. Solves COUNT windows (171 unless said otherwise), two seconds each, of sizes
all over the law's range, and prints its two tables and how right it is on windows that it has not seen.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import sys

import numpy as np
from scipy.stats import qmc

from simkit.errors import SimkitError
from simkit.field.cell import SOLVED_AT, slope_relief
from simkit.optimise.windows import law_terms

# ln(width), ln(wall), edge_deg, ln(rim inside), ln(rim outside), curvature across and along: lengths over the cut-up.
LOW = np.array([np.log(1.2), np.log(0.45), 25, np.log(0.02), np.log(0.02), -0.02, -0.10])
HIGH = np.array([np.log(3.2), np.log(1.5), 75, np.log(0.09), np.log(0.10), 0.35, 0.30])
SEED = 5


def windows(count: int) -> tuple[np.ndarray, np.ndarray]:
    """The law's terms (n, 28) of windows and the logarithms of their two reliefs (n, 2), lengths over the cut-up."""
    terms, reliefs = [], []
    for place in qmc.Sobol(7, seed=SEED).random(1024)[:count]:
        at = LOW + (HIGH - LOW) * place
        (width, wall, nose, rim), edge, (across, along) = np.exp(at[[0, 1, 3, 4]]), at[2], at[5:]
        H, bend = SOLVED_AT, (across / SOLVED_AT, along / SOLVED_AT)
        try:
            relief = slope_relief(width * H, H, wall * H, edge, nose * H, rim * H, bend)
        except SimkitError as why:
            sys.stderr.write(f"left out: {why}\n")
            continue
        terms.append(law_terms(width, wall, edge, nose, rim, across, along))
        reliefs.append(np.log([-relief.inertance * H, -relief.friction * H * H]))
        sys.stderr.write(f"\r{len(terms)} windows")
    sys.stderr.write("\n")
    return np.array(terms), np.array(reliefs)


def main(count: int) -> None:
    """Fit and tell."""
    terms, reliefs = windows(count)
    X = np.column_stack([np.ones(len(terms)), terms])
    hat = X @ np.linalg.pinv(X)
    unseen = (reliefs - hat @ reliefs) / (1 - np.diag(hat))[:, None]
    for name, law, off in zip(("inertance", "friction"), np.linalg.lstsq(X, reliefs)[0].T, unseen.T, strict=True):
        sys.stdout.write(f"{name}: {100 * off.std():.1f} % off on windows left out one by one\n")
        sys.stdout.write(f"{np.round(law[1:], 4).tolist()}\n")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 171)
