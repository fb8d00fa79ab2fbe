"""What the judge costs: one fingering by both gradings, ten of one body, and its solver beside a direct and a
multigrid one.

Run: python benchmarks/resolved.py. Times are of the processor, of this run, on this machine; quote ratios. The
multigrid line needs pyamg (pip install pyamg), which is used nowhere else.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from collections.abc import Callable
from dataclasses import replace
from itertools import product

import numpy as np
from vessels import egg

from simkit.body.chambers import WINDOW
from simkit.body.kernel import session
from simkit.field.fem.factor import TwoLevel, factored
from simkit.field.fem.resonance_search import Radiating
from simkit.machine import most_memory
from simkit.sound import models

OPEN = ("1", "2")


def spent() -> float:
    """Seconds of the processor so far, those of gmsh's own process among them."""
    return sum(os.times()[:4])


def peak() -> float:
    """Most memory that this process has held, MB."""
    return most_memory() / 2**20


def two_levels(air: Radiating) -> Callable[[np.ndarray], np.ndarray]:
    """The chosen one, made anew: linear elements factored, Chebyshev's smoothing around them."""
    return TwoLevel((air.K + air.S / air.radius).tocsr(), air.inverse.spread)


def direct(air: Radiating) -> Callable[[np.ndarray], np.ndarray]:
    """The same inverse by a factorisation of the whole."""
    return factored((air.K + air.S / air.radius).tocsr())


def multigrid(air: Radiating) -> Callable[[np.ndarray], np.ndarray]:
    """One cycle of smoothed aggregation."""
    import pyamg

    levels = pyamg.smoothed_aggregation_solver((air.K + air.S / air.radius).tocsr())
    cycle = levels.aspreconditioner()
    return lambda load: np.stack([cycle @ column for column in load.T], axis=1)


def ten_fingerings() -> tuple[float, float]:
    """Seconds for the first fingering of a body with four holes, its meshes among them, and for the first ten."""
    shares = np.array(list(product((1.0, 0.0), repeat=4)))[:10]
    start = spent()
    judge = models.resonator("resolved", models.cases(egg(4))[0])
    judge.lowest(shares[:1])
    one = spent() - start
    judge.lowest(shares[1:])
    return one, spent() - start


def main() -> None:
    """Print the table."""
    with session():  # gmsh loaded
        pass
    start = spent()
    judge = models.resonator("resolved", models.cases(egg(2))[0])
    meshed = spent() - start
    start = spent()
    (ring,) = judge.resonances(OPEN)
    solved = spent() - start
    coarse, fine = judge.field.airs
    print(f"window and 2 holes open: {ring.frequency_hz:.2f} Hz, Q {ring.q:.1f}, "
          f"+-{judge.evidence(OPEN).uncertainty_cents:.1f} cents")  # fmt: skip
    print(f"both meshes and matrices                {meshed:8.1f} s")
    print(f"both solutions                          {solved:8.1f} s")
    print(f"together                                {meshed + solved:8.1f} s")
    print(f"peak memory                             {peak():8.0f} MB (figure: 2048)")
    start = spent()
    judge.resonances(("1",))
    print(f"another fingering on the same meshes    {spent() - start:8.1f} s")
    one, ten = ten_fingerings()
    print(
        f"of a body with four holes one fingering {one:8.1f} s, ten {ten:.1f} s: {ten / one:.1f} times one (figure: 3)"
    )

    for name, whole in (("coarse", coarse), ("fine", fine)):
        number = whole.joined((WINDOW, *OPEN))
        air = whole.radiating(number)
        print(f"{name} mesh, {air.K.shape[0]:,} unknowns: solver set up, resonance found, memory")
        for label, make in (
            ("two levels (chosen)", two_levels),
            ("multigrid by pyamg", multigrid),
            ("direct by splu", direct),
        ):
            start = spent()
            try:
                inverse = make(air)
            except ImportError:
                print(f"  {label:24s} not installed")
                continue
            ready, start = spent() - start, spent()
            k, _ = replace(air, inverse=inverse).resonances(1)[0]
            print(f"  {label:24s} {ready:6.1f} s {spent() - start:6.1f} s {peak():7.0f} MB  k = {k:.6f} 1/m",
                  flush=True)  # fmt: skip


if __name__ == "__main__":
    main()
