"""The lowest resonances of a body's only chamber in several states of playing, its window apart from all else.

Most states differ by what happens in the window, where the player's mouth rings and no polynomial follows it; what
the holes do is alike in many of them and smooth. With flows u1 from the chamber into the window and u2 out of it, all
holes' flows eliminated, the window's two pressures and the flow out of the chamber for unit pressure of it are

    p1 = a0 + a1 u1 + a2 u2,    p2 = b0 + b1 u1 + b2 u2,    F = f0 + f1 u1 + f2 u2,

nine numbers for each note and each state of the holes, found at a few Chebyshev points about the note. With the
window's two-port p1 = A p2 + B u2, u1 = C p2 + D u2 they give k^2 = F/V, as in `roots`.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from simkit.air import NUMBERS, Air
from simkit.errors import OutOfReach
from simkit.sound.elements.chebyshev import points, shares
from simkit.sound.elements.floor import Floor
from simkit.sound.elements.secant import fixed_point
from simkit.sound.models.circuit import (
    Circuit,
    Duct,
    Matrices,
    airs_in_one,
    apertures_in_one,
    mouths_in_one,
    opened,
    without_mouth,
)
from simkit.sound.models.neighbours import stiffness
from simkit.sound.models.side_by_side import TOLERANCE, matrices_of

_POINTS, _ASIDE = 7, 0.05  # Chebyshev points about a note, and their range: states lie 0.03 from the first


def lowest_apart(circuits: Sequence[Circuit], openness: np.ndarray, start: np.ndarray) -> np.ndarray:
    """Complex omega (s, f) as `side_by_side.lowest_of`, for fingerings (f, n) of a chamber that is alone in its body.

    Row 0 is its window. OutOfReach where a note lies farther from that of the first state than the points reach.
    """
    first, every = circuits[0], np.ones(openness.shape[1], bool)
    near = first.chamber_air.sound_speed * np.sqrt(stiffness(first, first.at(start[0]), every, openness)).real
    # About the first state's note, by one step of its fixed point from Helmholtz's rule.
    nodes = points(near[:, None] * (1 - _ASIDE), near[:, None] * (1 + _ASIDE), _POINTS)  # (f, p)
    holes = _Holes.of(circuits, openness, nodes)
    windows = _in_groups(circuits)
    speed = np.array([each.chamber_air.sound_speed for each in circuits])[:, None]
    density = np.array([each.chamber_air.density for each in circuits])[:, None]
    volume = first.field.volumes[0]
    heat = np.array([float(each.loss.uniform[0]) for each in circuits])[:, None]
    numbers = holes.values[holes.of_state].swapaxes(0, 1)

    def proposed(flat: np.ndarray) -> np.ndarray:
        omega = flat.reshape(start.shape)
        held = np.einsum("sfp,vsfp->vsf", shares(nodes, omega), numbers)
        port = np.empty((4, *omega.shape), complex)
        for own, duct in windows:
            found = duct.two_port(omega[own], first.lossless)
            port[:, own] = [np.broadcast_to(each, omega[own].shape) for each in (found.A, found.B, found.C, found.D)]
        scale = 1j * omega * density
        flow = _through(held, port[0], port[1] / scale, port[2] * scale, port[3])
        softer = 1 + (1 - 1j) * heat / np.sqrt(omega)
        return np.asarray(speed * np.sqrt(flow / (volume * softer))).ravel()

    who = f"{len(openness)} fingerings in {len(start)} states"
    guess = np.broadcast_to(near, start.shape).astype(complex)
    found = fixed_point(proposed, guess.ravel(), TOLERANCE, who).reshape(start.shape)
    if np.abs(found.real / near - 1).max() > _ASIDE:  # beyond the points nothing is interpolated
        raise OutOfReach(f"a state of playing is too far from the first for {who}")
    return found


def _through(held: np.ndarray, A: np.ndarray, B: np.ndarray, C: np.ndarray, D: np.ndarray) -> np.ndarray:
    """The flow out of the chamber through holes and window, from nine numbers (9, s, f) and the window's two-port."""
    a0, a1, a2, b0, b1, b2, f0, f1, f2 = held
    # Both two-port equations, linear in u1 and u2: p u1 + q u2 = s, r u1 + t u2 = v.
    p, q, s = a1 - A * b1, a2 - A * b2 - B, A * b0 - a0
    r, t, v = 1 - C * b1, -C * b2 - D, C * b0
    det = p * t - q * r
    return np.asarray(f0 + (f1 * (s * t - q * v) + f2 * (p * v - s * r)) / det)


@dataclass(frozen=True, eq=False)
class _Holes:
    """Port numbers of the holes seen by the window: values (h, 9, f, p) for states of the holes, and which each has."""

    values: np.ndarray
    of_state: np.ndarray

    @staticmethod
    def of(circuits: Sequence[Circuit], openness: np.ndarray, nodes: np.ndarray) -> _Holes:
        """Port numbers at real omega (f, p), rad/s."""
        place: dict[Hashable, int] = {}
        kinds: list[Circuit] = []
        of_state = []
        for each in circuits:
            key = each.chamber_air, each.room_air, tuple(map(id, each.nearby.parts)), each.ducts[1:]
            if key not in place:
                place[key] = len(kinds)
                kinds.append(each)
            of_state.append(place[key])
        omega = nodes.ravel().astype(complex)
        each_node = np.repeat(openness, nodes.shape[1], axis=0)
        found = [_seen_by_window(m, each_node) for m in matrices_of(kinds, omega)]
        return _Holes(np.stack(found).reshape(len(kinds), 9, *nodes.shape), np.array(of_state))


def _seen_by_window(m: Matrices, openness: np.ndarray) -> np.ndarray:
    """The nine numbers (9, m) of some matrices, the window their first row."""
    free = openness[:, 1:] > 0
    holes = replace(m, **{name: getattr(m, name)[:, 1:] for name in ("A", "B", "C", "D", "stub")})
    T, R = opened(replace(holes, outer=m.outer[:, 1:, 1:]), openness[:, 1:])
    regular, to_window = m.regular[:, 1:, 1:], m.regular[:, 0, 1:]
    outer = m.outer[:, 1:, 0] * free
    sent, pushed = holes.C * outer, holes.A * outer
    right = np.stack([np.ones_like(sent), m.regular[:, 1:, 0], (regular @ sent[..., None])[..., 0] + pushed], axis=2)
    # Columns: unit pressure of the chamber, unit u1, unit u2.
    U = np.linalg.solve(regular @ T + R, right)
    U1 = T @ U
    U1[..., 2] -= sent
    inside = (to_window[:, None] @ U1)[:, 0]  # what the holes' flows make at the window's two sides
    outside = ((m.outer[:, 0, 1:] * free)[:, None] @ U)[:, 0]
    flow = U1.sum(axis=1)
    return np.stack([
        1 - inside[:, 0], inside[:, 1] - m.regular[:, 0, 0], inside[:, 2],
        outside[:, 0], -outside[:, 1], m.outer[:, 0, 0] - outside[:, 2],
        flow[:, 0], 1 - flow[:, 1], -flow[:, 2],
    ])  # fmt: skip


# --- windows ---


def _in_groups(circuits: Sequence[Circuit]) -> list[tuple[np.ndarray, Duct]]:
    """The circuits' windows by kind: which states have it, and one duct with all their numbers as arrays (s, 1)."""
    groups: dict[Hashable, list[int]] = {}
    for n, circuit in enumerate(circuits):
        duct = circuit.ducts[0]
        way = duct.windway and replace(without_mouth(duct.windway), air=None)
        groups.setdefault((way, duct.junction, duct.touch), []).append(n)
    return [(np.array(own), _in_one([circuits[n].ducts[0] for n in own])) for own in groups.values()]


def _in_one(ducts: Sequence[Duct]) -> Duct:
    """Windows that differ by sizes, airs, floors and mouths as one whose numbers are arrays (s, 1)."""

    def column(numbers: Sequence[Any]) -> Any:
        return np.array([float(number) for number in numbers])[:, None]

    def airs(each: Sequence[Air]) -> Air:
        found = airs_in_one(each)
        return (
            found if found is each[0] else replace(found, **{name: getattr(found, name)[:, None] for name in NUMBERS})
        )

    one, floors = ducts[0], [duct.floor for duct in ducts]
    aperture = apertures_in_one([duct.aperture for duct in ducts])
    aperture = replace(aperture, **{part.name: getattr(aperture, part.name)[:, None] for part in fields(aperture)})
    clay = next((floor.clay for floor in floors if floor.clay is not None), None)
    floor = Floor(clay, column([floor.inertance for floor in floors]), column([floor.friction for floor in floors]))
    windways = [duct.windway for duct in ducts if duct.windway is not None]
    way = one.windway
    if way is not None:
        breath = airs([each.air or duct.air for each, duct in zip(windways, ducts, strict=True)])
        way = replace(way, mouth=mouths_in_one(ducts), air=breath)
    return replace(one, aperture=aperture, air=airs([duct.air for duct in ducts]), floor=floor, windway=way)
