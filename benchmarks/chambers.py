"""How long three chambers in one body take: every note of 24 holes, and tuning all of it.

Run: python benchmarks/chambers.py. Times are of the processor, of this run, on this machine; quote ratios.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from collections.abc import Callable
from time import process_time

import simkit
from simkit.body import kernel
from simkit.machine import most_memory
from simkit.optimisation.designing.dividing import NAMES, divided
from simkit.optimisation.designing.joining import chamber_text, head_text, set_side_by_side
from simkit.vessel import loads
from simkit.vessel.wishes import WishedRange

WISH = WishedRange("C chromatic", "F3", "G5", 3)


def timed(job: Callable[[], object]) -> tuple[object, float]:
    """What a job answers, and its processor time in s."""
    start = process_time()
    answer = job()
    return answer, process_time() - start


def main() -> None:
    """Print the table."""
    texts = [chamber_text(WISH, name, plan) for name, plan in zip(NAMES[3], divided(WISH), strict=True)]
    vessel = set_side_by_side(loads("\n".join([head_text(WISH), *texts])))
    holes = sum(len(chamber.holes) for chamber in vessel.chambers)
    with kernel.session():
        pass  # gmsh loaded: a start that every command has
    simkit.predict(loads(head_text(WISH) + texts[2]), "ports")  # and all that is imported and tabled once
    prediction, predicting = timed(lambda: simkit.predict(vessel, "ports"))
    _, again = timed(lambda: simkit.predict(vessel, "ports"))
    chorded, ringing = timed(lambda: simkit.predict(vessel, "ports", blown="all"))
    outcome, tuning = timed(lambda: simkit.optimise(vessel, ["diameters", "size", "offsets"]))
    print(f"{len(vessel.chambers)} chambers, {holes} holes, {len(prediction.notes)} notes")
    print(f"every note, new meshes                   {predicting:6.2f} s")
    print(f"the same once more, meshes kept          {again:6.2f} s")
    print(f"{len(chorded.chords)} chords of all three                {ringing:6.2f} s")
    print(f"diameters, sizes and places tuned        {tuning:6.1f} s, worst note {outcome.worst_cents:.2f} cents")
    print(f"most memory held                         {most_memory() / 2**20:6.0f} MB")


if __name__ == "__main__":
    main()
