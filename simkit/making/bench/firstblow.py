"""The first blow: window cut, no hole yet. It reads higher than the same note with all holes cut and covered.

A covered hole keeps the air of its chimney, which is not there before it is cut:

    cents = 1200 log2(f(no hole, at a stage) (size at that stage) / f(all holes covered, fired))

so that target/size, the reading with all holes covered, times 2^(cents/1200) is the reading with none. The layers of
slow air at the walls, which the rule of scaling leaves out, are in it.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from simkit.body import Made
from simkit.making.bench.piece import BenchModel
from simkit.making.readings import StageReading, reading
from simkit.making.shrinkage import Shrinkage, Stage
from simkit.pitch import Tuning


def uncut_cents(model: BenchModel, shrinkage: Shrinkage) -> dict[Stage, float]:
    """Excess of the covered note's reading at each stage while no hole is cut, cents."""
    stages = tuple(Stage)
    count, designed = len(stages), model.designed
    # One state for each stage with no hole, and last the fired piece with all holes, covered.
    sizes = np.array([*(shrinkage.size(stage) for stage in stages), 1.0])
    every = designed.rows(np.zeros(count + 1, int))
    cut = np.append(np.zeros(count), 1.0)[:, None]  # 0: no hole is there yet
    pieces: Made = every.but(size=sizes, diameters=every.diameters * cut)
    hz = model.lowest(pieces, np.zeros_like(pieces.diameters)).real
    return {stage: float(1200 * np.log2(hz[n] * sizes[n] / hz[count])) for n, stage in enumerate(stages)}


def first_blow(
    target_hz: float,
    uncut: Mapping[Stage, float],
    shrinkage: Shrinkage,
    tuning: Tuning | None = None,
    *,
    air_ratio: float = 1.0,
) -> tuple[StageReading, ...]:
    """Readings of the covered note with no hole cut, at all four stages, for the fired piece to be at its target.

    uncut: excess of its reading then, cents; air_ratio: as of `readings`.
    """
    return tuple(
        reading(
            target_hz, stage, shrinkage, tuning, fired_hz=target_hz * 2 ** (uncut[stage] / 1200), air_ratio=air_ratio
        )
        for stage in Stage
    )
