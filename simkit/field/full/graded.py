"""The whole air of a chamber at two finenesses, so that the mesh's error is known and can be taken off."""

from __future__ import annotations

import logging
import time
from dataclasses import dataclass, field

from simkit.body.chambers import ChamberBody
from simkit.body.meshes.all_air import (
    KIB_PER_UNKNOWN,
    MOST_UNKNOWNS,
    Sized,
    checked,
    graded_meshes,
    has_sharp_rims,
    unknowns,
)
from simkit.body.meshes.soundness import REMEDY, Unsettled
from simkit.child import in_own_process
from simkit.errors import OutOfReach
from simkit.field.full.branch import Exit
from simkit.field.full.resonance import WholeAir, WholeMode

# Every size of the mesh over the standard, coarse and fine; others nearby are tried where gmsh fails at the first, and
# the last coarse and the last two fine ones at once where it would not end.
GRADINGS = ((1.25, 1.19, 1.31), (0.78, 0.75, 0.81, 1.0, 1.04))
LARGE = ((1.25, 1.19, 1.31), (1.0, 0.96, 1.04))  # for bodies that would take more than MANY unknowns
MANY = 250_000
SHARP = ((1.0, 0.96, 1.04), (0.7, 0.67, 0.73))  # for bodies with a sharp rim
# k^2 errs like these powers of the mesh size. Rounded rims: chosen before the answers of the tests were seen, on the
# low side of what three meshes of an ellipsoid showed (2 to 3.6): 2.5 beside a coarse mesh of 1.0. Beside one of 1.25
# 2.57 gives the same to 0.04 cents on two eggs, a ball and a tube, whose own powers are 2.5 to 3.2. Sharp rims and
# cracks, whose growth is scaled with the size at the rim: 1.9 to 2.4 on three balls and three cracks; at the rim alone
# it would be 4/3 and 1.
ORDER, SHARP_ORDER = 2.57, 2.0

# Seconds that gmsh is given for a mesh: some twenty times what it takes on an ordinary machine, and twice what it takes
# to see that a fine one would have no end.
PATIENCE, EACH = 150.0, 1.5e-3  # for the solids, and for each unknown

WholeModes = tuple[WholeMode, ...]

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class GradedAir:
    """The coarse and the fine air of one chamber, with their sizes over the standard, and every mode found so far.

    order: k^2 errs like this power of the size.
    """

    airs: tuple[WholeAir, WholeAir]
    sizes: tuple[float, float]
    order: float
    seconds: float
    _found: dict[object, tuple[WholeModes, WholeModes]] = field(default_factory=dict, compare=False)

    def extrapolated(self, coarse: complex, fine: complex) -> complex:
        """Richardson's extrapolation to cells of no size, of a number whose error is that of k^2."""
        return fine + (fine - coarse) / ((self.sizes[0] / self.sizes[1]) ** self.order - 1)

    def lowest(self, opened: tuple[str, ...], end: Exit | None = None) -> tuple[WholeMode, WholeMode]:
        """The lowest resonance with these openings open, coarse and fine; `end`: of a windway."""
        return self.modes(opened, 1, end)[0]

    def modes(self, opened: tuple[str, ...], count: int, end: Exit | None = None) -> list[tuple[WholeMode, WholeMode]]:
        """The lowest `count` resonances with these openings open, coarse and fine."""
        names = tuple(sorted(opened))
        key = names, end
        if key not in self._found or len(self._found[key][0]) < count:
            coarse, fine = (air.modes(names, count, end) for air in self.airs)
            self._found[key] = coarse, fine
        return list(zip(*self._found[key], strict=True))[:count]


def graded_air(chamber: ChamberBody, mesh: float = 1.0) -> GradedAir:
    """Mesh and assemble all the air of a chamber twice, every size `mesh` times the standard.

    Raises OutOfReach or MeshError where that is not possible.
    """
    start = time.perf_counter()
    gradings, order = _gradings(chamber, mesh)
    checked(chamber, gradings[-1][0])  # the fine one first, before any time is spent on the coarse
    (coarse, a), (fine, b) = _meshed(chamber, gradings)
    return GradedAir((WholeAir.of(a), WholeAir.of(b)), (coarse, fine), order, time.perf_counter() - start)


def _gradings(chamber: ChamberBody, mesh: float) -> tuple[tuple[tuple[float, ...], ...], float]:
    """The sizes of both meshes, and the power of the size that they err like."""
    gradings: tuple[tuple[float, ...], ...] = SHARP
    order = SHARP_ORDER
    if not has_sharp_rims(chamber):
        fine, _, _ = checked(chamber, LARGE[-1][0])  # of the larger cells: the count for finer ones follows
        finer = (LARGE[-1][0] / GRADINGS[-1][0]) ** 2
        gradings, order = (GRADINGS if finer * unknowns(chamber, fine) < MANY else LARGE), ORDER
    return tuple(tuple(mesh * size for size in sizes) for sizes in gradings), order


def _meshed(chamber: ChamberBody, gradings: tuple[tuple[float, ...], ...]) -> tuple[Sized, ...]:
    """The meshes, each of the first of its sizes that comes out, by gmsh in a process of its own that must be done in
    time: one for all, which know the chamber's ducts and need the program loaded but once."""
    counts = [unknowns(chamber, checked(chamber, sizes[0])[0]) for sizes in gradings]
    gib = sum(counts) * KIB_PER_UNKNOWN / 2**20
    log.info("dividing the air in and around the piece into small cells, twice: %.1f GiB", gib)
    words = f"resolved: the meshes of {chamber.name!r} ({max(counts):,.0f} unknowns in the finer)", REMEDY
    patience = sum(PATIENCE + EACH * count for count in counts)
    try:
        found = in_own_process(graded_meshes, chamber, gradings, seconds=patience, what=words)
    except Unsettled as failure:
        log.info("the cells of a coarser mesh: %s", failure)
        gradings = gradings[0][-1:], gradings[1][-2:]
        found = in_own_process(graded_meshes, chamber, gradings, seconds=patience, what=words)
    for (size, whole), sizes in zip(found, gradings, strict=True):
        _affordable(len(whole.mesh.points))
        if size != sizes[0]:
            log.info("cells of %g times the standard size came out, those of %g did not", size, sizes[0])
    return found


def _affordable(count: int) -> None:
    """OutOfReach where a mesh came out with more nodes than `unknowns` can have missed by, before it is solved."""
    if count > 4 / 3 * MOST_UNKNOWNS:
        gib = count * KIB_PER_UNKNOWN / 2**20
        raise OutOfReach(
            f"resolved: the mesh came out with {count:,} unknowns, which want {gib:.1f} GiB, and at most "
            f"{MOST_UNKNOWNS:,} are tried; {REMEDY}"
        )
