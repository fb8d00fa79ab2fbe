"""Solids for a press mould or a core, at wet size; the user's seam in the user's words."""

from __future__ import annotations

from simkit.body.blown import clay_parts, piece_to_blow
from simkit.body.printing import PrintedPart, Seam, SeamError, pieces, undercuts
from simkit.errors import Fault, InputError
from simkit.making.sheets import Work
from simkit.making.shrinkage import Stage
from simkit.vessel.seams import seam_words

__all__ = ["seam", "solid_cautions", "solids_of"]


def seam(text: str) -> Seam:
    """Where to part the clay, from `up`, `across=0` or `along=48.5`: fired mm in the frame of the design.

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
        raise InputError([Fault.of("seam", shown, error.allowed)]) from error
    blown = any(chamber.voicing for chamber in work.vessel.chambers)
    return (*parts, *clay_parts(work.vessel, wet), *((piece_to_blow(work.vessel, work.body, wet),) if blown else ()))


def solid_cautions(work: Work, parted: Seam | None = None) -> tuple[str, ...]:
    """What to know before printing a mould."""
    parted = parted or Seam()
    if undercuts(work.body, parted):
        return (
            f"parted square to {parted.square_to}, a half leans back over itself: it comes out of a soft mould, "
            "not of a stiff one; try another seam",
        )
    return ()
