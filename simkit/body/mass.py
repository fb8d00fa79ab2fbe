"""Mass of the clay of a piece: its centre, how the piece stands, its thickest places, its undercuts.

The centre by cells of a lattice: each counts with the share of it that lies within a surface, by the distance of its
middle from it. Metres; (x, y, z) is across, along, up.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache
from itertools import product

import numpy as np
from scipy.spatial import ConvexHull, QhullError, cKDTree

from simkit.body.chambers import Body
from simkit.body.coat import Coat
from simkit.body.walls.lattice import Lattice, cell_share
from simkit.body.walls.union import solids_of
from simkit.body.walls.wall import Wall, feet, normals, on_wall, project
from simkit.frozen import frozen

_CELLS = 40_000  # about so many cells fill the piece's box
Level = Callable[[np.ndarray], np.ndarray]


def clay_centre(body: Body) -> np.ndarray:
    """The centre of the clay's weight (3,), m, openings left out; right to a tenth of a mm."""
    lattice = Lattice.over(body.coat.box, _CELLS)
    middles = lattice.middles
    if body.coat.figure:
        clay = lattice.within(body.coat.walls[0])
    else:
        clay = cell_share(_even_distance(body.coat, middles, lattice.step) / lattice.step)
    for chamber in body.chambers:
        clay = clay - lattice.within(chamber.wall)
    return np.asarray(clay @ middles / clay.sum())


def _even_distance(coat: Coat, points: np.ndarray, step: float) -> np.ndarray:
    """Distance (n,), m, from the outer surface of an even wall, negative within; exact only where cells are cut."""
    inside = np.min([wall.level(points) for wall in coat.walls], axis=0) < 0
    every = np.concatenate([on_wall(wall, 2) for wall in coat.walls])
    away, _ = cKDTree(every).query(points)
    over = away - coat.offset
    # Points all over a wall are never nearer than the wall, but by their spacing farther.
    near = np.flatnonzero(~inside & (over > -1.1 * step) & (over < 1.1 * step + 0.3 * coat.offset))
    away[near] = np.linalg.norm(points[near] - feet(coat.walls, points[near])[0], axis=1)
    return np.where(inside, -away, away) - coat.offset


# --- standing --------------------------------------------------------------------------------------


@frozen
class Standing:
    """Rest of a piece on a table, set down as it is drawn and let go.

    feet (n, 3): the corners of the area that it stands on, m. lean_deg: angle by which it tips over until it rests.
    margin: from the line through two feet to the point below the weight's centre, the least, m; height of the centre
    above the table, m.
    """

    feet: np.ndarray
    down: np.ndarray
    lean_deg: float
    margin: float
    height: float

    @property
    def tipping_deg(self) -> float:
        """The slope of a table on which it tips over: tan = margin/height."""
        return float(np.degrees(np.arctan2(self.margin, self.height)))

    @property
    def spread(self) -> tuple[float, float]:
        """Extent of its feet on the table, m: as near to along as that lies, and square to it."""
        wide, long = np.ptp(_on_table(self.feet, self.down), axis=0)
        return float(long), float(wide)


ROUND_M = 3e-3  # a margin that is less: it stands on a rounded place and rolls, on no feet
_FLAT_M = 1e-4  # points so near the table touch it: clay is not ground flat


def standing(points: np.ndarray, centre: np.ndarray) -> Standing | None:
    """Rest of a piece with these outermost points (n, 3), m, and its centre of mass (3,), m; None where all are flat.

    It stands on a face of its convex hull below which the centre lies. Let go as drawn, it tips over the edges of the
    face under it, from face to face, its weight always lower, until the centre is over the face it lies on.
    """
    try:
        # Standing on anything means touching it with the convex hull.
        hull = ConvexHull(points)
    except QhullError:
        return None
    # Qhull: n . x + offset = 0 on a face, n out of the hull
    normals, offsets = hull.equations[:, :3], hull.equations[:, 3]
    heights = -(normals @ centre + offsets)  # of the centre above each face
    # Straight below the centre: the face that the plumb line leaves by.
    falls = -normals[:, 2]
    # Faces that look down only; of these the plumb line meets the nearest first.
    way = np.where(falls > 1e-12, heights / np.maximum(falls, 1e-12), np.inf)
    face = int(way.argmin())
    for _ in range(len(heights)):  # heights never rise, so that these are enough
        out, over = _over_edge(hull, face, centre, heights)
        # It rests where the centre is over the face, or where tipping would lift it.
        if out <= 0 or heights[over] > heights[face] + 1e-9:  # the halves of a flat face are equally high
            break
        face = over
    down = normals[face]
    corners = points[hull.vertices]
    touching = corners[corners @ down > -offsets[face] - _FLAT_M]
    plumb = centre + heights[face] * down
    margin, ring = _margin(touching, plumb, down)
    lean = float(np.degrees(np.arccos(np.clip(-down[2], -1, 1))))
    return Standing(ring, down, lean, margin, float(heights[face]))


def _over_edge(hull: ConvexHull, face: int, centre: np.ndarray, heights: np.ndarray) -> tuple[float, int]:
    """Distance of the point below the centre beyond the worst edge of a face, m, and the face across that edge."""
    corners = hull.points[hull.simplices[face]]
    normal = hull.equations[face, :3]
    plumb = centre + heights[face] * normal
    out, over = -np.inf, face
    for n in range(3):  # the neighbour across the edge opposite corner n
        a, b, opposite = corners[(n + 1) % 3], corners[(n + 2) % 3], corners[n]
        way = np.cross(normal, b - a)
        way = way / max(float(np.linalg.norm(way)), 1e-300)
        way = -way if (opposite - a) @ way > 0 else way  # square to the edge, away from the face
        beyond = float((plumb - a) @ way)
        if beyond > out:
            out, over = beyond, int(hull.neighbors[face, n])
    return out, over


def _margin(touching: np.ndarray, plumb: np.ndarray, down: np.ndarray) -> tuple[float, np.ndarray]:
    """Distance from a point of the table to the nearest side of the polygon around its feet, m; its corners (c, 3)."""
    try:
        ring = ConvexHull(_on_table(touching - plumb, down))
    except (QhullError, ValueError):
        return 0.0, touching
    # Qhull's offsets are distances of the origin, negative within.
    return float(-ring.equations[:, 2].max()), touching[ring.vertices]


def _on_table(points: np.ndarray, down: np.ndarray) -> np.ndarray:
    """Places (n, 2) in the plane square to `down`, m: across, and along unless that stands upright."""
    right = np.cross(down, [0.0, 1.0, 0.0] if abs(down[1]) < 0.9 else [1.0, 0.0, 0.0])
    right = right / np.linalg.norm(right)
    return points @ np.stack([right, np.cross(down, right)]).T


def _solids(coat: Coat) -> Sequence[Wall]:
    return solids_of(coat.walls[0]) if coat.figure else coat.walls


def outer_points(coat: Coat, fine: int = 2) -> np.ndarray:
    """Points (n, 3) all over the outer surface, and over what of its solids lies within others."""
    rings = [sheet.moved_out(coat.offset).points for solid in _solids(coat) for sheet in solid.sheets(fine)]
    # Rings may miss corners, on which a piece stands.
    corners = [project(solid, np.array(list(product(*solid.box.T)))) for solid in _solids(coat) if coat.figure]
    return np.concatenate([each.reshape(-1, 3) for each in (*rings, *corners)])


# --- thickness -------------------------------------------------------------------------------------


def thickest(box: np.ndarray, inner: Level, outer: Level) -> tuple[float, np.ndarray]:
    """The diameter of the largest ball of clay, m, and its middle (3,).

    inner, outer: distances, m, from the air, positive in clay, and from the outside, negative in clay. By cells of a
    lattice, and from the best of them downhill in ever smaller steps.
    """
    lattice = Lattice.over(box, 30_000)
    middles = lattice.middles
    deep = np.minimum(inner(middles), -outer(middles))
    # The depth is a maximum of many hills: from several of the best cells.
    order = np.argsort(-deep)[:_STARTS]
    found = [_deepest(middles[n], lattice.step, inner, outer) for n in order]
    depth, place = max(found, key=lambda pair: pair[0])
    return 2 * depth, place


_STARTS = 3
_STAR = np.array([[i, j, k] for i in (-1, 0, 1) for j in (-1, 0, 1) for k in (-1, 0, 1)], float)


def _deepest(place: np.ndarray, step: float, inner: Level, outer: Level) -> tuple[float, np.ndarray]:
    depth = -np.inf
    while step > 2e-5:
        around = place + step * _STAR
        deep = np.minimum(inner(around), -outer(around))
        n = int(deep.argmax())
        if deep[n] <= depth + 1e-7:  # m: nothing deeper around, so look nearer
            step /= 2
        depth, place = max(depth, float(deep[n])), around[n]
    return depth, place


def thickest_clay(body: Body) -> tuple[float, np.ndarray]:
    """The diameter of the largest ball of a piece's clay, m, and its middle (3,)."""
    walls, coat = tuple(chamber.wall for chamber in body.chambers), body.coat
    if not coat.figure and len(walls) == 1:
        # Between a wall and its true offset every ball has the same size: any place will do.
        place = on_wall(walls[0])[:1]
        return coat.offset, (place + coat.offset / 2 * normals(walls[0], place))[0]
    away, inside = cKDTree(np.concatenate([on_wall(wall, _FINE) for wall in walls])), walls

    def inner(points: np.ndarray) -> np.ndarray:
        within = np.min([wall.level(points) for wall in inside], axis=0) < 0
        return np.where(within, -1.0, 1.0) * away.query(points)[0]

    if coat.figure:
        return thickest(coat.box, inner, outer_distance(coat))
    return thickest(coat.box, inner, lambda points: inner(points) - coat.offset)


_FINE = 4  # rings of a wall are so many times as many: about a millimetre from point to point of a hand's piece


@lru_cache(maxsize=16)
def outer_distance(coat: Coat) -> Level:
    """Distance from the outer surface, m, negative within it, by points all over it: of (n, 3) points (n,).

    Too long by half the square of the points' spacing over twice the distance, at most: some hundredths of a mm.
    """
    skin = outer_points(coat, _FINE)
    tree = cKDTree(skin[coat.level(skin) > -1e-5])

    def distances(points: np.ndarray) -> np.ndarray:
        return np.where(coat.level(points) < 0, -1.0, 1.0) * tree.query(points)[0]

    return distances


# --- undercuts -------------------------------------------------------------------------------------


@frozen
class Undercut:
    """Undercut: outside that leans back over itself when each half of a mould is pulled off square to its seam.

    share of the outer surface; the most that it leans, degrees, and where, m.
    """

    share: float
    lean_deg: float
    place: np.ndarray


_UPRIGHT = np.sin(np.radians(2.0))  # clay gives by so much


def undercut(coat: Coat, axis: int, at: float) -> Undercut | None:
    """Undercut of the outer surface parted at `at`, m, square to an axis; None where both halves come off."""
    places, normals, areas = (np.concatenate(each) for each in zip(*_facets(coat), strict=True))
    size = np.ptp(coat.box, axis=0).max()
    # Middles of facets lie a little within their own solid; deeper, they are within another.
    away = coat.walls[0].about_distance(places, size) if coat.figure else coat.level(places)
    free = away > -5e-3 * size
    places, normals, areas = places[free], normals[free], areas[free]
    # Sine of the angle by which the outside faces back towards the seam.
    lean = -normals[:, axis] * np.sign(places[:, axis] - at)
    # Right at the seam a surface stands upright, and facets lie a little to its other side.
    lean[np.abs(places[:, axis] - at) < 0.02 * np.ptp(coat.box[:, axis])] = 0.0
    back = lean > _UPRIGHT
    if not back.any():
        return None
    worst = int(lean.argmax())
    share = float(areas[back].sum() / areas.sum())
    return Undercut(share, float(np.degrees(np.arcsin(min(lean[worst], 1.0)))), places[worst])


def _facets(coat: Coat) -> list[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """Middles (n, 3), unit normals (n, 3) and areas (n,), m2, of the outer surface's quadrilaterals, solid by solid."""
    found = []
    for sheet in (sheet for solid in _solids(coat) for sheet in solid.sheets(2)):
        middle, normal = sheet.moved_out(coat.offset).facets
        area = np.linalg.norm(normal, axis=1)
        whole = area > 1e-3 * area.max()  # at poles quadrilaterals have hardly an area, and no good normal
        found.append((middle[whole], normal[whole] / area[whole, None], area[whole]))
    return found
