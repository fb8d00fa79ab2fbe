"""Fit the law of the clay under a windway's end (`field.window.ledge`) to the window's cell, and tell how right it is.

Run: python benchmarks/floors.py [--cells 64] [--write]

Solves windows of sizes all over the law's range with the clay and without, five seconds each; --write puts the fitted
table in the law's place.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import argparse
import sys
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from scipy.stats import qmc

from simkit.body.meshes.window_block import WindowCell
from simkit.errors import SimkitError
from simkit.field.window.cell import SOLVED_AT, passage
from simkit.field.window.ledge import HIGH, LOW, TABLE, floor_burden, step_in_slit, terms

SEED = 3
WALLS, LEAST_RUN, MOST_RUN = (0.5, 1.6), 0.1, 1.75  # of the slope; less is an upright side
NOSES = 0.09e-3, 0.09e-3, 0.2e-3, 0.2e-3  # m, in turn: rims left sharp but for the edge's own, and all rounded
HEADER = "of 1/K, of the friction: terms as in field.window.ledge"


def windows(count: int) -> Iterator[WindowCell]:
    """Windows with a floor, all over the law's range."""
    sizes = [*zip(LOW[:1], HIGH[:1], strict=True), WALLS, *zip(LOW[1:], HIGH[1:], strict=True)]
    low, high = np.array(sizes).T
    shares = qmc.Sobol(5, seed=SEED).random(count)
    for n, share in enumerate(shares):
        width, wall, floor, beside = SOLVED_AT * np.exp(np.log(low) + share[:4] * np.log(high / low))
        run = MOST_RUN * share[4]
        edge = float(np.rad2deg(np.arctan2(1, run))) if run > LEAST_RUN else 90.0
        nose = NOSES[n % 4]
        yield WindowCell(width, SOLVED_AT, wall, edge, nose, nose, floor=floor, beside=beside)


def burden(cell: WindowCell) -> tuple[float, float]:
    """What a cell's floor adds to 1/K, 1/m, and to the friction, 1/m2, both on like meshes."""
    with_it, without = (passage(each) for each in (cell, replace(cell, floor=0.0, room=cell.far)))
    return 1 / with_it.conductivity - 1 / without.conductivity, with_it.friction - without.friction


def fitted(cells: list[WindowCell], found: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Coefficients (8, 2) and, of each cell left out, by what share the law of the others misses it (n, 2)."""
    H = SOLVED_AT
    X = np.array([terms(np.array([c.width, c.floor, c.beside]) / H, c.edge_deg) for c in cells])
    steps = np.array([step_in_slit(c.floor / H) / c.width for c in cells])
    y = np.log(found * [1, H] / steps[:, None])
    law = np.linalg.lstsq(X, y)[0]
    return law, (y - X @ law) / (1 - np.einsum("ij,ji->i", X, np.linalg.pinv(X)))[:, None]


def main() -> None:
    """Fit, tell, and write if asked."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cells", type=int, default=64)
    parser.add_argument("--write", action="store_true")
    asked = parser.parse_args()
    cells, found = [], []
    for cell in windows(asked.cells):
        try:
            found.append(burden(cell))
        except SimkitError as why:
            sys.stderr.write(f"\nleft out: {why}\n")
            continue
        cells.append(cell)
        sys.stderr.write(f"\r{len(found)} windows")
    sys.stderr.write("\n")
    by_law = [floor_burden(c.width, c.cut_up, c.edge_deg, c.floor, c.beside) for c in cells]
    off = np.log(np.array([[each.inertance, each.friction] for each in by_law]) / np.array(found))
    sys.stdout.write(f"the law as it is: median {100 * np.median(np.abs(off), axis=0)} % off\n")
    law, left = fitted(cells, np.array(found))
    sys.stdout.write(f"fitted anew to {len(cells)}: {100 * left.std(axis=0)} % off on windows left out\n")
    if asked.write:
        np.savetxt(TABLE, law, fmt="%.4f", delimiter=",", header=HEADER)


if __name__ == "__main__":
    main()
