"""The design file as frozen values: chambers, voicings, holes, notes, clay, hands; no geometry kernel."""

from simkit.vessel.chamber import FINGERS, Chamber, Hole, Mouthpiece, Note, Offset, Voicing
from simkit.vessel.design import Number, Vessel, target_of, tuning_of
from simkit.vessel.faults import DesignError
from simkit.vessel.figure import Lump, OuterShape
from simkit.vessel.freedom import Bounds, Tie
from simkit.vessel.reader import load, loads
from simkit.vessel.shapes import (
    SHAPES,
    Box,
    Egg,
    Ellipsoid,
    Lens,
    Lobe,
    Lobes,
    Scan,
    Section,
    Sections,
    Shape,
    Sphere,
    Tube,
)
from simkit.vessel.surroundings import AirState, Breath, Clay, Hand, Jet, Player, Scale
from simkit.vessel.writing import dumps

__all__ = [
    "FINGERS", "SHAPES", "AirState", "Bounds", "Box", "Breath", "Chamber", "Clay", "DesignError", "Egg",
    "Ellipsoid", "Hand", "Hole", "Jet", "Lens", "Lobe", "Lobes", "Lump", "Mouthpiece", "Note", "Number", "Offset",
    "OuterShape", "Player", "Scale", "Scan", "Section", "Sections", "Shape", "Sphere", "Tie", "Tube", "Vessel",
    "Voicing", "dumps", "load", "loads", "target_of", "tuning_of",
]  # fmt: skip
