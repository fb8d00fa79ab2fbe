"""How the lowest resonance moves when an opening is moved, widened, or given another wall: exact first derivatives.

With k^2 = g(k, s), g = V^-1 1' (N + R T^-1)^-1 1 the chamber's stiffness (`ringing.stiffness`) and s a number of the
design, dk/ds = (dg/ds) / (2 k - dg/dk). By symmetry dg/ds = -V^-1 y' d(N + R T^-1)/ds y with y the flows out of the
chamber for unit pressure in it, so no system is solved but the one that gave y.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from simkit.body.chambers import Opening
from simkit.field import PortSolution
from simkit.sound.elements.openings import aperture_of
from simkit.sound.models.circuit import Circuit, Duct, Matrices, opened
from simkit.sound.models.roots import stiffness

_NUDGE = 1e-6  # of the frequency, for dg/dk


@dataclass(frozen=True)
class Nudge:
    """A small change of one opening: its row, the opening that takes its place, and the step that made it.

    The derivative comes out per unit of `step`: m for places and sizes, or whatever the caller counts in.
    """

    row: int
    opening: Opening
    step: float


def slopes(
    circuit: Circuit,
    solution: PortSolution,
    rows: np.ndarray,
    states: np.ndarray,
    omega: np.ndarray,
    nudges: Sequence[Nudge],
) -> np.ndarray:
    """d omega/ds (f, v) of the lowest resonances omega (f,) of states (f, n) for `nudges` (v).

    rows (n,) bool: the ports of the chamber that rings.
    """
    m = circuit.at(omega)
    y, through = _flows(circuit, m, rows, states)
    changes = solution.changes([(n.row, n.opening) for n in nudges], exact=True)
    ratio = circuit.room_air.density / circuit.chamber_air.density
    free = states > 0
    out = np.where(free, through, 0.0)
    inside = _row_form(changes.inside(m.k, circuit.lossy(omega)), y, changes.rows)
    outside = ratio * _row_form(changes.outside(omega / circuit.room_air.sound_speed), out, changes.rows)
    ducts = np.stack([_duct_form(circuit, m, n, y, through, free, omega) for n in nudges], axis=1)
    dg = -(m.uniform * rows).max(axis=1)[:, None] * (inside + outside + ducts) / np.array([n.step for n in nudges])
    return circuit.chamber_air.sound_speed * dg / _denominator(circuit, rows, states, omega)[:, None]


def _flows(circuit: Circuit, m: Matrices, rows: np.ndarray, states: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Flows out of the chamber U1 and on through the openings U (f, n), for unit uniform pressure of the chamber."""
    T, R = opened(m, states)
    own = rows.astype(complex)
    through = np.linalg.solve(m.calm @ T + R, np.broadcast_to(own[:, None], (*T.shape[:-1], 1)))
    return (T @ through)[..., 0], through[..., 0]


def _row_form(change: np.ndarray, flow: np.ndarray, row: np.ndarray) -> np.ndarray:
    """y' dZ y (f, v) for changes (f, v, n) of one row each, the column alike, the own entry once."""
    change = np.broadcast_to(change, (len(flow), *change.shape[-2:]))
    own = np.arange(len(row))
    along = np.einsum("fvn,fn->fv", change, flow)
    mine = flow[:, row]
    return 2 * along * mine - change[:, own, row] * mine**2


def _duct_form(
    circuit: Circuit, m: Matrices, nudge: Nudge, y: np.ndarray, through: np.ndarray, free: np.ndarray, omega: np.ndarray
) -> np.ndarray:
    """y' d(R T^-1) y (f,) of one duct: U1 (dA p2 + dB U2) - p1 (dC p2 + dD U2), or U1^2 dstub where covered."""
    r = nudge.row
    old = circuit.ducts[r]
    new = Duct(aperture_of(nudge.opening), old.air, old.windway)
    scale = 1j * omega * circuit.chamber_air.density
    before, after = (duct.two_port(omega, circuit.lossless) for duct in (old, new))
    out = np.where(free, through, 0.0)
    p2 = np.einsum("fn,fn->f", m.outer[:, r], out)
    p1 = m.A[:, r] * p2 + m.B[:, r] * out[:, r]
    change = {name: getattr(after, name) - getattr(before, name) for name in "ABCD"}
    pressed = change["A"] * p2 + change["B"] / scale * out[:, r]
    flowing = y[:, r] * pressed - p1 * (change["C"] * scale * p2 + change["D"] * out[:, r])
    shut = y[:, r] ** 2 * (new.stub(omega, circuit.lossless) - old.stub(omega, circuit.lossless)) / scale
    return np.where(free[:, r], flowing, shut)


def _denominator(circuit: Circuit, rows: np.ndarray, states: np.ndarray, omega: np.ndarray) -> np.ndarray:
    """2 k - dg/dk (f,)."""
    k, step = circuit.wave_number(omega), _NUDGE * np.abs(omega)
    onward, back = (stiffness(circuit, circuit.at(omega + s * step), rows, states) for s in (1, -1))
    return 2 * k - (onward - back) / (2 * step / circuit.chamber_air.sound_speed)
