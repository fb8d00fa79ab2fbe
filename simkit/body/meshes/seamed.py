"""Outer rims of round holes that come out over a seam, where solids of a figure's clay meet.

Seen along its axis such a rim is as smooth as any: only its height turns where it crosses a seam, from one solid's to
the other's. There a ball that rolls along the rim would pivot about the seam, over less than an element: the clay's
normal is blended across it instead.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from scipy.optimize import brentq

from simkit.body.chambers import Opening
from simkit.body.meshes.rolling import lift, meeting
from simkit.body.meshes.soundness import place
from simkit.body.over_seams import comes_out
from simkit.body.walls.union import UnionWall
from simkit.body.walls.wall import Wall, normals
from simkit.frozen import frozen

STEEPEST = np.deg2rad(60.0)  # of the clay's faces beside a seam against a hole's axis: beyond, no rim goes round
_LOOKED = 240  # turns at which a rim is looked at for seams
_BLEND = 0.05  # turn, on either side of a seam, in which the normal goes over to the mean of both


@frozen
class SeamedRim:
    """The outer rim of a hole that crosses seams at the turns `kinks` (n,), 0 to 1; between the nth and the next it
    lies on the solid `solids[n]`. means (n, 3): mean unit normals at the seams.
    """

    opening: Opening
    kinks: np.ndarray
    solids: tuple[Wall, ...]
    means: np.ndarray

    def contacts(self, turns: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Contacts with the face and with the side (n, 3), the corner of the tangents there (n, 3), m, and the cosine
        of half the arc between (n,), at turns (n,)."""
        o, turns = self.opening, np.mod(turns, 1.0)
        ray = rays(o, turns)
        side = np.searchsorted(self.kinks, turns, side="right") - 1  # before the first kink it is the last side
        out, near = np.empty_like(ray), o.center + (o.radius + o.rim) * ray
        for n, solid in enumerate(self.solids):
            mine = side % len(self.solids) == n
            out[mine] = self._blended(turns[mine], normals(solid, _on(solid, o, near[mine])))
        # A ball of the rim's radius that touches both: its middle lies that much behind the side and under the face.
        face = o.center + (o.radius + o.rim * (1 + np.einsum("ni,ni->n", out, ray)))[:, None] * ray
        for n, solid in enumerate(self.solids):
            mine = side % len(self.solids) == n
            face[mine] = _on(solid, o, face[mine])
        way = np.tile(o.axis, (len(turns), 1))
        corner = meeting(o.center + o.radius * ray, way, face, out)
        # Both tangents from a corner to a ball are equally long.
        touch = corner - np.linalg.norm(face - corner, axis=1)[:, None] * way
        cosine = -np.einsum("ni,ni->n", out, ray)
        return face, touch, corner, np.sqrt((1 + np.clip(cosine, -1, 1)) / 2)

    def _blended(self, turns: np.ndarray, out: np.ndarray) -> np.ndarray:
        """Normals (n, 3) gone over to the mean of both solids' towards each seam, smooth to the second derivative."""
        for kink, mean in zip(self.kinks, self.means, strict=True):
            t = np.clip(1 - np.abs((turns - kink + 0.5) % 1 - 0.5) / _BLEND, 0.0, 1.0)
            share = (t**3 * (10 - 15 * t + 6 * t * t))[:, None]  # smootherstep: slope and bend vanish at both ends
            out = (1 - share) * out + share * mean
        return np.asarray(out / np.linalg.norm(out, axis=1)[:, None])


def rays(o: Opening, turns: np.ndarray) -> np.ndarray:
    """Unit vectors (n, 3) from a hole's axis to its side."""
    phi = 2 * np.pi * turns[:, None]
    return np.asarray(np.cos(phi) * o.across + np.sin(phi) * o.forward)


def seamed_rim(o: Opening) -> SeamedRim | None:
    """The outer rim of a round hole that crosses a seam; None where it lies on one solid.

    ValueError, in words for the user, where no rim goes round: a face beside the seam is too steep.
    """
    if not (o.is_round and isinstance(o.figure, UnionWall)) or o.clay:
        return None
    turns = np.arange(_LOOKED) / _LOOKED
    owner = _owners(o, o.figure, o.radius + 0.7 * o.rim, turns)
    # Looked at a little within and beyond its contact with the face.
    if (owner == owner[0]).all() and (_owners(o, o.figure, 1.05 * (o.radius + o.rim), turns) == owner[0]).all():
        return None
    kinks, solids, means = [], [], []
    for n in np.flatnonzero(owner != np.roll(owner, -1)):
        one, other = (o.figure.solids[owner[m]] for m in (n, (n + 1) % _LOOKED))
        kink = _kink(o, one, other, turns[n])
        pair = np.stack([_normal(o, each, kink) for each in (one, other)])
        kinks.append(kink % 1.0)
        solids.append(other)
        means.append(pair.mean(axis=0) / np.linalg.norm(pair.mean(axis=0)))
    if not kinks:
        raise ValueError(f"{o.title} comes out beside a seam of the outside that its rim only touches; move it")
    order = np.argsort(kinks)
    return SeamedRim(o, np.array(kinks)[order], tuple(solids[m] for m in order), np.array(means)[order])


def _owners(o: Opening, figure: UnionWall, radius: float, turns: np.ndarray) -> np.ndarray:
    """Number (n,) of the solid out of which the clay's way along a hole's axis leads, at turns (n,) round it.

    ValueError where that face is too steep.
    """
    base = o.center + radius * rays(o, turns)
    rise = np.linspace(0.0, o.through + 3 * radius, 160)[:, None]
    at = base + comes_out(figure, base, o.axis, rise)[:, None] * o.axis
    owner = figure.owner(at)
    slope = figure.taylor(at).slope
    steep = (slope @ o.axis) / np.linalg.norm(slope, axis=1)
    # A ray that begins in the air, or stays in the clay, leaves it nowhere.
    bad = (figure.level(base) >= 0) | (figure.level(at) < -1e-9) | (steep < np.cos(STEEPEST))
    if bad.any():
        where = place(at[steep.argmin()])
        least = f"too steep a face, {where}: at most {np.degrees(STEEPEST):.0f} degrees from square to the hole"
        raise ValueError(f"{o.title} comes out over a seam of the outside into {least}; move it away from there")
    return owner


def _on(solid: Wall, o: Opening, points: np.ndarray) -> np.ndarray:
    """Points (n, 3) moved along a hole's axis onto a solid's surface, where it leaves it."""
    if not len(points):
        return points
    flat = points - ((points - o.center) @ o.axis)[:, None] * o.axis
    return np.asarray(flat + lift(solid, 0.0, flat, o.axis, o.through)[:, None] * o.axis)


def _normal(o: Opening, solid: Wall, turn: float) -> np.ndarray:
    at = o.center + (o.radius + o.rim) * rays(o, np.array([turn]))
    return np.asarray(normals(solid, _on(solid, o, at))[0])


def _kink(o: Opening, one: Wall, other: Wall, turn: float) -> float:
    """Turn at which a rim that goes round goes over from one solid to another, near `turn`."""

    def above(t: float) -> float:
        ray = rays(o, np.array([t]))
        pair = np.stack([_normal(o, each, t) for each in (one, other)])
        mean = pair.mean(axis=0) / np.linalg.norm(pair.mean(axis=0))
        at = o.center + (o.radius + o.rim * (1 + float(mean @ ray[0]))) * ray
        return float((_on(one, o, at) - _on(other, o, at))[0] @ o.axis)

    for low, high in _widening(turn):
        if above(low) * above(high) < 0:
            return float(brentq(above, low, high, xtol=1e-12))
    raise ValueError(f"{o.title} comes out over a seam of the outside that its rim hardly crosses; move it")


def _widening(turn: float) -> Iterator[tuple[float, float]]:
    for n in range(8):
        yield turn - n / _LOOKED, turn + (n + 1) / _LOOKED
