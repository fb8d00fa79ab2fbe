"""Solids for a press mould or a core, at wet size; the user's seam in the user's words."""

from __future__ import annotations

import logging
from collections.abc import Sequence

from simkit.body.blown import NAME as BLOWN
from simkit.body.blown import clay_parts, piece_to_blow
from simkit.body.coat import Coat
from simkit.body.printing import PrintedPart, Seam, SeamError, pieces
from simkit.errors import Fault, InputError, MeshError
from simkit.making.clay_rules import leaning_back
from simkit.making.sheets import Work
from simkit.making.shrinkage import Stage
from simkit.vessel.seams import seam_words

__all__ = ["seam", "solid_cautions", "solids_of", "unmade"]

log = logging.getLogger(__name__)


def seam(text: str) -> Seam:
    """Parse the plane at which to part the clay: `up`, `across=0` or `along=48.5`, fired mm in the frame of the design.

    >>> seam("along=48.5")
    Seam(square_to='along', at=0.0485)
    """
    way, place = seam_words(text)
    return Seam(way, None if place is None else place / 1000)


def solids_of(work: Work, parted: Seam | None = None) -> tuple[PrintedPart, ...]:
    """The inside forms, the two halves of the clay, a figure's parts one by one and, where there is a window, the whole
    piece to blow, all at wet size; InputError where the seam leaves no two halves."""
    parted, wet = parted or Seam(), work.shrinkage.size(Stage.WET)
    try:
        parts = pieces(work.body, wet, parted)
    except SeamError as error:
        shown = parted.square_to if parted.at is None else f"{parted.square_to}={1000 * parted.at:g}"
        raise InputError([Fault.of("seam", shown, str(error))]) from error
    return (*parts, *clay_parts(work.vessel, wet), *_to_blow(work, wet))


def _to_blow(work: Work, wet: float) -> tuple[PrintedPart, ...]:
    """The whole piece where it has a window; none where it could not be cut, which `unmade` says."""
    if not any(chamber.voicing for chamber in work.vessel.chambers):
        return ()
    try:
        return (piece_to_blow(work.vessel, work.body, wet),)
    except MeshError as failure:  # sheets and moulds are of use without it
        log.info("no piece to blow: %s", failure)
        return ()


def unmade(work: Work, names: Sequence[str]) -> tuple[str, ...]:
    """Solids of a design with a window that could not be made, by the names of the files that were."""
    if any(chamber.voicing for chamber in work.vessel.chambers) and f"{BLOWN}.stl" not in names:
        return (
            f"{BLOWN}.stl could not be made: window, windway and holes cut the clay in a way that was not foreseen",
        )
    return ()


def solid_cautions(work: Work, parted: Seam | None = None) -> tuple[str, ...]:
    """Cautions before printing a mould."""
    parted = parted or Seam()
    # Each form by itself: what its own clay would have to come off.
    if any(leaning_back(work.body, Coat((chamber.wall,), 0.0), parted) for chamber in work.body.chambers):
        return (
            f"parted square to {parted.square_to}, a half leans back over itself: it comes out of a soft mould, "
            "not of a stiff one; try another seam",
        )
    return ()
