"""Modes of a chamber's air and its response at the openings: properties of the shape alone, no air here.

Eigenvalues are k^2 in 1/m^2 and port matrices Z in 1/m; `sound` brings in the speed of sound, density and losses.
Depends on: body (walls, meshes, openings), numpy, scipy; scikit-fem in `fem.forms` only.
"""

from simkit.field.fem.modes import ClosedModes, Eigenpairs, closed_modes
from simkit.field.reduced.body_air import BodyAir, air_of
from simkit.field.reduced.doubts import Doubt
from simkit.field.reduced.matrices import FieldEvidence, Interpolant, PortField, RowChanges
from simkit.field.reduced.solution import PortSolution, port_field, port_solution

__all__ = [
    "BodyAir",
    "ClosedModes",
    "Doubt",
    "Eigenpairs",
    "FieldEvidence",
    "Interpolant",
    "PortField",
    "PortSolution",
    "RowChanges",
    "air_of",
    "closed_modes",
    "port_field",
    "port_solution",
]
