"""Fit the law of what a sloping edge spares (`field.window.relief`) to the window's cell, and tell how right it is.

Run: python benchmarks/windows.py [--uprights 500] [--write]

Solves windows of sizes all over the law's range, three slopes to each upright one, a second each; --write puts the
fitted table in the law's place. Windows that a mesh got wrong by more than 4.5 times the usual are left out of it.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import argparse
import itertools
import sys
from collections.abc import Iterator

import numpy as np
from scipy.stats import qmc

from simkit.body.meshes.window_block import WindowCell
from simkit.errors import SimkitError
from simkit.field.window.cell import SOLVED_AT, solved_relief
from simkit.field.window.relief import DEGREE, HIGH, LOW, TABLE, covers, logarithms, place, terms, window_cell

SEED, SLOPES, OUTLIER = 7, 3, 4.5
HEADER = "degrees of width, wall, slope, rim inside, rim outside, bend across, bend along; inertance, friction"


def windows(uprights: int) -> Iterator[tuple[WindowCell, tuple[float, float]]]:
    """Windows all over the law's range, and how their walls are bent, 1/m."""
    slopes = np.random.default_rng(SEED)
    steepest, flattest = (np.rad2deg(np.arctan(np.exp(-end[2]))) for end in (LOW, HIGH))
    for share in qmc.Sobol(7, seed=SEED).random(2048)[:uprights]:
        at = LOW + (HIGH - LOW) * share
        width, wall, nose, rim = SOLVED_AT * np.exp(at[[0, 1, 3, 4]])
        bend = at[5:] / max(width / 2, SOLVED_AT)
        for part in range(SLOPES):
            edge = flattest + (steepest - flattest) * (part + slopes.random()) / SLOPES
            yield window_cell(width, SOLVED_AT, wall, edge, nose, rim), (float(bend[0]), float(bend[1]))


def solved(uprights: int) -> tuple[np.ndarray, np.ndarray]:
    """Places (n, 7) of windows in the law and the logarithms (n, 2) of their two reliefs by elements."""
    places, found = [], []
    for cell, bend in windows(uprights):
        try:
            relief = solved_relief(cell, bend)
        except SimkitError as why:
            sys.stderr.write(f"\nleft out: {why}\n")
            continue
        at = place(cell, bend)
        if covers(at) and max(relief.inertance, relief.friction) < 0:
            places.append(at)
            found.append(np.log([-relief.inertance * SOLVED_AT, -relief.friction * SOLVED_AT**2]))
        sys.stderr.write(f"\r{len(found)} windows")
    sys.stderr.write("\n")
    return np.array(places), np.array(found)


def main() -> None:
    """Fit, tell, and write if asked."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--uprights", type=int, default=500)
    parser.add_argument("--write", action="store_true")
    asked = parser.parse_args()
    places, found = solved(asked.uprights)
    off = 100 * (np.array([logarithms(at) for at in places]) - found)
    sys.stdout.write(f"the law as it is: median {np.median(np.abs(off), axis=0)} % off\n")
    exponents = np.array([e for e in itertools.product(range(DEGREE + 1), repeat=7) if sum(e) <= DEGREE])
    X, kept = terms(places, exponents), np.ones(len(places), bool)
    if len(X) < 2 * len(exponents):
        sys.exit(f"{len(exponents)} terms want more than {len(X)} windows")
    for _ in range(3):
        law = np.linalg.lstsq(X[kept], found[kept])[0]
        left = found - X @ law
        kept = np.abs(left[:, 0]) < OUTLIER * 1.48 * np.median(np.abs(left[:, 0]))
    unseen = left[kept] / (1 - np.einsum("ij,ji->i", X[kept], np.linalg.pinv(X[kept])))[:, None]
    sys.stdout.write(
        f"fitted anew to {kept.sum()} of {len(kept)}: {100 * unseen.std(axis=0)} % off on windows left out\n"
    )
    if asked.write:
        np.savetxt(TABLE, np.hstack([exponents, law]), fmt=["%d"] * 7 + ["%.5f"] * 2, delimiter=",", header=HEADER)


if __name__ == "__main__":
    main()
