"""The mouthpiece: the clay that carries a windway from the body to the lips, and the windway's own taper."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from simkit.body.chambers import Opening
from simkit.body.coat import Coat
from simkit.body.walls.placed import PlacedWall
from simkit.body.walls.sections import SectionsWall
from simkit.body.walls.wall import Wall
from simkit.frozen import frozen
from simkit.vessel import Chamber, Mouthpiece, Voicing

MM = 1e-3
START, UNDER = 1.0e-3, 0.3e-3  # m behind the exit where the clay begins, and how far under the body's surface it does
SQUARE = 6.0  # squareness of its sections: a rectangle with rounded corners
USUAL_FLOOR = 1.5e-3  # m of clay under a windway's end, and beside it, without a mouthpiece: common practice, no source
LOOSE_MM = 0.5  # tolerance of a written length against what the windway's length leaves


@frozen
class WindwayCut:
    """The windway's air as it is cut: from its exit in the window back to the lips, straight, tapering evenly.

    exit (3,): the middle of its exit, m; across, back, out (3,): unit, its width's way, its way to the lips, and square
    to both, outward; at_exit, at_lips: width and height there, m; length, m; slope: by how much it comes down towards
    the window, radians: both its ends are as upright as the window's near side.
    """

    exit: np.ndarray
    across: np.ndarray
    back: np.ndarray
    out: np.ndarray
    at_exit: tuple[float, float]
    at_lips: tuple[float, float]
    length: float
    slope: float = 0.0

    @property
    def upright(self) -> np.ndarray:
        """The way (3,) up its ends, as long as its height there is for each metre square to it."""
        return self.out + np.tan(self.slope) * self.back if self.slope else self.out

    def size(self, s: float | np.ndarray) -> np.ndarray:
        """Width and height `s` metres behind the exit: (2,), or (2, n) at several places (n,)."""
        wide, high = (a + s / self.length * (b - a) for a, b in zip(self.at_exit, self.at_lips, strict=True))
        return np.array([wide, high])

    def places(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Of points (n, 3) how far behind the exit, to the side and up they lie, m: (n,) each."""
        away = points - self.exit
        up = away @ self.out
        return (
            away @ self.back - np.tan(self.slope) * up,
            away @ self.across,
            up,
        )  # ends are not square to a sloping way

    def has(self, points: np.ndarray) -> np.ndarray:
        """Mask (n,) of the points (n, 3) in it, or at its lips."""
        s, aside, up = self.places(points)
        wide, high = self.size(s)
        return np.asarray((np.abs(aside) < wide / 2) & (np.abs(up) < high / 2) & (s > 0) & (s < self.length + 1e-4))

    def corners(self, s: float) -> np.ndarray:
        """Corners (4, 3), m, of its section there."""
        width, height = self.size(s) / 2
        middle = self.exit + s * self.back
        return np.array([middle + x * width * self.across + z * height * self.upright for x, z in _ROUND])


_ROUND = ((-1, -1), (1, -1), (1, 1), (-1, 1))


def windway_cut(window: Opening, voicing: Voicing, piece: Mouthpiece | None) -> WindwayCut:
    """The windway's cut: back from the window's near side by its slope, so that its middle blows at the jet's height.

    The edge lies in the inside wall: in a window that leans as much above or below its middle as the wall there.
    """
    piece = piece or Mouthpiece()
    exit_, lips = (voicing.window_width_mm, voicing.windway_height_mm), piece.lips(voicing)
    edge = window.inner_tilt[1] * window.height / 2
    middle = window.center - window.height / 2 * window.forward + (edge + voicing.exit_rise_mm * MM) * window.axis
    slope, back, out = np.deg2rad(voicing.windway_slope_deg), -window.forward, window.axis
    if slope:
        # Turned about the window's width: the way back rises, so that the way to the window comes down.
        back, out = np.cos(slope) * back + np.sin(slope) * out, np.cos(slope) * out - np.sin(slope) * back
    return WindwayCut(
        middle,
        window.across,
        back,
        out,
        (exit_[0] * MM, exit_[1] * MM),
        (lips[0] * MM, lips[1] * MM),
        voicing.windway_length_mm * MM,
        float(slope),
    )


def windway_of(window: Opening | None, design: Chamber) -> WindwayCut | None:
    """The windway's cut of a chamber; None without a window."""
    if window is None or design.voicing is None:
        return None
    return windway_cut(window, design.voicing, design.mouthpiece)


@dataclass(frozen=True)
class MouthpieceSizes:
    """A mouthpiece's sizes with what the design leaves out filled in, mm: at the lips, and around the windway."""

    width: float
    height: float
    roof: float | None
    floor: float
    sides: float


def sizes_of(voicing: Voicing, piece: Mouthpiece | None) -> MouthpieceSizes:
    """The sizes of a mouthpiece; the usual ones where the design says nothing of it."""
    piece = piece or Mouthpiece()
    wide, high = piece.lips(voicing)
    roof = piece.floor_mm if piece.roof_mm is None else piece.roof_mm
    return MouthpieceSizes(
        piece.width_mm or wide + 2 * piece.sides_mm,
        piece.height_mm or high + roof + piece.floor_mm,
        piece.roof_mm,
        piece.floor_mm,
        piece.sides_mm,
    )


def mouthpiece_wall(window: Opening, voicing: Voicing, piece: Mouthpiece | None, body: Coat) -> Wall:
    """The surface of a mouthpiece's clay: a block from inside the clay behind the window to the lips.

    body: the outer surface without it. Where no roof is asked for, its top begins under that surface, so that nothing
    stands up beside the window.
    """
    cut, sizes = windway_cut(window, voicing, piece), sizes_of(voicing, piece)
    width = cut.at_exit[0] + 2 * sizes.sides * MM
    low = -cut.at_exit[1] / 2 - sizes.floor * MM
    if sizes.roof is None:
        # At the middle and near both sides, for the body curves down beside its middle line.
        beside = [cut.exit + START * cut.back + share * width * cut.across for share in (-0.4, 0.0, 0.4)]
        high = min(_height(body, place, cut.out) for place in beside) - UNDER
        high = max(high, cut.at_exit[1] / 2 + UNDER)  # never into the windway itself
    else:
        high = cut.at_exit[1] / 2 + sizes.roof * MM
    # Along runs with the breath, as in every wall: from the lips at -length to just behind the exit, all of it behind
    # the window's near side, to which a windway that slopes is not square.
    start = -START - max(high * np.tan(cut.slope), low * np.tan(cut.slope), 0.0)
    rows = (
        (-cut.length, sizes.width * MM, sizes.height * MM, 0.0, SQUARE),
        (start, width, high - low, (high + low) / 2, SQUARE),
    )
    # Both turned about, so that the frame stays right-handed with y along the breath.
    frame = np.stack([-cut.across, -cut.back, cut.out], axis=1)
    turn, tilt, roll = angles_of(frame)
    x, y, z = cut.exit.tolist()
    return PlacedWall(SectionsWall(rows), (x, y, z), turn, tilt, roll)


def _height(body: Coat, place: np.ndarray, way: np.ndarray) -> float:
    try:
        return body.through(place, way)
    except ValueError:
        return 0.0


def angles_of(frame: np.ndarray) -> tuple[float, float, float]:
    """turn_deg, tilt_deg and roll_deg of a rotation whose columns (3, 3) are where x, y and z come to lie.

    >>> from simkit.body.walls.formulas import EggWall
    >>> placed = PlacedWall(EggWall(0.02, 0.03, 0.01), (0.0, 0.0, 0.0), 30.0, -20.0, 75.0)
    >>> [round(angle, 6) for angle in angles_of(placed.turn)]
    [30.0, -20.0, 75.0]
    """
    (_, _, side), (fx, fy, fz), up = frame.T
    level = float(np.hypot(fx, fy))
    # Where its far end points straight up or down, turn and roll are about the same axis: all is put down to roll.
    if level < 1e-9:
        return 0.0, 90.0 * float(np.sign(fz)), float(np.degrees(np.arctan2(up[0], -np.sign(fz) * up[1])))
    # Read off the middle column, where y comes to lie: (sin turn cos tilt, cos turn cos tilt, sin tilt).
    turn, tilt = np.arctan2(fx, fy), np.arctan2(fz, level)
    return float(np.degrees(turn)), float(np.degrees(tilt)), float(np.degrees(np.arctan2(-side, up[2])))


def stands_out(cut: WindwayCut, body: Coat) -> float:
    """Distance of the lips beyond the body along the windway, m; negative where they are still within it."""
    # Far enough back to be out of any body that it could carry.
    steps = np.linspace(0.0, 1.0, 401) * max(2 * cut.length, 0.08)
    inside = body.level(cut.exit + steps[:, None] * cut.back) < 0
    out = np.flatnonzero(~inside)
    return cut.length - float(steps[out[0]] if len(out) else steps[-1])


def breaks_out(cut: WindwayCut, clay: Coat) -> Iterator[tuple[str, float]]:
    """Places where the windway's floor or roof lies out of the clay: its name, and the distance from the lips, m."""
    # Not at the exit, where it opens into the window, nor at the lips.
    places = np.linspace(2 * START, cut.length - START, 60)
    corners = np.stack([cut.corners(s) for s in places])
    bare = clay.level(corners.reshape(-1, 3)).reshape(-1, 4) >= 0
    for name, which in (("floor", [0, 1]), ("roof", [2, 3])):
        rows = bare[:, which].any(axis=1)
        if rows.any():
            yield name, float(cut.length - places[np.flatnonzero(rows)[0]])


WINDOW_ROOF = 6e-3  # m from its exit on a windway's roof ends in the window's near side, as thin as it is cut


def windway_clay(cut: WindwayCut, away: Callable[[np.ndarray], np.ndarray]) -> tuple[float, float] | None:
    """The least clay around a windway, m, and how far from the lips, m; negative where a side of it breaks out.

    None where all of it lies out of the clay.

    away: distance from the outer surface, m, negative within it. Asked along the windway's four edges, but for the
    ends: at the lips it comes out, and its roof ends in the window.
    """
    if cut.length <= 2 * WINDOW_ROOF:
        return None
    places = np.linspace(WINDOW_ROOF, cut.length - WINDOW_ROOF, 40)
    deep = -away(np.concatenate([cut.corners(s) for s in places])).reshape(-1, 4)
    within = np.flatnonzero((deep > 0).any(axis=1))
    if not len(within):
        return None
    # The thinnest of four edges at each place, and of these the thinnest place, of those with any clay at all.
    n = within[deep[within].min(axis=1).argmin()]
    return float(deep[n].min()), float(cut.length - places[n])
