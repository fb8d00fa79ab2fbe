"""The outside of a figure and its parts as forms of their own, each in its own frame: what their cards are cut from."""

from __future__ import annotations

from dataclasses import dataclass

from simkit.body.assembly import placed_wall
from simkit.body.walls.placed import PlacedWall
from simkit.making.cards import Form, form_of
from simkit.making.shrinkage import Shrinkage, Stage
from simkit.vessel import Lump, Vessel
from simkit.vessel.figure import ClayShape

OUTSIDE = "outside"


@dataclass(frozen=True)
class ClayForm:
    """A solid of clay at wet size: its name, or those of all that are alike, its form, what its first end is called."""

    names: str
    form: Form
    near: str


def clay_forms(vessel: Vessel, shrinkage: Shrinkage) -> tuple[ClayForm, ...]:
    """The outside, where a figure has one, then its parts; of parts of the same shape only one."""
    size = shrinkage.size(Stage.WET)
    alike: dict[object, list[Lump]] = {}
    for lump in vessel.parts:
        alike.setdefault(lump.shape, []).append(lump)
    solids: list[tuple[str, ClayShape, str]] = [(OUTSIDE, vessel.outside, "mouth end")] if vessel.outside else []
    solids += [(", ".join(lump.name for lump in some), some[0], "near end") for some in alike.values()]
    found = []
    for names, solid, near in solids:
        wall = placed_wall(vessel, solid)
        own = wall.wall if isinstance(wall, PlacedWall) else wall  # as carved, before it is turned and put in its place
        found.append(ClayForm(names, form_of(own, size), near))
    return tuple(found)
