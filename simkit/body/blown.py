"""The whole piece as one solid that can be printed and blown: windway, window, edge and holes cut through its clay."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from simkit.body import kernel
from simkit.body.assembly import placed_wall
from simkit.body.chambers import Body, ChamberBody, Opening
from simkit.body.coat import Coat
from simkit.body.meshes.halves import build_open
from simkit.body.mouthpiece import USUAL_FLOOR, WindwayCut, mouthpiece_wall, windway_of
from simkit.body.printing import PrintedPart, SkinMesher, file_names, scaled
from simkit.body.walls.offset import OffsetWall
from simkit.body.walls.triangulated import enclosed
from simkit.body.walls.union import union_of
from simkit.body.walls.wall import Wall
from simkit.errors import MeshError
from simkit.vessel import Chamber, Vessel

log = logging.getLogger(__name__)

NAME = "piece-to-blow"
BURIED = 2.0e-3  # m that the clay under the windway's end goes into the wall
BEYOND = 0.5e-3  # m that a cut goes beyond the clay's surface
_CLOSE = 5e-3  # of the volume: tolerance of the triangles
# Windway and edge want triangles a twentieth of those on the open clay.
_MESHER = SkinMesher(((6, 1.0), (5, 0.8), (1, 0.7), (6, 0.5)), 1 / 20, 48)


def piece_to_blow(vessel: Vessel, body: Body, scale: float = 1.0) -> PrintedPart:
    """The clay of the whole piece, `scale` times as large, as closed triangles; MeshError where it cannot be made.

    Rims and the edge are sharp. Under and beside the windway's exit a tongue of clay stands into the chamber, as
    thick as the models have it: the windway's lower half lies below the inside wall there.
    """
    log.info("making the piece to blow")
    blown = [(c, vessel.chamber(c.name)) for c in body.chambers if c.window is not None]
    try:
        with kernel.session() as gmsh:
            tag, volume = _clay(gmsh, body, blown, scale)
            return _printed(gmsh, NAME, tag, volume, scale * _size(body))
    except kernel.UNMESHED as failure:
        raise MeshError("the piece to blow", 1e3 * _size(body), f"make the shape simpler ({failure})") from failure


def clay_parts(vessel: Vessel, scale: float = 1.0) -> tuple[PrintedPart, ...]:
    """Each part of clay of a figure by itself, whole, `scale` times as large: `part-tail`, to form or to mould."""
    found: list[PrintedPart] = []
    names = file_names("part", [lump.name for lump in vessel.parts])
    for lump, name in zip(vessel.parts, names, strict=True):
        wall = placed_wall(vessel, lump)
        size = scale * float(np.ptp(wall.box, axis=0).max()) / 12
        try:
            with kernel.session() as gmsh:
                tag = build_open(gmsh, scaled(wall.solid(), scale))
                gmsh.model.occ.synchronize()
                found.append(_printed(gmsh, name, tag, scale**3 * wall.volume, size))
        except kernel.UNMESHED as failure:
            raise MeshError(f"part {lump.name}", 1e3 * size, f"make it plainer ({failure})") from failure
    return tuple(found)


def _size(body: Body) -> float:
    return float(np.ptp(body.coat.box, axis=0).max()) / 25


def _printed(gmsh: Any, name: str, tag: int, volume: float, size: float) -> PrintedPart:
    """A solid as closed triangles of about `size`, m, that enclose its `volume`, m^3; MeshError if none do."""

    def untrue(volumes: list[float]) -> str:
        off = volumes[0] / volume - 1
        return f"the volume came out {100 * off:+.2f} % off" if abs(off) > _CLOSE else ""

    (skin,) = _MESHER.skins(gmsh, "the piece to blow", [tag], size, untrue)
    return PrintedPart(name, *skin, enclosed(*skin), "")


def outer_walls(body: Body, blown: Sequence[tuple[ChamberBody, Chamber]]) -> list[tuple[Wall, float]]:
    """The solids that fill the piece, air and all, each moved out by so much, m; with the usual mouthpieces where the
    design gives none."""
    coat = body.coat
    solids = [(wall, coat.offset) for wall in coat.walls]
    for chamber, design in blown:
        # A written mouthpiece is among the figure's solids already.
        if design.mouthpiece is None and chamber.window is not None and design.voicing is not None:
            solids.append((mouthpiece_wall(chamber.window, design.voicing, None, _drawn(coat)), 0.0))
    return solids


def _drawn(coat: Coat) -> Coat:
    """An outer surface through which rays can be cast, also that of an even wall."""
    if coat.figure or coat.offset == 0:
        return replace(coat, figure=True)
    return Coat((union_of(tuple(OffsetWall(wall, coat.offset) for wall in coat.walls)),), 0.0, figure=True)


def _clay(gmsh: Any, body: Body, blown: Sequence[tuple[ChamberBody, Chamber]], scale: float) -> tuple[int, float]:
    """The tag of the clay with all that is cut, and its volume, m^3."""
    occ = gmsh.model.occ
    # Filled, then air out, then the tongue in, then windway, window and holes out: a tongue stands in the air.
    full = [(3, build_open(gmsh, scaled(wall.solid(offset), scale))) for wall, offset in outer_walls(body, blown)]
    full = occ.fuse(full[:1], full[1:])[0] if len(full) > 1 else full
    air = [(3, build_open(gmsh, scaled(chamber.wall.solid(), scale))) for chamber in body.chambers]
    clay = occ.cut(full, air)[0]
    cuts = []
    for chamber, design in blown:
        way = windway_of(chamber.window, design)
        assert way is not None and chamber.window is not None
        tongue = Tongue.of(way, chamber.wall, design)
        if tongue.length > 0:
            clay = occ.fuse(clay, [_loft(occ, tongue.ring(0.0), tongue.ring(tongue.length), scale)])[0]
        # The windway's air reaches from within the window to before the lips.
        cuts += [
            _loft(occ, way.corners(-BEYOND), way.corners(way.length + BEYOND), scale),
            _window(occ, chamber.window, scale),
        ]
    cuts += [_drilled(occ, o, scale) for chamber in body.chambers for o in chamber.openings]
    clay = occ.cut(clay, cuts)[0] if cuts else clay
    occ.synchronize()
    solid = [part for part in clay if part[0] == 3]
    # A cut may leave slivers at sharp rims: dropped where they are small, an error where they are not.
    whole = max(solid, key=lambda part: occ.getMass(*part))
    chips = sum(occ.getMass(*part) for part in solid if part != whole)
    mass = occ.getMass(*whole)
    if chips > 1e-3 * mass:
        raise MeshError("the piece to blow", 1e3 * _size(body), f"what is cut leaves it in {len(solid)} pieces")
    occ.remove([part for part in gmsh.model.getEntities(3) if part != whole], recursive=True)
    occ.synchronize()
    return whole[1], 1e-9 * mass  # gmsh counts in mm here


def _loft(occ: Any, first: np.ndarray, last: np.ndarray, scale: float) -> tuple[int, int]:
    """The solid between two polygons (n, 3), m, with flat sides."""
    wires = []
    for ring in (first, last):
        corners = [occ.addPoint(*(1e3 * scale * p)) for p in ring]
        lines = [occ.addLine(a, b) for a, b in zip(corners, corners[1:] + corners[:1], strict=True)]
        wires.append(occ.addWire(lines, checkClosed=True))
    return next(part for part in occ.addThruSections(wires, makeSolid=True, makeRuled=True) if part[0] == 3)


def _window(occ: Any, window: Opening, scale: float) -> tuple[int, int]:
    """The window's air: upright sides, the far one sloping outward from the edge at the inside wall."""
    # 6 mm past the outer surface, wherever that bulges.
    half, top, low = window.height / 2, window.length + 6e-3, -2 * BEYOND
    # The tangent of 90 degrees is large, not infinite.
    run = 1 / np.tan(np.deg2rad(window.edge_deg)) if window.edge_deg < 90 else 0.0
    plan = np.array([(-half, low), (half, low), (half, 0.0), (half + run * top, top), (-half, top)])
    flat = window.center + plan[:, :1] * window.forward + plan[:, 1:] * window.axis
    side = window.width / 2 * window.across
    return _loft(occ, flat - side, flat + side, scale)


def _drilled(occ: Any, hole: Opening, scale: float) -> tuple[int, int]:
    # The bore begins in the air and ends outside, however the walls slope across it.
    slant = hole.radius * (1 + np.tan(hole.lean))  # the lowest that its rim lies below its middle
    start = hole.center - slant * hole.axis
    rise = (hole.length + 2 * slant + BEYOND) * hole.axis
    return 3, occ.addCylinder(*(1e3 * scale * start), *(1e3 * scale * rise), 1e3 * scale * hole.radius)


@dataclass(frozen=True)
class Tongue:
    """The clay that carries a windway's end before the wall does: under it and beside it, and its length, m."""

    way: WindwayCut
    under: float
    beside: float
    length: float

    @staticmethod
    def of(way: WindwayCut, wall: Wall, design: Chamber) -> Tongue:
        """Tongue from the exit until well into the wall; of no length where the windway lies in clay."""
        piece = design.mouthpiece
        under, beside = (USUAL_FLOOR, USUAL_FLOOR) if piece is None else (1e-3 * piece.floor_mm, 1e-3 * piece.sides_mm)
        # Where either lower corner of the floor is in the chamber's air, the wall does not carry it yet.
        steps = np.linspace(0.0, 0.9 * way.length, 200)
        low = np.stack([way.corners(s)[:2] - under * way.upright for s in steps])
        free = np.flatnonzero((wall.level(low.reshape(-1, 3)).reshape(-1, 2) < 0).any(axis=1))
        return Tongue(way, under, beside, min(float(steps[free[-1]]) + BURIED, way.length) if len(free) else 0.0)

    def has(self, points: np.ndarray) -> np.ndarray:
        """Mask (n,) of the points (n, 3) in it, the windway's own air among them."""
        s, aside, up = self.way.places(points)
        wide, high = self.way.size(s)
        under = (up < 0) & (up > -high / 2 - self.under)
        return np.asarray((s > 0) & (s < self.length) & under & (np.abs(aside) < wide / 2 + self.beside))

    def ring(self, s: float) -> np.ndarray:
        """The corners (4, 3) of its section `s` metres behind the exit, m."""
        width, height = self.way.size(s)
        middle, half = self.way.exit + s * self.way.back, width / 2 + self.beside
        low = -height / 2 - self.under
        corners = ((-half, low), (half, low), (half, 0.0), (-half, 0.0))
        return np.array([middle + x * self.way.across + z * self.way.upright for x, z in corners])
