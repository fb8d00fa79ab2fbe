"""A search for the resonances of air that radiates, in a growing space of real fields.

The residual of the best field in the space, preconditioned, enlarges it (nonlinear Arnoldi: Voss 2004 [Voss2004],
from memory); real and imaginary parts apart keep all big matrices real.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.linalg import eig, eigh
from scipy.sparse import csr_matrix
from scipy.special import assoc_legendre_p_all, gammaln

from simkit.errors import OutOfReach
from simkit.field.fem.factor import through

Reals = np.ndarray


def harmonics(directions: Reals, top: int) -> Reals:
    """Real orthonormal spherical harmonics to degree `top` at unit `directions` (q, 3): ((top + 1)^2, q)."""
    x, y, z = directions.T
    phi = np.arctan2(y, x)
    legendre = assoc_legendre_p_all(top, top, z)[0]  # SciPy 1.17's `norm` forgets the poles
    rows = []
    for degree in range(top + 1):
        for order in range(-degree, degree + 1):
            turn = np.sqrt(0.5) if order == 0 else np.cos(order * phi) if order > 0 else np.sin(-order * phi)
            m = abs(order)
            # Along z the square integrates to 2/(2 l + 1) (l + m)!/(l - m)!, around cos^2 to pi.
            square = np.exp(gammaln(degree + m + 1) - gammaln(degree - m + 1)) * 2 / (2 * degree + 1) * np.pi
            rows.append(legendre[degree, m] * turn / np.sqrt(square))
    return np.array(rows)


def degrees(top: int) -> Reals:
    """Degree l of each row of `harmonics`: ((top + 1)^2,)."""
    return np.repeat(np.arange(top + 1), 2 * np.arange(top + 1) + 1)


def leaving(k: complex | Reals, radius: float | Reals, top: int) -> np.ndarray:
    """Logarithmic derivative of an outgoing wave of each degree on the sphere, -p'/p = -k h_l'(k R)/h_l(k R), 1/m:
    (top + 1, ...) for k, 1/m, and R, m, (...).

    h_l of the second kind (time factor e^{+i omega t}). With D_l = -k R h_l'/h_l the recurrence of the spherical
    Bessel functions (DLMF 10.51.2) reads D_0 = 1 + i k R, D_{l+1} = l + 2 - (k R)^2/(l + D_l): no overflow, and
    l + 1 at k = 0. (The exact condition on a sphere: Keller & Givoli 1989 [Keller1989], from memory.)

    >>> leaving(0.0, 2.0, 2).real
    array([0.5, 1. , 1.5])
    """
    x = k * radius
    D = [1 + 1j * x]
    for degree in range(top):
        D.append(degree + 2 - x * x / (degree + D[-1]))
    return np.array(D) / radius


TOP = 8  # degree of the harmonics on the far sphere
# Relative error of k^2 at which the search stops: a ten thousandth of a cent, and of a little damped resonance a
# thousandth of its width.
TOLERANCE, OF_RADIATION, FINEST = 1e-7, 1e-3, 1e-9
NEAR = 1e-3  # of the guesses, whose outside is at rest
STEPS = 60
SPARE = 3  # guesses more than asked for: radiation may change their order


# Resonances found so far: k, and coordinates y in the space as it was then.
Found = list[tuple[complex, np.ndarray]]


@dataclass(frozen=True, eq=False)
class Radiating:
    """Air that rings by K p + beyond S p + sum_l D_l(k) B_l B_l^T p = k^2 M p, all matrices real and symmetric.

    S: integral of p q over the far sphere of that radius; B (n, (TOP + 1)^2), sparse: its harmonics' loads; D_l: the
    steepness of the wave that leaves, less `beyond`; inside: M of the air inside alone; inverse: about that of
    K + S/radius. branch: with it the last column of B is not a harmonic's but a side branch's end, and this its own
    steepness, m.
    """

    K: csr_matrix
    M: csr_matrix
    S: csr_matrix
    inside: csr_matrix
    B: csr_matrix
    radius: float
    inverse: Callable[[np.ndarray], np.ndarray]
    branch: float | None = None

    @property
    def beyond(self) -> float:
        """Steepness for what is beyond the harmonics, that of their next degree, 1/m."""
        return (TOP + 2) / self.radius

    def steepness(self, k: complex) -> np.ndarray:
        """D_l(k) of every harmonic less the part common to all, 1/m, and the branch's last."""
        leaves = leaving(k, self.radius, TOP)[degrees(TOP)] - self.beyond  # one of each degree for all its harmonics
        return leaves if self.branch is None else np.append(leaves, self.branch)

    def residual(self, k: complex, parts: np.ndarray) -> np.ndarray:
        """Residual of a field of wave number k, 1/m; both as real and imaginary part, (n, 2)."""
        square = k**2
        still = through(self.K, parts) + self.beyond * (self.S @ parts)
        # k^2 M p, the complex factor as a matrix on (real, imaginary)
        moving = through(self.M, parts) @ np.array([[square.real, square.imag], [-square.imag, square.real]])
        leaves = self.steepness(k) * (self.B.T @ parts @ (1, 1j))
        return still - moving + self.B @ np.stack([leaves.real, leaves.imag], axis=1)

    def weight(self, k: complex, x: np.ndarray) -> complex:
        """Weight of a field x (n,): x^T M x - x^T (dD/dk^2) x, over which a load changes k^2."""
        e = 1e-5 * k.real
        # dD/dk by differences, dD/dk^2 = dD/dk/(2 k); no conjugate, for the equations are symmetric, not Hermitian.
        slope = (self.steepness(k + e) - self.steepness(k - e)) / (2 * e)
        heavy = through(self.M, np.stack([x.real, x.imag], axis=1)) @ (1, 1j)
        return complex(x @ heavy - (slope / (2 * k) * (self.B.T @ x) ** 2).sum())

    def resonances(self, count: int) -> list[tuple[complex, np.ndarray]]:
        """k, ascending, and field (n,) of the lowest `count` resonances of the air inside."""
        spare = SPARE if count > 1 else 0
        space, found = Space(self), Found()
        for guess, shape in guesses(space, count + spare):
            found.append(converged(space, guess, shape, found))
        lowest = sorted(found, key=lambda each: each[0].real)[:count]
        return [(k, space.V[:, : len(y)] @ y) for k, y in lowest]  # y is as long as the space was then


class Space:
    """Orthonormal real fields V (n, m), and the matrices projected on them: small (m, m).

    What a matrix makes of them is not kept: a field in the space is put through it again, which costs as little.
    """

    def __init__(self, air: Radiating):
        self.air = air
        self.matrices = {"K": air.K, "M": air.M, "S": air.S, "inside": air.inside}
        self._kept = np.empty((air.K.shape[0], 16), order="F")  # room for columns to come; doubled when full
        self.V = self._kept[:, :0]
        self.small = {name: np.zeros((0, 0)) for name in self.matrices}
        self.sphere = np.zeros((air.B.shape[1], 0))

    def grow(self, fields: np.ndarray) -> None:
        """Extend the span by the fields (n, c)."""
        fresh, old = _beyond(self.V, fields), self.V
        count = old.shape[1] + fresh.shape[1]
        if count > self._kept.shape[1]:
            self._kept = np.empty((len(old), 2 * count), order="F")
            self._kept[:, : old.shape[1]] = old
        self._kept[:, old.shape[1] : count] = fresh
        self.V = self._kept[:, :count]
        for name, A in self.matrices.items():
            image = through(A, fresh)
            cross, own = old.T @ image, fresh.T @ image  # what is projected already stays
            self.small[name] = np.block([[self.small[name], cross], [cross.T, own]])
        self.sphere = np.hstack([self.sphere, self.air.B.T @ fresh])


def guesses(space: Space, count: int) -> list[tuple[float, np.ndarray]]:
    """k and field of the lowest modes of the inside with the outside at rest: (K + S/radius) p = k^2 M_inside p.

    A block Davidson search from smooth fields: the even pressure and, for more, seeded noise twice smoothed.
    """
    air = space.air
    start = np.ones((len(space.V), 1))
    if count > 1:
        noise = np.random.default_rng(0).standard_normal((len(space.V), count + 1))
        start = np.hstack([start, air.inverse(air.inside @ noise)])
    space.grow(air.inverse(air.inside @ start))
    for _ in range(STEPS):
        stiff, heavy = space.small["K"] + space.small["S"] / air.radius, space.small["inside"]
        inverse_squares, shapes = eigh(heavy, stiff)  # the inside's mass alone is no norm of fields outside
        k2, y = 1 / inverse_squares[::-1][:count], shapes[:, ::-1][:, :count]
        shapes_now = space.V @ y
        residual = air.K @ shapes_now + air.S @ shapes_now / air.radius - air.inside @ shapes_now * k2
        better = air.inverse(residual)
        error = np.sqrt(np.abs(np.einsum("nc,nc->c", residual, better)))  # of the field, in the energy's norm
        if len(k2) == count and error.max() < np.sqrt(NEAR):
            return list(zip(np.sqrt(k2), y.T, strict=True))
        space.grow(better[:, error >= np.sqrt(NEAR)])
    raise OutOfReach(f"resolved: the modes without radiation did not converge in {STEPS} steps")


def converged(space: Space, guess: complex, shape: np.ndarray, found: Found) -> tuple[complex, np.ndarray]:
    """Resonance that a guess becomes by radiating: k, 1/m, and its coordinates in the space (m,)."""
    air, k, y = space.air, complex(guess), shape.astype(complex)
    for _ in range(STEPS):
        k, y = _within(space, k, y, found)
        residual = air.residual(k, space.V @ np.stack([y.real, y.imag], axis=1))
        better = air.inverse(residual)
        error = abs(np.dot(residual @ (1, 1j), better @ (1, 1j)) / (y @ space.small["M"] @ y) / k**2)
        if error < max(FINEST, min(TOLERANCE, OF_RADIATION * abs(k.imag / k.real))):
            return k, y
        space.grow(better)
    raise OutOfReach(f"resolved: a resonance did not converge in {STEPS} steps (error of k^2: {error:.1g})")


def _within(space: Space, k: complex, like: np.ndarray, found: Found) -> tuple[complex, np.ndarray]:
    """The resonance in the space that k and a field close in on; another like it if that one is found already."""
    k_near, y = _closed_in(space, k, like)
    if y is not None and not _shared(space, y[:, None], found)[0]:
        return k_near, y
    return _most_alike(space, k, like, found)


def _closed_in(space: Space, k: complex, like: np.ndarray) -> tuple[complex, np.ndarray | None]:
    """Inverse iteration with Rayleigh's quotient on G(k) = K + sphere^T D sphere - k^2 M, which converges cubically."""
    air, M, sphere = space.air, space.small["M"], space.sphere
    still, y = space.small["K"] + air.beyond * space.small["S"], _longer(like, space.V.shape[1])
    start, e = k, 1e-5 * abs(k)
    for _ in range(12):
        D, ahead, behind = (air.steepness(x) for x in (k, k + e, k - e))
        G = still + (sphere.T * D) @ sphere - k**2 * M
        # dG/dk, the far sphere's part by differences.
        change = (sphere.T * ((ahead - behind) / (2 * e))) @ sphere - 2 * k * M
        try:
            y = np.linalg.solve(G, change @ y)
        except np.linalg.LinAlgError:  # k is the resonance to the last bit: from a hair beside it y is still its field
            y = np.linalg.solve(G + 1e-13 * k * change, change @ y)
        y = y / np.sqrt((y.conj() @ M @ y).real)
        step = (y @ G @ y) / (y @ change @ y)  # Newton's on the Rayleigh functional y^T G(k) y = 0
        k = k - step
        if abs(step) < 1e-12 * abs(k):
            return k, y
        if not 0.5 < abs(k / start) < 2:  # on its way to another resonance
            break
    return start, None


def _most_alike(space: Space, k: complex, like: np.ndarray, found: Found) -> tuple[complex, np.ndarray]:
    """The resonance in the space most like a field, by fixed-point steps on D(k), among those not found already."""
    air, size, M = space.air, space.V.shape[1], space.small["M"]
    still = space.small["K"] + air.beyond * space.small["S"]
    for _ in range(40):
        # All resonances of the space at this D, so that none is missed that is like the field.
        values, Y = eig(still + (space.sphere.T * air.steepness(k)) @ space.sphere, M)
        length = np.sqrt(np.einsum("im,im->m", Y.conj(), M @ Y).real)
        # By what lies inside: outside all of them are waves.
        alike = np.abs(_longer(like, size).conj() @ space.small["inside"] @ Y) / length
        pick = int(np.argmax(np.where(_shared(space, Y, found), 0.0, alike)))
        ring = complex(np.sqrt(values[pick] + 0j))
        step, k, like = abs(ring - k), ring, Y[:, pick] / length[pick]
        if step < 1e-13 * abs(k):
            break
    return k, like


def _shared(space: Space, Y: np.ndarray, found: Found) -> np.ndarray:
    """Mask (c,) of the fields with coordinates Y (m, c) that are for the most part in one found already."""
    inside = space.small["inside"]
    own = np.einsum("im,im->m", Y.conj(), inside @ Y).real
    known = np.zeros(Y.shape[1], bool)
    for f in (_longer(y, space.V.shape[1]) for _, y in found):
        known |= np.abs(f.conj() @ inside @ Y) ** 2 > 0.5 * (f.conj() @ inside @ f).real * own
    return known


def _longer(y: np.ndarray, size: int) -> np.ndarray:
    """Coordinates (size,) in a space that has grown since."""
    return np.concatenate([y, np.zeros(size - len(y))])


def _beyond(V: np.ndarray, new: np.ndarray) -> np.ndarray:
    """Orthonormal basis of what the columns (n, m) add to the span of the orthonormal V."""
    kept: list[np.ndarray] = []
    for column in new.T:
        length = np.linalg.norm(column)
        for _ in range(2):  # twice is enough (Kahan and Parlett): once leaves what rounding made of a near-parallel
            column = column - V @ (V.T @ column)
            for other in kept:
                column = column - other * (other @ column)
        if np.linalg.norm(column) > 1e-10 * length:
            kept.append(column / np.linalg.norm(column))
    return np.array(kept).T if kept else np.zeros((len(new), 0))
