"""The solid that a design describes: exact walls, openings, meshes of the air in and around it."""

from simkit.body.assembly import placed_wall, wall_of
from simkit.body.chambers import Body, ChamberBody, Opening
from simkit.body.deviations import Made, MadeSlopes
from simkit.body.inspection import body_of, inspect
from simkit.body.meshes.curved import AirMesh, air_mesh, surrounding_mesh
from simkit.body.walls.wall import Wall

__all__ = [
    "AirMesh", "Body", "ChamberBody", "Made", "MadeSlopes", "Opening", "Wall", "air_mesh", "body_of", "inspect",
    "placed_wall", "surrounding_mesh", "wall_of",
]  # fmt: skip
