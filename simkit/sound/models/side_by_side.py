"""One body in several states of playing: their lowest resonances found side by side.

The states share the field and differ by airs, ducts and what is near. What is alike in several of their matrices is
made once, at Chebyshev's points over the range of all notes; all fingerings of all states then close in together.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, fields, replace
from operator import attrgetter
from typing import Any, TypeVar

import numpy as np

from simkit.air import NUMBERS, Air
from simkit.errors import OutOfReach
from simkit.sound.elements.chebyshev import points, shares
from simkit.sound.elements.ducts import Filling
from simkit.sound.elements.openings import Aperture
from simkit.sound.elements.secant import fixed_point
from simkit.sound.elements.touch import Touch
from simkit.sound.models.circuit import (
    SIZES,
    Circuit,
    Duct,
    Matrices,
    airs_in_one,
    apertures_in_one,
    mouths_in_one,
    without_mouth,
)
from simkit.sound.models.neighbours import own_stiffness, stiffness

Sizes = TypeVar("Sizes", Aperture, Air)
TOLERANCE = 1e-11  # of the frequency
SAMPLES = 20  # Chebyshev points over the range of the wanted frequencies
_TOGETHER = 512  # notes, of fingerings and states, whose matrices are held at once


_VECTORS = ("uniform", "A", "B", "C", "D", "stub")


def packed(m: Matrices) -> np.ndarray:
    """Matrices at omega (m,) as rows (m, 2 n^2 + 6 n) of smooth numbers."""
    n = m.D.shape[-1]
    flat = [x.reshape(-1, n * n) for x in (m.regular, m.outer)]
    # k^2 takes the pole of the stubs' springs away.
    vectors = [getattr(m, name) * (m.k[:, None] ** 2 if name == "stub" else 1) for name in _VECTORS]
    return np.concatenate([*flat, *vectors], axis=1)


def unpacked(table: np.ndarray, k: np.ndarray, n: int) -> Matrices:
    """The other way round."""
    square = n * n
    regular, outer = (table[:, i * square : (i + 1) * square].reshape(-1, n, n) for i in range(2))
    vectors = {name: table[:, 2 * square + i * n : 2 * square + (i + 1) * n] for i, name in enumerate(_VECTORS)}
    vectors["stub"] = vectors["stub"] / k[:, None] ** 2
    return Matrices(k=k, regular=regular, outer=outer, **vectors)


def lowest_of(circuits: Sequence[Circuit], rows: np.ndarray, openness: np.ndarray, start: np.ndarray) -> np.ndarray:
    """Complex omega (s, f) of the lowest resonance of the chamber that owns `rows`, as `roots.lowest` of each circuit.

    openness (f, n) of 0 and 1; start (s, f). OutOfReach where they do not all settle within the range, or where no
    polynomial follows the matrices over it.
    """
    low, high = 0.6 * float(start.min()), 1.15 * float(start.max())  # how far Helmholtz's rule, the start, may be off
    if not all(circuit.is_smooth(high) for circuit in circuits):
        raise OutOfReach(f"no polynomial follows the matrices up to {high / (2 * np.pi):.0f} Hz")
    states = _States.over(circuits, low, high)
    found, step = np.empty(start.shape, complex), max(1, _TOGETHER // len(circuits))
    for first in range(0, len(openness), step):
        part = slice(first, first + step)
        found[:, part] = _settled(states, rows, openness[part], start[:, part])
    return found


def _settled(states: _States, rows: np.ndarray, openness: np.ndarray, start: np.ndarray) -> np.ndarray:
    """Complex omega (s, f), rad/s, of as many fingerings as are held at once."""
    every = np.tile(openness, (len(start), 1))  # state after state, each with all fingerings
    k_squared = stiffness if rows.all() else own_stiffness
    speed = np.repeat([circuit.chamber_air.sound_speed for circuit in states.circuits], len(openness))

    def proposed(omega: np.ndarray) -> np.ndarray:
        m = states.at(omega.reshape(start.shape), omega / speed)
        return speed * np.sqrt(k_squared(states.circuits[0], m, rows, every))

    ends = states.low, states.high
    who = f"{len(openness)} fingerings in {len(start)} states (pitch range {ends[1] / ends[0]:.2f})"
    return fixed_point(proposed, start.ravel().astype(complex), TOLERANCE, who, ends).reshape(start.shape)


@dataclass(frozen=True, eq=False)
class _States:
    """The matrices of circuits as polynomials over a range of real omega: quick, and right for complex omega near it.

    But for a window before a mouth, which rings within a few ten hertz: no polynomial follows it, it is asked itself.

    table (s, points, values); blown: states, row and common duct of windows with a windway, its mouths (states, 1).
    """

    circuits: Sequence[Circuit]
    low: float
    high: float
    table: np.ndarray
    blown: list[tuple[np.ndarray, int, Duct]]

    @staticmethod
    def over(circuits: Sequence[Circuit], low: float, high: float) -> _States:
        """Matrices of circuits between two omegas."""
        # Windows with a windway stand as zeros in the table, and are put in by `at`.
        table = np.stack([packed(m) for m in matrices_of(circuits, points(low, high, SAMPLES).astype(complex))])
        groups: dict[tuple[int, Air, Duct], list[int]] = {}
        for n, circuit in enumerate(circuits):
            for row in circuit.blown:
                duct = circuit.ducts[row]
                assert duct.windway is not None
                alike = row, circuit.chamber_air, replace(duct, windway=without_mouth(duct.windway))
                groups.setdefault(alike, []).append(n)
        blown = [(np.array(own), row, _before_mouths(circuits, own, row)) for (row, _, _), own in groups.items()]
        return _States(circuits, low, high, table, blown)

    def at(self, omega: np.ndarray, k: np.ndarray) -> Matrices:
        """The matrices (s f, ...) at omega (s, f); k (s f,), 1/m."""
        # Each state by its own polynomials at its own notes.
        values = shares(points(self.low, self.high, SAMPLES), omega) @ self.table
        m = unpacked(values.reshape(-1, values.shape[-1]), k, self.circuits[0].count)
        for own, row, duct in self.blown:
            for name, column in self.circuits[own[0]].column(duct, omega[own]).items():
                getattr(m, name).reshape(*omega.shape, -1)[own, :, row] = column
        return m


def _before_mouths(circuits: Sequence[Circuit], own: Sequence[int], row: int) -> Duct:
    """The duct that some circuits have in a row but for the player's mouth, with all their mouths as arrays (s, 1)."""
    first, *_ = ducts = [circuits[n].ducts[row] for n in own]
    assert first.windway is not None
    return replace(first, windway=replace(first.windway, mouth=mouths_in_one(ducts)))


def matrices_of(circuits: Sequence[Circuit], omega: np.ndarray) -> list[Matrices]:
    """`Circuit.at` of several circuits of one field at complex omega (m,), each different part made once.

    All but the columns of windows with a windway, which are left out.
    """
    made: dict[Hashable, Any] = {}

    def once(name: str, key: Hashable, make: Callable[[np.ndarray], Any], at: np.ndarray) -> Any:
        if (name, key) not in made:
            made[name, key] = make(at)
        return made[name, key]

    columns = _columns(circuits, omega)
    found = []
    for circuit, column in zip(circuits, columns, strict=True):
        inside = circuit.chamber_air, circuit.loss
        regular = once("regular", inside, circuit.regular, omega)
        uniform = once("uniform", inside, circuit.uniform, omega)
        around = circuit.outside_k(omega)
        outer = once("outside", circuit.room_air, circuit.field.outside, around)
        near = once("nearby", (circuit.room_air, tuple(map(id, circuit.nearby.parts))), circuit.nearby, around)
        outer = (outer + near) * (circuit.room_air.density / circuit.chamber_air.density)
        found.append(Matrices(circuit.wave_number(omega), regular, uniform, outer, **column))
    return found


def _columns(circuits: Sequence[Circuit], omega: np.ndarray) -> list[dict[str, np.ndarray]]:
    """A, B, C, D and stub (m, n) of all ducts of each circuit, scaled as its matrices have them.

    Nothing for windows with a windway.
    """
    ducts = {id(duct): duct for circuit in circuits for duct in circuit.ducts}  # states share what is alike
    made = _of_holes([duct for duct in ducts.values() if duct.windway is None], omega, circuits[0].lossless)
    blank = np.zeros((5, len(omega)), complex)  # windows with a windway: see `_States`
    found = []
    for circuit in circuits:
        A, B, C, D, stub = np.stack([made.get(id(duct), blank) for duct in circuit.ducts], axis=2)
        scale = (1j * omega * circuit.chamber_air.density)[:, None]
        # As `Circuit.column`: pressures over i omega rho of the chamber.
        found.append({"A": A, "B": B / scale, "C": C * scale, "D": D, "stub": stub / scale})
    return found


def _of_holes(ducts: Sequence[Duct], omega: np.ndarray, lossless: bool) -> dict[int, np.ndarray]:
    """A, B, C, D and stub (5, m) of ducts without a windway, by id; each bore made once.

    What fingers do is at the outer end alone.
    """
    if not ducts:
        return {}
    at = omega[:, None]
    made: dict[int, np.ndarray] = {}
    # By identity: states are made from the same parts, and comparing values takes longer than a bore.
    names = [(id(duct.aperture), id(duct.air), id(duct.floor)) for duct in ducts]
    bores = list(dict(zip(names, ducts, strict=True)).values())
    place = {name: n for n, name in enumerate(dict.fromkeys(names))}
    apertures = apertures_in_one([duct.floor.before(duct.aperture) for duct in bores])
    bore = Duct(apertures, airs_in_one([duct.air for duct in bores]))
    filled = bore.filling(at, lossless)
    within = bore.within(at, lossless, filled)
    filled = Filling(*(np.broadcast_to(each, (len(omega), len(bores))) for each in filled))
    for touched in (False, True):
        alike = [n for n, duct in enumerate(ducts) if (duct.touch is not None) == touched]
        if not alike:
            continue
        which, fingers = np.array([place[names[n]] for n in alike]), _touches([ducts[n] for n in alike])
        whole = Duct(_picked(apertures, which, SIZES), _picked(bore.air, which, NUMBERS), touch=fingers)
        A, B, C, D = (each[:, which] for each in (within.A, within.B, within.C, within.D))
        outer = whole.outer_impedance(at, lossless)
        stub = whole.stub(at, lossless, Filling(*(each[:, which] for each in filled)))
        # The outer end in series behind the rest.
        values = np.stack([A, A * outer + B, C, C * outer + D, np.broadcast_to(stub, A.shape)])
        made |= {id(ducts[n]): values[:, :, i] for i, n in enumerate(alike)}
    return made


def _picked(value: Sizes, which: np.ndarray, names: Sequence[str]) -> Sizes:
    """Copy with some of its arrays' entries, as often as they are named."""
    arrays = {name: getattr(value, name) for name in names}
    return replace(value, **{name: array[which] for name, array in arrays.items() if np.ndim(array)})


def _touches(ducts: Sequence[Duct]) -> Touch | None:
    """The fingers of ducts that all have some, or all none, as one whose numbers are arrays (n,)."""
    touches = [duct.touch for duct in ducts if duct.touch is not None]
    return Touch(*np.array([_TOUCH(each) for each in touches]).T) if touches else None


_TOUCH = attrgetter(*(part.name for part in fields(Touch)))
