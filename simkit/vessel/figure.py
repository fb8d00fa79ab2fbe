"""The outside of a figure: its outer surface, and solid parts of clay joined to it."""

from __future__ import annotations

from typing import Annotated

from simkit.vessel.chamber import Offset
from simkit.vessel.part import Part
from simkit.vessel.shapes import Shape
from simkit.vessel.values import Angle, Name, RowOf


class ClayShape(Part):
    """A shape filled with clay. In the file the keys of `shape` are written beside the solid's own.

    About its own zero it is first rolled about its along axis (to the right seen from the mouth end), then tilted (its
    far end up), then turned (clockwise seen from above); `offset_mm` shifts it last.
    """

    shape: Shape
    offset_mm: Annotated[Offset, RowOf(Offset)] = Offset(0.0, 0.0, 0.0)
    turn_deg: Angle = 0.0
    tilt_deg: Angle = 0.0
    roll_deg: Angle = 0.0


class OuterShape(ClayShape):
    """The outer surface of the clay in place of an even wall: the wall is what lies between it and the air."""


class Lump(ClayShape):
    """A solid part of clay joined to the outside: a leg, a head, an ear."""

    name: Name
