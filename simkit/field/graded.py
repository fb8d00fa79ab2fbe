"""The whole air of a chamber at two finenesses, so that what the mesh leaves can be told and taken off."""

from __future__ import annotations

import logging
import time
from dataclasses import dataclass, field

from simkit.body.body import ChamberBody
from simkit.body.whole import checked, whole_mesh
from simkit.errors import MeshError
from simkit.field.whole import WholeAir, WholeMode

# Every size of the mesh over the standard; others nearby are tried where gmsh fails at the first.
GRADINGS = ((1.25, 1.19, 1.31), (1.0, 0.96, 1.04))

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class GradedAir:
    """The coarse and the fine air of one chamber, with their sizes over the standard, and every mode found so far."""

    airs: tuple[WholeAir, WholeAir]
    sizes: tuple[float, float]
    seconds: float
    _found: dict[tuple[str, ...], tuple[WholeMode, WholeMode]] = field(default_factory=dict, compare=False)

    @property
    def ratio(self) -> float:
        """Size of the coarse mesh over that of the fine."""
        return self.sizes[0] / self.sizes[1]

    def lowest(self, opened: tuple[str, ...]) -> tuple[WholeMode, WholeMode]:
        """The lowest resonance with these openings open, coarse and fine."""
        key = tuple(sorted(opened))
        if key not in self._found:
            coarse, fine = (air.lowest(key) for air in self.airs)
            self._found[key] = coarse, fine
        return self._found[key]


def graded_air(chamber: ChamberBody) -> GradedAir:
    """Mesh and assemble all the air of a chamber twice; OutOfReach or MeshError where that is not possible."""
    start = time.perf_counter()
    checked(chamber, GRADINGS[-1][0])  # the fine one first, before any time is spent on the coarse
    pairs = [_meshed(chamber, sizes) for sizes in GRADINGS]
    (coarse, a), (fine, b) = pairs
    return GradedAir((a, b), (coarse, fine), time.perf_counter() - start)


def _meshed(chamber: ChamberBody, sizes: tuple[float, ...]) -> tuple[float, WholeAir]:
    """The first of the sizes that can be meshed."""
    for size in sizes[:-1]:
        try:
            return size, WholeAir.of(whole_mesh(chamber, size))
        except MeshError as failure:
            log.info("trying other sizes: %s", failure)
    return sizes[-1], WholeAir.of(whole_mesh(chamber, sizes[-1]))
