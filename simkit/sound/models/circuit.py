"""The openings' ducts joined to the air inside and outside: one small matrix equation for the flows.

Through opening j flow U1_j leaves the chamber and U2_j reaches the outside air (e^{+i omega t}); each duct is a
two-port, p1 = A p2 + B U2 and U1 = C p2 + D U2. With the field's matrices Z_in and Z_out (`field.reduced.matrices`)

    p1 = -i omega rho_in Z_in U1,     p2 = i omega rho_out Z_out U2,

and a covered hole is a stub p1 = Z_stub U1 without U2. All pressures are divided by i omega rho_in, so every matrix
here is in 1/m.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from functools import cached_property, reduce
from operator import attrgetter
from typing import Any

import numpy as np

from simkit.air import NUMBERS, Air
from simkit.field.reduced.matrices import PortField
from simkit.frozen import frozen
from simkit.sound.elements import ducts
from simkit.sound.elements.floor import NO_FLOOR, Floor
from simkit.sound.elements.nearby import NOTHING, Nearby
from simkit.sound.elements.openings import Aperture, partly_covered
from simkit.sound.elements.touch import Touch
from simkit.sound.elements.vocal_tract import VocalTract
from simkit.sound.elements.windway import AT_FACE, Junction, Windway, windway_impedance

# Twenty Chebyshev points over a range see a pole at so many times its end as less than 1e-7 of itself.
_CLEAR = 1.25


@frozen
class Duct:
    """One opening's air between the chamber and the outside: its aperture, its air, a windway's branch if any.

    junction: where the windway branches off. floor: the clay that carries its end. touch: fingers on it; None
    for a flush cap, and none over it.
    """

    aperture: Aperture
    air: Air
    windway: Windway | None = None
    junction: Junction = AT_FACE
    floor: Floor = NO_FLOOR
    touch: Touch | None = None

    def freed(self, openness: float) -> Duct:
        """Copy with a finger over part of it."""
        return self if openness == 1 else replace(self, aperture=partly_covered(self.aperture, openness))

    def filling(self, omega: np.ndarray, lossless: bool) -> ducts.Filling:
        """Complex density and stiffness of its air at complex omega (...)."""
        return (
            ducts.plain_filling(self.air)
            if lossless
            else ducts.bore_filling(self.air, omega, self.aperture.pipe_radius)
        )

    def two_port(self, omega: np.ndarray, lossless: bool, filled: ducts.Filling | None = None) -> ducts.TwoPort:
        """Inner end, duct, outer end at complex omega (...); at the duct's ends what bent faces add to its air.

        filled: its `filling` there, where it is known already.
        """
        within = self.within(omega, lossless, filled or self.filling(omega, lossless))
        return within.then(ducts.in_series(self.outer_impedance(omega, lossless)))

    def within(self, omega: np.ndarray, lossless: bool, filled: ducts.Filling) -> ducts.TwoPort:
        """The same without the outer end, which alone knows of raised fingers."""
        a = self.floor.before(self.aperture)
        inner = ducts.end_impedance(self.air, omega, a.area, a.perimeter, a.inner, a.inner_viscous, lossless)
        chain = [ducts.in_series(inner), *self._bore(a, omega, lossless, filled)]
        if np.any(a.inner_cap) or np.any(a.outer_cap):
            below, above = (
                ducts.in_parallel(1j * omega * a.area * cap / filled.stiffness) for cap in (a.inner_cap, -a.outer_cap)
            )
            # The air that bent faces add to the duct, or take (below 0): it springs, but is too short to be a duct.
            chain = [chain[0], below, *chain[1:], above]
        return reduce(ducts.TwoPort.then, chain)

    def _bore(self, a: Aperture, omega: np.ndarray, lossless: bool, filled: ducts.Filling) -> list[ducts.TwoPort]:
        """The duct between its ends, in parts where a windway branches off."""
        if self.windway is None:
            return [ducts.duct(filled, omega, a.area, a.length)]
        deep, inertance = self.junction.depth, self.junction.inertance
        # Below the inner face, where `deep` is negative, the duct takes back what the inner end has moved too far.
        below, above = (ducts.duct(filled, omega, a.area, length) for length in (deep, a.length - deep))
        branch = ducts.in_parallel(1 / windway_impedance(self.windway, self.air, omega, lossless, inertance))
        return [below, branch, above]

    def outer_impedance(self, omega: np.ndarray, lossless: bool) -> np.ndarray:
        """Impedance of the outer end, with a raised finger over it, Pa s/m3, at complex omega (...)."""
        a = self.aperture
        outer = a.outer + (0.0 if self.touch is None else self.touch.shade(a))
        return np.asarray(ducts.end_impedance(self.air, omega, a.area, a.perimeter, outer, a.outer_viscous, lossless))

    def stub(self, omega: np.ndarray, lossless: bool, filled: ducts.Filling | None = None) -> np.ndarray:
        """Impedance p1/U1 with a finger over the outside, Pa s/m3, at omega (...)."""
        a = self.floor.before(self.aperture)
        left = a.covered_volume() if self.touch is None else self.touch.left(a)
        depth = np.maximum(left / a.area, 0.02 * a.length + 1e-6)  # a hole filled by flesh would be infinitely stiff
        fill = filled or self.filling(omega, lossless)
        inner = ducts.end_impedance(self.air, omega, a.area, a.perimeter, a.inner, a.inner_viscous, lossless)
        return inner + ducts.stopped(fill, omega, a.area, depth)


@frozen
class WallLoss:
    """Losses at the chambers' walls: 1/Q of each mode at its own frequency, and the uniform pressure's heat conduction.

    uniform (n,): (gamma - 1) S/(2 V) sqrt(2 alpha) of each row's chamber, so that 1/Q_t = uniform / sqrt(omega);
    friction, heat (m,): the two parts of 1/Q of each mode.
    """

    uniform: np.ndarray
    friction: np.ndarray
    heat: np.ndarray

    @staticmethod
    def none(rows: int, modes: int) -> WallLoss:
        """A wall that takes nothing."""
        return WallLoss(np.zeros(rows), np.zeros(modes), np.zeros(modes))

    @property
    def modes(self) -> np.ndarray:
        """1/Q of each mode (m,) at its own frequency."""
        return self.friction + self.heat


@frozen
class Matrices:
    """The circuit's matrices at some frequencies (...): (..., n, n) and (..., n).

    regular: Z_in without the uniform pressure of the chambers; uniform: its share of each row, so that Z_in = regular -
    shared uniform / k^2; outer: Z_out scaled by rho_out/rho_in; A, B, C, D, stub: the ducts, scaled likewise.
    """

    k: np.ndarray
    regular: np.ndarray
    uniform: np.ndarray
    outer: np.ndarray
    A: np.ndarray
    B: np.ndarray
    C: np.ndarray
    D: np.ndarray
    stub: np.ndarray


@dataclass(frozen=True)
class Circuit:
    """Field and ducts of one body, and the airs in chambers and room; rows as in the field.

    nearby: what face, hands or a table add to the outside's matrix.
    """

    field: PortField
    ducts: tuple[Duct, ...]
    chamber_air: Air
    room_air: Air
    loss: WallLoss
    lossless: bool
    nearby: Nearby = NOTHING

    @property
    def count(self) -> int:
        """Number of openings."""
        return len(self.ducts)

    def wave_number(self, omega: np.ndarray) -> np.ndarray:
        """Wave number k in the chamber's air, 1/m, at omega (...)."""
        return omega / self.chamber_air.sound_speed

    def fingered(self, openness: np.ndarray) -> Circuit:
        """The circuit with fingers over part of the openings that `openness` (n,) gives between 0 and 1."""
        if not ((openness > 0) & (openness < 1)).any():
            return self
        shares = [float(s) if 0 < s < 1 else 1.0 for s in openness]  # covered ones have a stub of their own
        return replace(self, ducts=tuple(d.freed(s) for d, s in zip(self.ducts, shares, strict=True)))

    def at(self, omega: np.ndarray) -> Matrices:
        """The matrices at complex omega (m,)."""
        omega = np.asarray(omega, complex)
        k = self.wave_number(omega)
        around = self.outside_k(omega)
        outer = self.field.outside(around) + self.nearby(around)
        outer = outer * (self.room_air.density / self.chamber_air.density)  # pressures are over rho inside
        return Matrices(k, self.regular(omega), self.uniform(omega), outer, **self._columns(omega))

    def is_smooth(self, high: float) -> bool:
        """Whether polynomials can follow its matrices up to `high`, rad/s, but for windows before a mouth.

        Not where a closed mode of any chamber is near, as of a large one among the notes of a small one beside it: its
        1/(k_n^2 - k^2) is no polynomial. Nor past what the outside is known for, where its matrices have a kink.
        """
        top = np.inf if self.field.shared.all() else self.field.top
        kink = self.room_air.sound_speed * min(top, self.nearby.top)
        # The lowest closed mode of any chamber, rad/s.
        pole = self.chamber_air.sound_speed * np.sqrt(self.field.k2.min(initial=np.inf))
        return bool(high < min(kink, pole / _CLEAR))

    def _columns(self, omega: np.ndarray) -> dict[str, np.ndarray]:
        """All ducts' A, B, C, D and stub (m, n): those that differ by their sizes and airs alone in one go."""
        alike = self._alike
        found = {name: np.empty((*omega.shape, self.count), complex) for name in ("A", "B", "C", "D", "stub")}
        for rows, duct in alike:
            for name, values in self.column(duct, omega[..., None]).items():
                found[name][..., rows] = values
        for row in self.blown:  # by themselves: the sizes of a windway are no arrays
            for name, values in self.column(self.ducts[row], omega).items():
                found[name][..., row] = values
        return found

    @cached_property
    def blown(self) -> list[int]:
        """Rows of the windows with a windway."""
        return [row for row, duct in enumerate(self.ducts) if duct.windway is not None]

    @cached_property
    def _alike(self) -> list[tuple[list[int], Duct]]:
        """Rows of ducts without a windway that differ by sizes and airs alone, with these as arrays in one duct."""
        groups: dict[tuple[object, ...], list[int]] = {}
        for row, duct in enumerate(self.ducts):
            if duct.windway is None:
                rest = tuple(getattr(duct, part.name) for part in fields(Duct) if part.name not in ("aperture", "air"))
                groups.setdefault(rest, []).append(row)
        alike = []
        for rows in groups.values():
            aperture = apertures_in_one([self.ducts[row].aperture for row in rows])
            air = airs_in_one([self.ducts[row].air for row in rows])
            alike.append((rows, replace(self.ducts[rows[0]], aperture=aperture, air=air)))
        return alike

    def column(self, duct: Duct, omega: np.ndarray) -> dict[str, np.ndarray]:
        """One duct's A, B, C, D and stub (...), scaled as the matrices have them, at complex omega (...).

        The duct's sizes may be arrays that broadcast with omega.
        """
        scale = 1j * omega * self.chamber_air.density
        filled = duct.filling(omega, self.lossless)
        port, stub = duct.two_port(omega, self.lossless, filled), duct.stub(omega, self.lossless, filled)
        column = {"A": port.A, "B": port.B / scale, "C": port.C * scale, "D": port.D, "stub": stub / scale}
        shape = np.broadcast_shapes(np.shape(omega), np.shape(duct.aperture.area))
        return {name: np.broadcast_to(values, shape) for name, values in column.items()}

    def outside_k(self, omega: np.ndarray) -> np.ndarray:
        """Wave number k in the room's air, 1/m, at omega (...).

        A small chamber in a large body has modes above the largest k that the outside was solved for; the outside
        then answers as at that k: its matrix is passive there, an extrapolation would not be.
        """
        k = omega / self.room_air.sound_speed
        if self.field.shared.all():
            return k
        return k * np.minimum(
            1.0, self.field.top / np.maximum(k.real, 1e-300)
        )  # shortened in the complex plane, so that its Q stays

    def uniform(self, omega: np.ndarray, rows: slice = slice(None)) -> np.ndarray:
        """1/V of the chamber of each of the rows, made smaller by the wall's heat: (..., n), 1/m^3.

        The air near the wall is softer: V (1 + (1 - i)/Q_t) in place of V, 1/Q_t = (gamma - 1) delta_t S/(2 V).
        """
        heat = self.loss.uniform[rows] / np.sqrt(omega)[..., None]  # 1/Q_t
        return 1 / (self.field.volumes[rows] * (1 + (1 - 1j) * heat))

    def regular(self, omega: np.ndarray) -> np.ndarray:
        """Z_in (..., n, n), 1/m, without the uniform pressure: static + k^2 quadratic + modes with their losses.

        A mode's 1/(k_n^2 - k^2) less what the static and the quadratic part hold of it already.
        """
        field = self.field
        k2 = np.square(self.wave_number(omega))[..., None]
        shares = 1 / self.distance(omega) - 1 / field.k2 - k2 / field.k2**2  # the static part is without losses
        return field.static + k2[..., None] * field.quadratic + np.tensordot(shares, field.pairs, axes=1)

    def distance(self, omega: np.ndarray) -> np.ndarray:
        """k_n^2 - k^2 of every mode at omega (...), with what the wall takes: (..., m), 1/m2.

        Friction makes the air heavier, k_n^2 (1 + (i - 1)/Q_v), heat makes it softer, k^2 (1 - (i - 1)/Q_t), both
        as at omega: there the layers are thicker than at the mode's own frequency, by sqrt(omega_n/omega). So air
        that is pressed slowly through a waist has the friction that it should.
        """
        k_n2 = self.field.k2
        k2 = np.square(self.wave_number(omega))[..., None]
        own = self.chamber_air.sound_speed * np.sqrt(k_n2)
        thicker = np.sqrt(own / np.asarray(omega, complex)[..., None])  # layers go as omega^(-1/2)
        return k_n2 - k2 + (1j - 1) * thicker * (k_n2 * self.loss.friction + k2 * self.loss.heat)

    def lossy(self, omega: np.ndarray) -> np.ndarray:
        """Change by losses of each mode's factor 1/(k_n^2 - k^2) at omega (...): (..., m), m2."""
        return 1 / self.distance(omega) - 1 / (self.field.k2 - np.square(self.wave_number(omega))[..., None])


def airs_in_one(airs: Sequence[Air]) -> Air:
    """Several airs as one whose numbers are arrays; its gases are the first one's, which a duct does not ask for."""
    if all(air == airs[0] for air in airs[1:]):
        return airs[0]
    numbers: dict[str, Any] = {name: np.array([getattr(air, name) for air in airs]) for name in NUMBERS}
    return replace(airs[0], **numbers)


def mouths_in_one(ducts: Sequence[Duct]) -> VocalTract:
    """The mouths before some windows with a windway as one whose numbers are columns (s, 1)."""
    mouths = [duct.windway.mouth for duct in ducts if duct.windway is not None]
    sizes: list[Any] = [np.array([[getattr(each, part.name)] for each in mouths]) for part in fields(VocalTract)]
    return VocalTract(*sizes)


def without_mouth(windway: Windway) -> Windway:
    """Copy before an ordinary mouth, but as open behind its folds: alike for all that differ by sizes of it alone."""
    return replace(windway, mouth=VocalTract(gap=float(bool(windway.mouth.gap))))


def apertures_in_one(apertures: Sequence[Aperture]) -> Aperture:
    """Several as one whose numbers are arrays."""
    return Aperture(*np.array([_SIZES_OF(one) for one in apertures], float).T)


SIZES = tuple(part.name for part in fields(Aperture))
_SIZES_OF = attrgetter(*SIZES)


def opened(m: Matrices, openness: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """T and R (..., n, n) with U1 = T U and p1 = R U, U the outside flow of an open port, U1 of a covered one.

    openness (..., n): more than 0 where open. Scaled pressures, so R is in 1/m.
    """
    free = openness > 0
    both = free[..., :, None] & free[..., None, :]  # a covered port sends nothing outside, and hears nothing
    outer = np.where(both, m.outer, 0.0)
    T, R = m.C[..., :, None] * outer, m.A[..., :, None] * outer
    i = np.arange(outer.shape[-1])
    # Open: U1 = (C Z_out + D) U2 and p1 = (A Z_out + B) U2; covered: the unknown is U1 itself.
    T[..., i, i] += np.where(free, m.D, 1.0)
    R[..., i, i] += np.where(free, m.B, m.stub)
    return T, R
