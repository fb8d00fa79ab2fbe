"""Things near a piece while it sounds: the player's face and hands, a table; rigid bodies in the room's air.

A wave that leaves an opening comes back from them. That adds to the outside's port matrix, which `circuit` calls
outer, p = i omega rho (Z_out + dZ) U, symmetric and in 1/m:

    dZ_ij = M^2 sum over a, b of s_a s_b G(a_i, b_j),    s = 2 at the opening, -1 at (2 - F)(x - c) from the middle c

G is what the other body sends back of a point source: a plane its image, e^{-ikD}/(4 pi D); a ball a series
(`RigidBall`), two palms a boundary integral (`palms`). The two points stand for the piece itself, on which the opening
sits: near by an opening in clay sends twice what a free source does, from afar its dipole lies F times as far from the
middle, F_i = 1/(1 - N_i) with the factors N of the ellipsoid that fills the piece's box (a rigid ellipsoid in a uniform
stream: Lamb 1932, Hydrodynamics, art. 114, from memory; the two points of a ball have its moments 1, 3/2, 7/4, 15/8
where its surface has 1, 3/2, 5/3, 7/4).
M = e^{ix}/(1 + ix) (1 + 7 x^2/24), x = k times the radius of the ball as large as the piece: what that ball sends of a
source on it less what the two points would. Waves that go to and fro more than once between the piece and a thing are
left out. What that costs against boundary elements and the model `resolved`, on pieces of three sizes, stands in
`studies/11_player_and_table`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache, partial
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import elliprd, legendre_p_all, spherical_jn, spherical_yn

from simkit.body.chambers import Body, Opening
from simkit.body.walls.wall import Wall, normals, on_wall
from simkit.field.fem.resonance_search import leaving
from simkit.field.reduced.memory import KeptPairs
from simkit.frozen import frozen
from simkit.sound.elements.palms import PALM, Palms
from simkit.sound.elements.returned import InHalves, Returned

FACE = 0.090  # m, radius of a ball like a face
HAND_LOW = 0.010  # m by which hands hang below the middle of the piece
DEGREES, SMALL = 240, 1e-7  # most degrees of a ball's series, and the share of the last one taken
EXACT = 20  # degrees whose Bessel functions are computed; above them their product is all but that at rest
REACH = 2.0  # k up to this over the piece's ball


@frozen
class RigidPlane:
    """A wide rigid plane through `point` (3,) with the unit `normal` (3,) towards the piece, m."""

    point: np.ndarray
    normal: np.ndarray
    terms: ClassVar[int] = 16

    def gap(self, points: np.ndarray) -> np.ndarray:
        """Signed distance of points (n, 3) from the plane, m: (n,); negative behind it."""
        return np.asarray((points - self.point) @ self.normal)

    def path(self, points: np.ndarray) -> float:
        """The shortest way from one of the points to it and back to one, m."""
        return 2 * float(self.gap(points).min())

    def returned(self, points: np.ndarray, k: ArrayLike) -> np.ndarray:
        """Scattered part of the Green's function between points (n, 3) at real k (...), 1/m: (..., n, n), 1/m."""
        image = points - 2 * self.gap(points)[:, None] * self.normal
        way = np.linalg.norm(points[:, None] - image[None], axis=2)
        return np.asarray(np.exp(-1j * np.asarray(k)[..., None, None] * way) / (4 * np.pi * way))


@frozen
class RigidBall:
    """A rigid ball: its `center` (3,) and `radius`, m.

    Outside it a point source at r' makes, beside its own wave, sum over l of (2 l + 1)/(4 pi a) T_l w_l(r) w_l(r')
    P_l(cos gamma), w_l = h_l(kr)/h_l(ka), T_l = 1/D_l + i ka j_l(ka) h_l(ka), D_l = -ka h_l'(ka)/h_l(ka): Bowman,
    Senior & Uslenghi 1969, part 1, ch. 10 (from memory), by the Wronskian; at rest T_l = l/((l + 1)(2 l +
    1)).
    """

    center: np.ndarray
    radius: float
    terms: ClassVar[int] = 16

    def gap(self, points: np.ndarray) -> np.ndarray:
        """Signed distance of points (n, 3) from the ball, m: (n,); negative inside."""
        return np.asarray(np.linalg.norm(points - self.center, axis=1) - self.radius)

    def path(self, points: np.ndarray) -> float:
        """The shortest way from one of the points to it and back to one, m."""
        return 2 * float(self.gap(points).min())

    def returned(self, points: np.ndarray, k: ArrayLike) -> np.ndarray:
        """Scattered part of the Green's function between outer points (n, 3) at real k (...), 1/m: (..., n, n), 1/m."""
        k, top = np.asarray(k, float), self.degrees(points)

        def between(_: list[int], new: list[int]) -> np.ndarray:
            return self.sent(points, new, k.ravel(), top).swapaxes(1, 2)

        # All to one degree, so that no answer depends on what was asked before.
        keys = [(top, point.tobytes()) for point in points]
        found = _returns(self, k.tobytes()).of(keys, between, symmetric=True)
        return found.reshape(*k.shape, len(points), len(points))

    def degrees(self, points: np.ndarray) -> int:
        """Degree at which the series for points (n, 3) ends, by the nearest of them."""
        # Degrees fall off as (a^2/r^2)^l, for a source and a listener at r.
        share = (self.radius / float(np.linalg.norm(points - self.center, axis=1).min())) ** 2
        return int(np.clip(np.log(SMALL) / np.log(share), EXACT, DEGREES))

    def sent(self, points: np.ndarray, rows: Sequence[int], k: np.ndarray, top: int) -> np.ndarray:
        """The same between some of the points, `rows` (m,), and all of them, at k (p,), to degree `top`: (p, m, n)."""
        away = points - self.center
        r = np.linalg.norm(away, axis=1)
        ways = away / r[:, None]
        cosine = np.clip(ways[rows] @ ways.T, -1, 1)
        a = self.radius
        D, far = a * leaving(k, a, top), r * leaving(k[..., None], r, top)
        strength = 1 / D + _bessel_product(k * a, top)
        degree = np.arange(top + 1.0)[:, None, None]
        # w_{l+1}/w_l, as h_{l+1}/h_l = (l + D_l)/x (DLMF 10.51.2): no Bessel function of a high degree is needed.
        onward = (a / r) * (degree + far) / (degree + D[..., None])
        wave = np.cumprod(np.concatenate([[a / r * np.exp(-1j * k[:, None] * (r - a))], onward[:-1]]), axis=0)
        sent = (2 * degree + 1) * strength[..., None] * wave[..., rows]
        legendre = legendre_p_all(top, cosine)[0]
        # Row by row: all at once the sum's terms would take (degrees, k, n, n).
        each = [np.einsum("lk,lkn,ln->kn", sent[..., n], wave, legendre[:, n]) for n in range(len(rows))]
        return np.stack(each, axis=1) / (4 * np.pi * a)


@lru_cache(maxsize=8)
def _returns(ball: RigidBall, k: bytes) -> KeptPairs:
    """Waves that a ball sends back between points: a face stays where it is while a hole moves."""
    return KeptPairs()


def _bessel_product(x: np.ndarray, top: int) -> np.ndarray:
    """i x j_l(x) h_l(x), h of the second kind, at x (...) for degrees 0 to `top`: (top + 1, ...); -1/(2 l + 1) at rest.

    Above EXACT by its first two terms, -(1 + 2 x^2/((2 l - 1)(2 l + 3)))/(2 l + 1).
    """
    degree = np.arange(top + 1).reshape(-1, *([1] * x.ndim))
    found = -(1 + 2 * x * x / ((2 * degree - 1) * (2 * degree + 3))) / (2 * degree + 1) + 0j
    low, moves = degree[: EXACT + 1], x > 0  # y_l has no value at rest
    at = np.where(moves, x, 1.0)
    j, y = spherical_jn(low, at), spherical_yn(low, at)
    found[: EXACT + 1] = np.where(moves, 1j * at * j * (j - 1j * y), found[: EXACT + 1])
    return found


# `terms` of each: Chebyshev polynomials over half of `REACH`, enough for 4e-5 1/m.
Thing = RigidPlane | RigidBall | Palms


@frozen
class Scatterer:
    """The clay with its air as seen from afar: the box's middle (3,) and half sides (3,), the radius of the ball of
    its volume, m."""

    center: np.ndarray
    half: np.ndarray
    ball: float

    @staticmethod
    def of(body: Body) -> Scatterer:
        """Middle and half axes of a body's box, and the radius of the ball as large as the ellipsoid in it."""
        low, high = body.coat.box
        half = (high - low) / 2
        return Scatterer((low + high) / 2, half, float(half.prod() ** (1 / 3)))

    @cached_property
    def lever(self) -> np.ndarray:
        """Factor F (3,) by which a source on it seems farther off the middle from afar.

        1/(1 - N), N_i = (abc/3) R_D of the squares of the other two half axes and, last, its own (DLMF 19.33).

        >>> Scatterer(np.zeros(3), np.ones(3), 1.0).lever.round(12).tolist()
        [1.5, 1.5, 1.5]
        """
        squares = self.half**2
        return np.array([
            1 / (1 - self.half.prod() / 3 * elliprd(*np.delete(squares, axis), squares[axis])) for axis in range(3)
        ])  # fmt: skip

    def senders(self, openings: np.ndarray) -> np.ndarray:
        """The points (2 n, 3) that stand for openings at (n, 3): themselves, of strength 2, then those of -1."""
        return np.concatenate([openings, self.center + (2 - self.lever) * (openings - self.center)])

    def sent(self, k: np.ndarray) -> np.ndarray:
        """Strength M (...) of what it sends at k (...), 1/m."""
        x = k * self.ball
        return np.exp(1j * x) / (1 + 1j * x) * (1 + 7 * x * x / 24)


def change(thing: Thing, piece: Scatterer, openings: np.ndarray, k: ArrayLike) -> np.ndarray:
    """dZ (..., n, n), 1/m, that one thing near the piece makes among its openings, their outer middles (n, 3), at real
    k (...)."""
    k, count = np.asarray(k, float), len(openings)
    among = thing.returned(piece.senders(openings), k)
    # Both points of each opening, of strengths 2 and -1, as sender and as receiver.
    pairs = among.reshape(*k.shape, 2, count, 2, count)
    return piece.sent(k)[..., None, None] ** 2 * np.einsum("a,...aibj,b->...ij", (2, -1), pairs, (2, -1))


@lru_cache(maxsize=64)
def _returned(thing: Thing, piece: Scatterer, openings: bytes) -> InHalves:
    """Kept for the same places of openings: a hole that is widened stays where it is."""
    at = np.frombuffer(openings).reshape(-1, 3)
    return InHalves.of(partial(change, thing, piece, at), thing.path(at), thing.terms, REACH / piece.ball)


@dataclass(frozen=True)
class Nearby:
    """dZ_out of everything near the piece, each as if the others were away; rows as the port field's."""

    parts: tuple[Returned | InHalves, ...]

    @staticmethod
    def of(things: Sequence[Thing], piece: Scatterer, openings: np.ndarray) -> Nearby:
        """Things near a piece whose openings' outer middles are at (n, 3), m; ValueError where one is in a thing."""
        for thing in things:
            if thing.gap(openings).min() <= 0:
                kind = {RigidBall: "a ball", RigidPlane: "a wall", Palms: "a palm"}[type(thing)]
                raise ValueError(f"an opening lies within {kind} near the piece")
        return Nearby(tuple(_returned(thing, piece, openings.tobytes()) for thing in things))

    @property
    def top(self) -> float:
        """Wave number above which it answers as there, with a kink, 1/m."""
        return min((part.top for part in self.parts), default=np.inf)

    def of_rows(self, rows: np.ndarray) -> Nearby:
        """Copy for some of the openings alone."""
        return Nearby(tuple(part.of_rows(rows) for part in self.parts))

    def __call__(self, k: ArrayLike) -> np.ndarray | float:
        """dZ at wave numbers k (...) of the room's air, 1/m, real or complex: (..., n, n), 1/m; 0 for nothing near."""
        k = np.asarray(k, complex)
        return sum((part(k) for part in self.parts), start=0.0)


NOTHING = Nearby(())


def face(window: Opening, distance: float, radius: float = FACE, slope: float = 0.0) -> RigidBall:
    """The player's face: nearest to the piece `distance` (m) upstream of the window, where the windway begins.

    slope: by how much the windway comes down from there, radians.
    """
    back = np.sin(slope) * window.axis - np.cos(slope) * window.forward
    entry = outer_middle(window) - window.height / 2 * window.forward + distance * back
    return RigidBall(entry + radius * back, radius)


def hands(body: Body, gap: float, terms: int = Palms.terms) -> Palms:
    """Two palms beside the piece, left and right, `gap` (m) of air between."""
    piece = Scatterer.of(body)
    low = piece.center - np.array([0.0, 0.0, HAND_LOW])
    return Palms(low, float(piece.half[0] + gap + PALM[0]), np.array(PALM), terms)


def table(body: Body, distance: float) -> RigidPlane:
    """A table under the piece, `distance` (m) below its lowest clay."""
    piece = Scatterer.of(body)
    return RigidPlane(piece.center - np.array([0.0, 0.0, piece.half[2] + distance]), np.array([0.0, 0.0, 1.0]))


def outer_middle(opening: Opening) -> np.ndarray:
    """The middle of an opening's outer end (3,), m."""
    return np.asarray(opening.center + opening.length * opening.axis)


def outer_points(body: Body) -> np.ndarray:
    """Points (n, 3) all over the clay's outer surface, m; flat ends by their rims."""
    coat = body.coat
    return np.concatenate([_outside(wall, coat.offset) for wall in coat.walls])


@lru_cache(maxsize=16)
def _outside(wall: Wall, thickness: float) -> np.ndarray:
    on = on_wall(wall, 2)
    return on + thickness * normals(wall, on)


def clearance_from(thing: Thing, body: Body) -> float:
    """The least air between a thing and the clay, m; not above 0 where it is in the clay."""
    return float(thing.gap(outer_points(body)).min())
