"""A shaded picture of the piece in the round, and the piece cut open along the breath."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from typing import TypeAlias

import numpy as np
from matplotlib.colors import to_rgb
from matplotlib.figure import FigureBase
from scipy.ndimage import maximum_filter, minimum_filter

from simkit.body import Body, ChamberBody, Opening
from simkit.body.blown import Tongue, outer_walls
from simkit.body.mouthpiece import windway_of
from simkit.body.walls.offset import OffsetWall
from simkit.body.walls.primitives import Sheet
from simkit.body.walls.union import solids_of
from simkit.body.walls.wall import Wall, box_distance
from simkit.show import look
from simkit.show.look import Panel
from simkit.show.shading import Eye
from simkit.vessel import Vessel

PIXELS = 620  # of the picture's longer side
_FINE = 2  # drawn so many times finer each way, then averaged, so that no edge is a staircase
_PARTS = 8  # cells of the cut that an edge may cross are asked so many times finer each way
_ROUND_MM, _GAP_MM, _HEAD_MM, _MARGIN_MM = 78.0, 10.0, 8.0, 9.0
_LIGHT = np.array([-0.35, 0.55, 0.75])  # right, up, towards the eye
_Kind: TypeAlias = Callable[[np.ndarray], np.ndarray]
_TURNED = -0.05  # cosine between normal and eye, below which a point is not drawn
_EDGE = 0.02  # of the size: a step in depth that is drawn as a line
# Over the right shoulder of who plays, then from underneath; the first that shows the most is taken.
EYES = (
    Eye("in the round", (0.75, -0.85, 0.75)),
    Eye("in the round, from the left", (-0.75, -0.85, 0.75)),
    Eye("in the round, from underneath", (0.75, -0.85, -0.75)),
    Eye("in the round, from the far end", (0.75, 0.85, 0.75)),
)


def in_the_round(vessel: Vessel, body: Body) -> Panel:
    """The piece as light falls on it, and beside it cut open along the breath of its first window, if it has one."""
    blown = next((c for c in body.chambers if c.window is not None), None)
    width = 2 * _MARGIN_MM + (2 * _ROUND_MM + _GAP_MM if blown else _ROUND_MM)
    height = _MARGIN_MM + _ROUND_MM + _HEAD_MM

    def place(left_mm: float) -> tuple[float, float, float, float]:
        return left_mm / width, _MARGIN_MM / height, _ROUND_MM / width, _ROUND_MM / height

    def draw(figure: FigureBase) -> None:
        eye = _best(body)
        picture = shaded(vessel, body, eye)
        paper = figure.add_axes(place(_MARGIN_MM))
        paper.axis("off")
        paper.imshow(picture, interpolation="antialiased")
        paper.set_title(eye.name, loc="left", color=look.QUIET, fontsize=7.5)
        if blown is not None:
            paper = figure.add_axes(place(_MARGIN_MM + _ROUND_MM + _GAP_MM))
            paper.axis("off")
            paper.imshow(cut_open(vessel, body, blown), interpolation="antialiased")
            paper.set_title("cut open along the breath", loc="left", color=look.QUIET, fontsize=7.5)

    return Panel(width, height, draw)


def _best(body: Body) -> Eye:
    """The eye that sees most of the openings' faces, the window counting thrice."""

    def seen(eye: Eye) -> float:
        toward = eye.frame[2]
        return sum((1 if o.is_round else 3) * max(float(o.axis @ toward), 0.0) for o in body.openings)

    return max(EYES, key=seen)


# --- in the round --------------------------------------------------------------------------------------


def shaded(vessel: Vessel, body: Body, eye: Eye, pixels: int = PIXELS) -> np.ndarray:
    """The piece as seen by an eye far away: an image (h, w, 3). What is nearest to the eye at each pixel shows."""
    pixels = _FINE * pixels
    blown = [(c, vessel.chamber(c.name)) for c in body.chambers]
    solids = [(part, offset) for wall, offset in outer_walls(body, blown) for part in solids_of(wall)]
    corners = np.concatenate(
        [sheet.moved_out(offset).points.reshape(-1, 3) for wall, offset in solids for sheet in wall.sheets(2)]
    )
    seen = eye.seen(corners)[:, :2]
    low, high = seen.min(axis=0), seen.max(axis=0)
    rim = 10 * _FINE  # pixels left white around, for the outline drawn at a step in depth
    pixel = float((high - low).max()) / (pixels - 2 * rim)
    size = _FINE * np.ceil((high - low) / pixel / _FINE).astype(int) + 2 * rim
    canvas = _Canvas(low - rim * pixel, pixel, size)
    kind = partial(_hollow, vessel, body)
    for wall, offset in solids:
        for sheet in wall.sheets(6):  # fine enough that chords between its points are no facets to the eye
            # Closer than the pixels, so that none stays empty.
            for points, normals in _filled(sheet, offset, 0.7 * pixel, eye.frame[2]):
                canvas.add(eye.seen(points), normals @ eye.frame.T, kind, points)
    return canvas.image()


def _filled(sheet: Sheet, offset: float, step: float, toward: np.ndarray) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Points of a sheet where it may face the unit vector `toward`, no farther apart than `step` m, and the normals
    there, row of squares by row."""
    p, n = sheet.points + offset * sheet.normals, sheet.normals
    faces = n @ toward > _TURNED
    faces = faces[:-1] | faces[1:]  # a normal within a square lies between those of its corners
    faces = faces[:, :-1] | faces[:, 1:]
    for k in range(len(p) - 1):
        a, b, m, q = p[k], p[k + 1], n[k], n[k + 1]
        down = np.linalg.norm(b - a, axis=1).max()
        along = max(np.linalg.norm(np.diff(row, axis=0), axis=1).max() for row in (a, b))
        s = np.linspace(0, 1, int(np.ceil(down / step)) + 1)[:, None, None]
        t = np.linspace(0, 1, int(np.ceil(along / step)) + 1)
        yield _spread(a, b, s, t, faces[k]), _spread(m, q, s, t, faces[k])


def _spread(a: np.ndarray, b: np.ndarray, s: np.ndarray, t: np.ndarray, squares: np.ndarray) -> np.ndarray:
    u = t[None, :, None]
    rows = [(1 - u) * row[:-1][squares, None] + u * row[1:][squares, None] for row in (a, b)]
    first, last = (row.reshape(-1, 3) for row in rows)
    return np.asarray(((1 - s) * first + s * last).reshape(-1, 3))


def _hollow(vessel: Vessel, body: Body, points: np.ndarray) -> np.ndarray:
    """Kind of points (n, 3) on the outside: (n,) 0 clay, 1 a hole or the windway's end, 2 the window."""
    kind = np.zeros(len(points), int)
    for chamber in body.chambers:
        for o in chamber.all_openings:
            away = points - o.center
            near = np.abs(away @ o.axis - o.length) < 0.5 * o.length + o.reach
            kind[near & _over(o, away)] = 1 if o.is_round else 2
        way = windway_of(chamber.window, vessel.chamber(chamber.name))
        if way is not None:
            kind[way.has(points)] = 1
    return kind


def _over(o: Opening, away: np.ndarray) -> np.ndarray:
    """Mask (n,) of places (n, 3) from an opening's middle that lie over or under it; above a window its edge slopes."""
    across, along, up = away @ o.across, away @ o.forward, away @ o.axis
    if o.is_round:
        return np.asarray(np.hypot(across, along) < o.radius)
    # The edge slopes away from the jet: the higher in the clay, the farther ahead it lies.
    run = 1 / np.tan(np.deg2rad(o.edge_deg)) if o.edge_deg < 90 else 0.0
    far = o.height / 2 + run * np.maximum(up, 0.0)
    return np.asarray((np.abs(across) < o.width / 2) & (along > -o.height / 2) & (along < far))


class _Canvas:
    """A picture in which the nearest point of each pixel shows."""

    def __init__(self, low: np.ndarray, pixel: float, size: np.ndarray):
        self.low, self.pixel, (self.wide, self.high) = low, pixel, size.tolist()
        count = self.wide * self.high
        self.depth, self.color = np.full(count, -np.inf), np.ones((count, 3))
        self.shown = np.zeros(count, int)  # which of the points added last

    def add(self, seen: np.ndarray, normals: np.ndarray, kind: _Kind, points: np.ndarray) -> None:
        """Points as right, up, nearness (n, 3), their normals in the same frame, and in the body's."""
        place = np.floor((seen[:, :2] - self.low) / self.pixel).astype(int)
        at = place[:, 1] * self.wide + place[:, 0]
        facing = np.flatnonzero(normals[:, 2] > _TURNED)
        order = facing[np.argsort(seen[facing, 2], kind="stable")]  # from far to near
        at, near = at[order], seen[order, 2]
        won = near >= self.depth[at]
        at, order = at[won], order[won]
        self.shown[at] = order  # of several in a pixel the nearest, which comes last
        nearest = self.shown[at] == order
        at, order = at[nearest], order[nearest]
        self.depth[at] = seen[order, 2]
        self.color[at] = _colored(normals[order], kind(points[order]))

    def image(self) -> np.ndarray:
        """Picture (h, w, 3), its first row on top; steps in depth are drawn as lines."""
        depth = self.depth.reshape(self.high, self.wide)
        color = self.color.reshape(self.high, self.wide, 3).copy()
        empty = ~np.isfinite(depth)
        shown = np.where(empty, -1e3, depth)  # far behind all: the outline is a step too
        step = _EDGE * self.pixel * max(self.wide, self.high)
        line = np.zeros(depth.shape, bool)
        for axis in (0, 1):
            jump = np.abs(np.diff(shown, axis=axis)) > step
            line |= np.pad(jump, [(0, 1), (0, 0)] if axis == 0 else [(0, 0), (0, 1)])
        color[line] = to_rgb(look.INK)
        return _averaged(color[::-1])


def _colored(normals: np.ndarray, kind: np.ndarray) -> np.ndarray:
    """Colours (n, 3): clay in the light, dark where a hole is cut, the accent in the window."""
    light = _LIGHT / np.linalg.norm(_LIGHT)
    # what lies in shadow keeps nearly half its light: it is still seen what it is
    shade = 0.45 + 0.55 * np.clip(normals @ light, 0.0, 1.0)
    colors = np.array([to_rgb(look.BODY), to_rgb(look.HOLLOW), to_rgb(look.CLAY)])[kind]
    plain = np.where(kind == 0, shade, 0.8 + 0.2 * shade)  # holes and window are marks, and hardly shaded
    return np.asarray(np.clip(colors * plain[:, None], 0.0, 1.0))


# --- cut open ------------------------------------------------------------------------------------------


def cut_open(vessel: Vessel, body: Body, chamber: ChamberBody, pixels: int = 2 * PIXELS) -> np.ndarray:
    """The section along the breath through the middle of a window: an image (h, w, 3), outward up, the lips left."""
    window, way = chamber.window, windway_of(chamber.window, vessel.chamber(chamber.name))
    assert window is not None and way is not None
    box = body.coat.box
    middle, half = box.mean(axis=0), np.linalg.norm(np.ptp(box, axis=0)) / 2 + way.length / 2
    flat = middle - ((middle - window.center) @ window.across) * window.across

    def kinds(right: np.ndarray, up: np.ndarray) -> np.ndarray:
        points = flat + half * (right[:, None] * window.forward + up[:, None] * window.axis)
        air = np.any([chamber.wall.level(points) < 0 for chamber in body.chambers], axis=0)
        clay = _clay(vessel, body, points, air)
        return np.select([clay, way.has(points), air], [_CLAY, _PAPER, _AIR], _OUTSIDE)

    kind = _sampled(kinds, _FINE * pixels // _PARTS)
    solid = kind == _CLAY  # the line is drawn where clay meets anything else
    picture = np.array([to_rgb(color) for color in ("white", look.AIR, look.PAPER, look.CLAY_CUT)])[kind]
    picture[maximum_filter(solid, 5) != minimum_filter(solid, 5)] = to_rgb(look.INK)
    rows, columns = (np.flatnonzero(solid.any(axis=axis)) // _FINE for axis in (1, 0))
    return _averaged(picture)[max(rows[0] - 8, 0) : rows[-1] + 9, max(columns[0] - 8, 0) : columns[-1] + 9]


_OUTSIDE, _AIR, _PAPER, _CLAY = range(4)


def _sampled(kinds: Callable[[np.ndarray, np.ndarray], np.ndarray], count: int) -> np.ndarray:
    """Kinds on a fine lattice over the square -1 to 1, rows from the top: only cells beside others are asked finely."""

    def lattice(n: int) -> tuple[np.ndarray, np.ndarray]:
        grid = (2 * np.arange(n) + 1) / n - 1
        right, up = np.meshgrid(grid, grid[::-1])
        return right, up

    coarse = kinds(*(x.ravel() for x in lattice(count))).reshape(count, count)
    kind, mixed = (
        np.kron(x, np.ones((_PARTS, _PARTS), x.dtype))
        for x in (coarse, maximum_filter(coarse, 3) != minimum_filter(coarse, 3))
    )
    right, up = lattice(_PARTS * count)
    kind[mixed] = kinds(right[mixed], up[mixed])
    return kind


def _averaged(picture: np.ndarray) -> np.ndarray:
    """A picture (h, w, 3) at its size on paper."""
    high, wide, _ = picture.shape
    return picture.reshape(high // _FINE, _FINE, wide // _FINE, _FINE, 3).mean(axis=(1, 3))


def _clay(vessel: Vessel, body: Body, points: np.ndarray, air: np.ndarray) -> np.ndarray:
    """Mask (n,) of the points (n, 3) in the clay of the piece as it is cut; `air` (n,) is that of the chambers."""
    blown = [(c, vessel.chamber(c.name)) for c in body.chambers]
    clay = np.zeros(len(points), bool)
    outside = np.flatnonzero(~air)
    for wall, offset in outer_walls(body, blown):
        clay[outside] |= _within(wall, offset, points[outside])
    for chamber in body.chambers:
        design = vessel.chamber(chamber.name)
        way = windway_of(chamber.window, design)
        if way is not None:
            clay |= Tongue.of(way, chamber.wall, design).has(points)
            clay &= ~way.has(points)
        for o in chamber.all_openings:
            away = points - o.center
            up = away @ o.axis
            # Cut through, with the rims' rounding beyond both faces.
            clay &= ~((up > -o.reach) & (up < o.length + o.reach) & _over(o, away))
    return clay


def _within(wall: Wall, offset: float, points: np.ndarray) -> np.ndarray:
    if offset == 0:
        return np.asarray(wall.level(points) < 0)
    within = np.asarray(wall.level(points) < 0)
    # An exact distance takes long: only where it can matter.
    asked = np.flatnonzero(~within & (box_distance(wall, points) < offset))
    if len(asked):
        within[asked] = OffsetWall(wall, offset).level(points[asked]) < 0
    return within
