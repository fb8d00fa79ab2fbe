"""How long the port model takes to set up a figure, beside the same inside with an even wall.

Run: python benchmarks/figure.py. The otter of study 10 with less and less of what makes it a figure, each a little
longer every time, so that nothing is kept. Times are of the processor, of this run; quote ratios.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from pathlib import Path
from time import process_time

import numpy as np
from ports import set_up

import simkit
from simkit.body.kernel import session
from simkit.vessel import Vessel

OTTER = Path(__file__).parent.parent / "studies" / "10_a_figure_on_legs" / "otter.toml"
TIMES = 3


def less_and_less(otter: Vessel) -> dict[str, Vessel]:
    """The otter and what it is without, the plainest first."""
    (body,) = otter.chambers
    bare = otter.with_chamber(body.model_copy(update={"mouthpiece": None}))
    return {
        "an even wall": bare.model_copy(update={"outside": None, "parts": ()}),
        "an outside of its own": bare.model_copy(update={"parts": ()}),
        "legs and a tail": bare,
        "the whole otter": otter,
    }


def longer(vessel: Vessel, n: int) -> Vessel:
    """The same a few micrometres longer inside: another design to all that is kept."""
    along, across, up, length, width, height = vessel.chambers[0].shape.lobes[0]
    lobe = (along, across, up, length + 2e-3 * n, width, height)
    (body,) = vessel.chambers
    shape = body.shape.model_copy(update={"lobes": (type(body.shape.lobes[0])(*lobe),)})
    return vessel.with_chamber(body.model_copy(update={"shape": shape}))


def main() -> None:
    """Print the table."""
    with session():  # gmsh loaded
        pass
    variants = less_and_less(simkit.load(OTTER))
    taken: dict[str, list[float]] = {name: [] for name in variants}
    for n in range(TIMES + 1):
        for name, vessel in variants.items():  # side by side: what else runs beside strikes all alike
            one = longer(vessel, n)
            start = process_time()
            set_up(one)
            if n:
                taken[name].append(process_time() - start)
    even = np.median(taken["an even wall"])
    for name, each in taken.items():
        middle = np.median(each)
        print(f"set-up with {name:22s}{middle:8.3f} s, {middle / even:5.2f} times that with an even wall")


if __name__ == "__main__":
    main()
