"""Two palms beside a piece, as rigid flattened ellipsoids that mirror each other.

A ball sends back as much low sound as a palm, but little of the short waves that its flatter side turns round. So the
pressure on the palms' skins is sought by the boundary integral, at points spread evenly over them,

    p/2 = sent + sum over points of p dG/dn w,    G = e^{-ikr}/(4 pi r),

n out of the palm; a point's own share is what makes each palm's add up to -1/2 at rest. What goes to and fro between
the palms is in it. As they mirror each other and themselves, it parts into eight kinds of fields, odd or even each way,
with a quarter of a palm for each.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import product

import numpy as np
from numpy.typing import ArrayLike

from simkit.frozen import frozen

# Half axes across, along and up, m: a palm that stands beside the piece, 90 mm long, 80 high, 28 thick: common
# practice, no source.
PALM = (0.014, 0.045, 0.040)
POINTS = 48  # on a quarter of a palm
_TOGETHER = 48  # points, at so many wave numbers, whose arrays stay near the processor

_IMAGES = np.array(list(product((1.0, -1.0), repeat=3)))
_OWN = _IMAGES[:, 0] > 0  # those on the same palm
_PARITY = np.array([[np.prod(np.where(image < 0, way, 1.0)) for image in _IMAGES] for way in _IMAGES])


@frozen
class Palms:
    """Palms with half axes `axes` (3,) about `center` (3,), the middle between them, each `aside` of it across, m.

    terms: as of every thing near a piece (`nearby`).
    """

    center: np.ndarray
    aside: float
    axes: np.ndarray
    terms: int = 14

    def gap(self, points: np.ndarray) -> np.ndarray:
        """Signed distance of points (n, 3) from the nearer palm, m, to first order: (n,); negative inside."""
        away = self._beside(points) / self.axes
        r = np.linalg.norm(away, axis=1)
        # The level r - 1 over its slope, |away/axes|/r.
        return np.asarray(r * (r - 1) / np.linalg.norm(away / self.axes, axis=1))

    def path(self, points: np.ndarray) -> float:
        """The shortest way from one of the points to a palm and back to one, m."""
        away = np.abs(self._beside(points))  # folded into the quarter, but for the side: the piece's, negative
        away[:, 0] = -away[:, 0]
        return 2 * float(np.linalg.norm(away[:, None] - _quarter(self.axes, 4 * POINTS)[0], axis=2).min())

    def returned(self, points: np.ndarray, k: ArrayLike) -> np.ndarray:
        """Scattered part of the Green's function between outer points (n, 3) at real k (...), 1/m: (..., n, n), 1/m."""
        ks = np.asarray(k, float)
        between = _between(self.axes.tobytes(), self.aside, ks.tobytes()).of(points - self.center)
        between = between.reshape(*ks.shape, len(points), len(points))
        return (between + np.swapaxes(between, -1, -2)) / 2  # reciprocal but for what the points miss

    def _beside(self, points: np.ndarray) -> np.ndarray:
        """Points (n, 3) as seen from the middle of the palm on their side, the piece's side of it negative."""
        away = points - self.center
        return np.asarray(np.column_stack([np.abs(away[:, 0]) - self.aside, away[:, 1:]]))


class _Between:
    """The scattered part of the Green's function between points, not yet made reciprocal.

    Of a further question only the rows and columns of its new points are found; these take the place of points that are
    asked no more.
    """

    def __init__(self, axes: bytes, aside: float, ks: bytes) -> None:
        self._answers, self._ks = _answers(axes, aside, ks), np.frombuffer(ks)
        _, self._by, self._out = _skin(np.frombuffer(axes), aside)
        self._place: dict[bytes, int] = {}
        self._pressure, self._back, self._found = (np.zeros((len(self._ks), 0, 0), complex) for _ in range(3))

    def of(self, points: np.ndarray) -> np.ndarray:
        """(k, n, n), 1/m, of points (n, 3) as seen from the middle between the palms."""
        names = [point.tobytes() for point in points]
        wanted = set(names)
        new = [name for name in dict.fromkeys(names) if name not in self._place]
        free = [place for name, place in self._place.items() if name not in wanted]
        if len(new) > len(free):  # more than there were: all anew
            self._place, new, free = {}, list(dict.fromkeys(names)), []
            count, size = len(new), len(_IMAGES) * POINTS
            shapes = (size, count), (count, size), (count, count)
            made = [np.empty((len(self._ks), *shape), complex) for shape in shapes]
            self._pressure, self._back, self._found = made
            free = list(range(count))
        taken = free[: len(new)]
        self._place = {name: place for name, place in self._place.items() if place not in taken}
        self._place |= dict(zip(new, taken, strict=True))
        if new:
            self._ask(np.frombuffer(b"".join(new)).reshape(-1, 3), taken)
        at = [self._place[name] for name in names]
        return self._found[:, at][:, :, at]

    def _ask(self, points: np.ndarray, taken: list[int]) -> None:
        way = points - self._by[:, :, None]
        far = np.linalg.norm(way, axis=3)
        wave = 1 / (4 * np.pi * far)
        # dG/dn = (1 + ikr) e^{-ikr} (way . n)/(4 pi r^3), the area in n.
        steep = np.einsum("inmx,inx->inm", way, self._out) * wave / (far * far)
        step = max(1, _TOGETHER // len(taken))
        for some in (slice(n, n + step) for n in range(0, len(self._ks), step)):
            turn = self._ks[some] * far[..., None]
            phase = _turned(turn)
            sent = _of_kinds(phase * (wave / len(_IMAGES))[..., None])  # (c, n, m, k)
            back = _of_kinds((1 + 1j * turn) * phase * steep[..., None])
            pressure = self._answers[some] @ np.moveaxis(sent, 3, 0)
            self._pressure[some, :, taken] = pressure.reshape(len(pressure), -1, len(taken))
            self._back[some, taken] = np.moveaxis(back, (2, 3), (1, 0)).reshape(len(pressure), len(taken), -1)
        # New columns, then new rows: what old points send to new ones and the other way round.
        self._found[:, :, taken] = self._back @ self._pressure[:, :, taken]
        self._found[:, taken] = self._back[:, taken] @ self._pressure


@lru_cache(maxsize=8)
def _between(axes: bytes, aside: float, ks: bytes) -> _Between:
    """Kept: hands stay where they are while a hole moves."""
    return _Between(axes, aside, ks)


def _skin(axes: np.ndarray, aside: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Points (n, 3) on a quarter of a palm, those of all its images (i, n, 3), and normals there times area."""
    skin, normals, area = _quarter(axes, POINTS)
    at = skin + np.array([aside, 0.0, 0.0])
    return at, at * _IMAGES[:, None], normals * area[:, None] * _IMAGES[:, None]


@lru_cache(maxsize=8)
def _answers(axes: bytes, aside: float, ks: bytes) -> np.ndarray:
    """Inverse of the boundary equations on a quarter's points, of each symmetry class at each k: (k, c, n, n).

    Nothing of it knows where the sources are: openings may move.
    """
    at, by, out = _skin(np.frombuffer(axes), aside)
    n = np.arange(POINTS)
    way = at[:, None] - by[:, None]
    r = np.maximum(np.linalg.norm(way, axis=3), 1e-12)  # a point is 0 from itself, whose share is set apart
    # dG/dn times area at points of dipoles along `out` at rest: (i, p, n), 0 at themselves.
    still = np.einsum("ipnx,inx->ipn", way, out) / (4 * np.pi * r**3)
    own = -0.5 - still[_OWN].sum(axis=(0, 2))
    found = []
    for k in np.frombuffer(ks):
        among = (1 + 1j * k * r) * _turned(k * r) * still
        among[0, n, n] = own
        found.append(np.linalg.inv(np.eye(POINTS) / 2 - _of_kinds(among)))
    return np.array(found)


def _quarter(axes: np.ndarray, count: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Points (count, 3) all over the quarter of an ellipsoid ahead of and above its middle, normals out of it, and the
    area of each (count,)."""
    n = np.arange(count) + 0.5
    # Fibonacci's spiral: bands of one area about the axis across, each turned on by the golden ratio.
    x, turn = 1 - 2 * n / count, np.pi / 2 * np.mod(n * (np.sqrt(5) - 1) / 2, 1.0)
    r = np.sqrt(1 - x * x)
    on = np.column_stack([x, r * np.cos(turn), r * np.sin(turn)])
    steep = np.linalg.norm(on / axes, axis=1)  # the ball's area grows by abc times this
    return on * axes, on / axes / steep[:, None], np.pi / count * axes.prod() * steep


def _turned(angle: np.ndarray) -> np.ndarray:
    """e^{-i angle} of real angles: numpy's complex exponential takes three times as long as cosine and sine."""
    found = np.empty(angle.shape, complex)
    np.cos(angle, out=found.real)
    np.negative(np.sin(angle), out=found.imag)
    return found


def _of_kinds(images: np.ndarray) -> np.ndarray:
    """Values for each symmetry class (c, ...) from those of the quarter's single images (i, ...)."""
    return np.tensordot(_PARITY, images, axes=1)
