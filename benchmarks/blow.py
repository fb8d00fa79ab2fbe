"""How long the blow table of every fingering of twelve holes takes, beside blowing fingerings one by one.

Run: python benchmarks/blow.py. Times are of the processor, of this run, on this machine; quote ratios.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from collections.abc import Callable
from time import process_time

import numpy as np
from vessels import egg

from simkit.machine import most_memory
from simkit.sound import models
from simkit.sound.answers.chart import combinations
from simkit.sound.blowing.behaviour import blow_fingerings
from simkit.sound.blowing.table import RESONANCES, jet_of
from simkit.sound.elements.constants import JetConstants

SAMPLE = 16  # fingerings blown one by one, of 4,096


def timed(job: Callable[[], object]) -> tuple[object, float]:
    """What a job answers, and its processor time in s."""
    start = process_time()
    answer = job()
    return answer, process_time() - start


def main() -> None:
    """Print the table."""
    (case,) = models.cases(egg(12))
    resonator, setting_up = timed(lambda: models.resonator("ports", case))
    every = combinations(12)
    motion, moving = timed(lambda: resonator.motion(every, RESONANCES))
    jet = jet_of(case, JetConstants())
    blown, blowing = timed(lambda: blow_fingerings(motion, jet, careful=False))
    some = np.linspace(0, len(every) - 1, SAMPLE).astype(int)
    _, singly = timed(lambda: [blow_fingerings(motion.only(np.array([i])), jet, careful=False) for i in some])
    _, carefully = timed(lambda: blow_fingerings(motion.only(some), jet))
    print(f"set up, gmsh loading included            {setting_up:6.2f} s")
    print(f"how the air moves in 4,096 fingerings    {moving:6.2f} s")
    print(f"blowing them in one batch                {blowing:6.2f} s, {blown.speaks.sum()} speak")
    print(f"blowing them one by one                  {singly / SAMPLE * len(every):6.1f} s, from {SAMPLE} of them")
    print(f"{SAMPLE} of them with overtones                {carefully:6.2f} s")
    print(f"most memory held                         {most_memory() / 2**20:6.0f} MB")


if __name__ == "__main__":
    main()
