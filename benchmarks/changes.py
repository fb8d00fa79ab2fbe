"""How long a design takes that is asked again, with one thing changed, beside all of it solved anew; its growth.

Run: python benchmarks/changes.py, two minutes. Times are of the processor, of this run; quote ratios.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from collections.abc import Callable
from pathlib import Path
from statistics import median
from time import process_time

import numpy as np
from ports import exponent
from vessels import egg

import simkit
from simkit.sound import models
from simkit.sound.models import port_solutions, roots
from simkit.vessel import Vessel

YAM = Path(__file__).parent.parent / "studies" / "designs" / "river_yam.toml"
Change = Callable[[Vessel, int], Vessel]


def _more(key: str, step: float) -> Change:
    return lambda vessel, n: vessel.with_values({key: vessel.value(key) + n * step})


def _warmer(vessel: Vessel, n: int) -> Vessel:
    return vessel.with_values({"air.temperature_c": vessel.value("air.temperature_c") + 0.1 * n})


def _stretched(vessel: Vessel, n: int) -> Vessel:
    wide = [f"body.sections.{row}.width_mm" for row in (2, 3, 4, 5)]
    return vessel.with_values({key: vessel.value(key) * (1 + 1e-3 * n) for key in wide})


CHANGES: dict[str, Change] = {
    "asked again": lambda vessel, n: vessel,
    "other targets": _more("scale.a4_hz", 0.1),
    "another temperature": _warmer,
    "a hole widened": _more("body.hole.5.diameter_mm", 0.01),
    "a hole moved": _more("body.hole.5.along_mm", 0.05),
    "the cut-up changed": _more("body.voicing.cut_up_mm", 0.01),
    "the body stretched": _stretched,
}


def forget() -> None:
    """Let go of every mesh, factor and answer."""
    port_solutions._KEPT.clear()
    port_solutions._SOLVED.clear()


def seconds(vessel: Vessel, state: str = "still") -> float:
    """Of the processor, for one prediction."""
    start = process_time()
    simkit.predict(vessel, state=state)
    return process_time() - start


def changed(vessel: Vessel, change: Change, times: int = 5, state: str = "still") -> float:
    """The same, in the middle of a few changes that were never asked before, after the design at rest."""
    seconds(vessel, state)
    return median(seconds(change(vessel, n), state) for n in range(1, times + 1))


def anew(vessel: Vessel, times: int = 3, state: str = "still") -> float:
    """The same with nothing kept."""
    taken = []
    for _ in range(times):
        forget()
        taken.append(seconds(vessel, state))
    return median(taken)


def every_fingering(state: str) -> None:
    """Prints what all 65,536 fingerings of 16 holes take, and the plain way, each by its own small equations."""
    asked = models.resonator("ports", models.cases(egg(16), state=state)[0])
    states = (np.arange(1 << 16)[:, None] >> np.arange(16) & 1).astype(float)
    asked.lowest(states[:300])
    start = process_time()
    asked.lowest(states)
    taken = process_time() - start
    some = states[:: 1 << 5]
    worth, roots.FEWEST = roots.FEWEST, len(states)
    start = process_time()
    asked.lowest(some)
    plain = (process_time() - start) * len(states) / len(some)
    roots.FEWEST = worth
    print(
        f"all 65,536 fingerings of 16 holes, {state:7s}{taken:6.2f} s after set-up; the plain way "
        f"{plain / taken:.1f} times that"
    )


def main() -> None:
    """Print the table."""
    yam = simkit.load(YAM)
    seconds(yam)
    whole = anew(yam)
    print(f"river yam, all solved anew              {whole:8.3f} s, the piece by itself")
    for name, change in CHANGES.items():
        taken = changed(yam, change)
        print(f"{name:40s}{taken:8.3f} s, {whole / taken:6.1f} times quicker")
    whole = anew(yam, state="played")
    print(f"river yam as played, all anew           {whole:8.3f} s")
    for name, change in CHANGES.items():
        taken = changed(yam, change, state="played")
        print(f"as played, {name:29s}{taken:8.3f} s, {whole / taken:6.1f} times quicker")
    counts, taken, fresh = [2, 4, 8, 16], [], []
    for holes in counts:
        vessel = egg(holes)
        one = f"{vessel.chambers[0].name}.hole.{vessel.chambers[0].holes[0].name}.diameter_mm"
        taken.append(changed(vessel, _more(one, 0.01)))
        fresh.append(anew(vessel, 2))
        print(f"{holes:4d} holes: one widened {taken[-1]:7.3f} s, all anew {fresh[-1]:7.3f} s")
    print(
        f"a widened hole grows as holes^{exponent(counts, taken):.2f}, all anew as holes^{exponent(counts, fresh):.2f}"
    )
    for state in ("still", "played"):
        every_fingering(state)


if __name__ == "__main__":
    main()
