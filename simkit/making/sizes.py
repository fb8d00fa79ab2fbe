"""Every size that a maker measures, at every stage."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simkit.body import ChamberBody
from simkit.making.shrinkage import Shrinkage, Stage
from simkit.making.slices import Frame
from simkit.vessel import Chamber, Vessel


@dataclass(frozen=True)
class Size:
    """A length on the fired piece, mm, and what it is of.

    >>> round(Size("cut-up", 5.34).at(Stage.WET, Shrinkage.of(drying=0.05, firing=0.06)), 2)
    5.98
    """

    what: str
    fired_mm: float

    def at(self, stage: Stage, shrinkage: Shrinkage) -> float:
        """Length at a stage: fired/(1 - S), mm."""
        return self.fired_mm * shrinkage.size(stage)


def sizes_of(vessel: Vessel, chamber: Chamber, body: ChamberBody) -> tuple[Size, ...]:
    """The sizes of one chamber: inside, wall, window and windway, holes."""
    points = np.concatenate([sheet.points.reshape(-1, 3) for sheet in body.wall.sheets(2)])
    # In the chamber's own directions: what a maker measures, however it is turned in the piece.
    length, width, height = 1e3 * np.ptp(Frame.of(body.wall).coordinates(points), axis=0)
    found = [
        Size("inside, along", length),
        Size("inside, across", width),
        Size("inside, up", height),
        Size("wall", vessel.clay.wall_mm),
    ]
    if chamber.voicing:
        voicing = chamber.voicing
        found += [
            Size("window, width", voicing.window_width_mm),
            Size("window, cut-up", voicing.cut_up_mm),
            Size("windway, height", voicing.windway_height_mm),
            Size("windway, length", voicing.windway_length_mm),
        ]
    return (*found, *(Size(f"hole {hole.name}", hole.diameter_mm) for hole in chamber.holes))


def shown(size_mm: float) -> str:
    """A length as a maker reads it: a tenth of a mm, under 20 mm a hundredth."""
    return f"{size_mm:.2f}" if size_mm < 20 else f"{size_mm:.1f}"
