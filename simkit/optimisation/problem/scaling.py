"""Chambers a little larger or smaller, by the laws of scale alone: nothing is meshed or solved anew.

With every length times s a field answers as before at s times the wavelength: Z(k; s) = Z(s k; 1)/s, modes k_n/s,
volume s^3. A chamber that keeps its proportions obeys that but for its openings, which are no larger; one that does
not is taken to by its volume, which says most of how it rings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from simkit.body import Body
from simkit.field.reduced.matrices import PortField
from simkit.sound.models.circuit import Circuit, Duct, WallLoss


def growth(before: Body, after: Body) -> tuple[np.ndarray, float]:
    """Factor of growth in length of each port's chamber (n,), and of all the air together; by volumes."""
    pairs = list(zip(before.chambers, after.chambers, strict=True))
    shares = [(new.volume / old.volume) ** (1 / 3) for old, new in pairs]
    whole = sum(new.volume for _, new in pairs) / sum(old.volume for old, _ in pairs)
    counts = [len(old.all_openings) for old, _ in pairs]
    return np.repeat(shares, counts), float(whole ** (1 / 3))


def scaled_circuit(
    circuit: Circuit, field: PortField, ducts: Sequence[Duct], grown: np.ndarray, whole: float
) -> Circuit:
    """A circuit with another field and ducts, each port's chamber `grown` (n,) times as long, the outside `whole`."""
    ducts = tuple(ducts)
    if whole == 1.0 and (grown == 1.0).all():
        return replace(circuit, field=field, ducts=ducts)
    # Heat goes with the wall's area over the volume; a mode's layer is thicker, too, as its frequency falls.
    of_mode = _of_modes(circuit.field, grown) ** -0.5
    loss = circuit.loss
    loss = WallLoss(loss.uniform / grown, loss.friction * of_mode, loss.heat * of_mode)
    return replace(circuit, field=_scaled_field(field, grown, whole), ducts=ducts, loss=loss)


def _scaled_field(field: PortField, grown: np.ndarray, whole: float) -> PortField:
    # Z ~ 1/length: a port's own entry over its own growth.
    pair = np.sqrt(np.outer(grown, grown))  # entries between chambers are zero
    around = field.around
    return replace(
        field,
        volumes=field.volumes * grown**3,
        static=field.static / pair,
        quadratic=field.quadratic * pair,
        k2=field.k2 / _of_modes(field, grown) ** 2,
        modes=field.modes / grown[:, None] ** 1.5,  # of unit integral of p^2 over a volume s^3 as large
        around=replace(around, terms=around.terms / whole, scale=around.scale * whole, top=around.top / whole),
    )


def _of_modes(field: PortField, grown: np.ndarray) -> np.ndarray:
    """The growth of each mode's chamber (m,)."""
    return grown[np.abs(field.modes).argmax(axis=0)]  # a mode is felt at its own chamber's ports alone
