"""How a closed chamber rings above its note: the modes of its air, their frequencies and how long they last."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from simkit.air import Air
from simkit.body import Body, ChamberBody, body_of
from simkit.errors import Fault, InputError, OutOfReach
from simkit.field.modes import ClosedModes, closed_modes
from simkit.field.rub import wall_integrals
from simkit.sound.airs import airs_of
from simkit.sound.losses import mode_loss, shifted
from simkit.sound.resonator import Resonance
from simkit.vessel import Vessel

MOST = 200  # modes at once; their wavelengths come down to the size of the mesh


@dataclass(frozen=True)
class Ring:
    """One mode: the shape's own wave number k (1/m, without losses), and how it sounds in the design's air."""

    k: float
    resonance: Resonance

    def as_dict(self) -> dict[str, Any]:
        """The mode under the keys of the command line's JSON; q is None where nothing is lost."""
        q = self.resonance.q
        shown = q if math.isfinite(q) else None
        return {"frequency_hz": self.resonance.frequency_hz, "k_per_m": self.k, "q": shown}


@dataclass(frozen=True)
class RingingChamber:
    """One chamber: its air in m3, its modes ascending, and the field they come from."""

    name: str
    volume: float
    rings: tuple[Ring, ...]
    field: ClosedModes

    def as_dict(self) -> dict[str, Any]:
        """The chamber under the keys of the command line's JSON."""
        rings = [ring.as_dict() for ring in self.rings]
        return {"name": self.name, "volume_ml": 1e6 * self.volume, "resonances": rings}


@dataclass(frozen=True)
class Ringing:
    """How each chamber of a vessel rings with all its openings closed flush."""

    air: Air
    body: Body
    chambers: tuple[RingingChamber, ...]
    cautions: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """The answer as the command line's JSON has it."""
        return {
            "air": {"sound_speed_m_s": self.air.sound_speed, "density_kg_m3": self.air.density},
            "chambers": [chamber.as_dict() for chamber in self.chambers],
            "cautions": list(self.cautions),
        }


def resonances(vessel: Vessel, count: int = 6, *, closed: bool = False, lossless: bool = False) -> Ringing:
    """The lowest `count` resonances of each chamber above the uniform mode, multiplicity counted.

    closed: with every opening closed flush with the wall. lossless leaves out friction and heat at the wall; a
    closed chamber does not radiate, so its Q is then infinite.
    """
    if not 1 <= count <= MOST:
        raise InputError([Fault("--count", "", count, f"1 to {MOST}")])
    if not closed:
        raise OutOfReach("with its openings a chamber rings as the port model says, which is not here; ask --closed")
    body = body_of(vessel)
    airs = {chamber.name: airs_of(vessel, chamber.name) for chamber in vessel.chambers}
    chambers = tuple(_ringing(c, airs[c.name].chamber, count, lossless) for c in body.chambers)
    heard = [*vessel.cautions, *(text for each in airs.values() for text in each.cautions)]
    return Ringing(airs[vessel.chambers[0].name].chamber, body, chambers, tuple(dict.fromkeys(heard)))


def _ringing(chamber: ChamberBody, air: Air, count: int, lossless: bool) -> RingingChamber:
    field = closed_modes(chamber.wall, count)
    omega = complex_frequencies(field, air, lossless)
    rings = tuple(Ring(float(k), Resonance(complex(w))) for k, w in zip(field.k, omega, strict=True))
    return RingingChamber(chamber.name, chamber.volume, rings, field)


def complex_frequencies(field: ClosedModes, air: Air, lossless: bool = False) -> np.ndarray:
    """omega (m,) of closed modes, rad/s: c k, turned by friction and heat at the wall to first order.

    1/Q = 1/Q_v + 1/Q_t by surface integrals of the lossless mode, and the frequency falls by 1/(2Q) of itself
    (Berggren, Bernland & Noreland 2018, J. Comput. Phys. 371, 633). Modes of one frequency are taken one by one,
    which is exact where symmetry makes them alike.
    """
    omega = air.sound_speed * field.k
    if lossless:
        return omega.astype(complex)
    pressed, slid = wall_integrals(field.mesh, field.modes.shapes)
    # The modes have unit integral of p^2 over the air, so that of |grad p|^2 is k^2.
    viscous, thermal = mode_loss(air, omega, pressed, slid, 1.0, field.modes.k2)
    return shifted(omega, viscous + thermal)
