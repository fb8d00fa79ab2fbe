"""How a chamber rings above its note: its higher resonances, closed flush or with all its holes covered."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from simkit.air import Air
from simkit.body import AirMesh, Body, ChamberBody
from simkit.errors import Fault, InputError, OutOfReach
from simkit.field.modes import ClosedModes, closed_modes
from simkit.field.rub import wall_integrals
from simkit.frozen import frozen
from simkit.sound import models, ports
from simkit.sound.losses import mode_loss, shifted
from simkit.sound.resonator import Case, Resonance
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


@frozen
class RingingChamber:
    """One chamber: its air in m3, its modes ascending, and their pressure (nodes, modes) at a mesh's nodes."""

    name: str
    volume: float
    rings: tuple[Ring, ...]
    mesh: AirMesh
    pressures: np.ndarray

    def as_dict(self) -> dict[str, Any]:
        """The chamber under the keys of the command line's JSON."""
        rings = [ring.as_dict() for ring in self.rings]
        return {"name": self.name, "volume_ml": 1e6 * self.volume, "resonances": rings}


@dataclass(frozen=True)
class Ringing:
    """How each chamber of a vessel rings above its note; `closed` flush, or with its window and some holes open."""

    air: Air
    body: Body
    closed: bool
    opened: tuple[str, ...]
    chambers: tuple[RingingChamber, ...]
    cautions: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """The answer as the command line's JSON has it."""
        return {
            "air": {"sound_speed_m_s": self.air.sound_speed, "density_kg_m3": self.air.density},
            "chambers": [chamber.as_dict() for chamber in self.chambers],
            "cautions": list(self.cautions),
        }


def resonances(
    vessel: Vessel, count: int = 6, *, closed: bool = False, opened: Iterable[str] = (), lossless: bool = False
) -> Ringing:
    """The `count` resonances of each chamber next above its lowest, multiplicity counted.

    closed: with every opening closed flush with the wall; else with the window open and all holes covered but
    those `opened` (each chamber takes the names that are its own), by the port model. lossless leaves out friction
    and heat; a closed chamber does not radiate, so its Q is then infinite.
    """
    opened = tuple(opened)
    if closed and opened:
        raise InputError([Fault("--open", "", ",".join(opened), "not together with --closed")])
    known = [hole.name for chamber in vessel.chambers for hole in chamber.holes]
    unknown = [name for name in opened if name not in known]
    if unknown:
        raise InputError(
            [Fault("--open", "", name, f"names of holes: {', '.join(known) or 'none'}") for name in unknown]
        )
    if not 1 <= count <= MOST:
        raise InputError([Fault("--count", "", count, f"1 to {MOST}")])
    cases = models.cases(vessel, lossless=lossless or closed)
    if closed:
        chambers = tuple(_closed(case.chamber, case.airs.chamber, count, lossless) for case in cases)
    else:
        calm = models.cases(vessel, lossless=True)
        chambers = tuple(_breathing(case, still, opened, count) for case, still in zip(cases, calm, strict=True))
    heard = [*vessel.cautions, *(text for case in cases for text in case.airs.cautions)]
    return Ringing(cases[0].airs.chamber, cases[0].body, closed, opened, chambers, tuple(dict.fromkeys(heard)))


def _breathing(case: Case, still: Case, opened: tuple[str, ...], count: int) -> RingingChamber:
    """With the window and some holes open: the lowest resonance is the note and is left out."""
    name = case.chamber.name
    own = [hole.name for hole in case.chamber.openings if hole.name in opened]
    sounding, quiet = (ports.resonator(each) for each in (case, still))
    found, calm = (each.resonances(own, count + 1)[1:] for each in (sounding, quiet))
    if len(found) < count:
        reach = "its window and holes let nothing out" if not found else f"the port model reaches {len(found)} of them"
        raise OutOfReach(f"{name}: {reach}; ask fewer with --count, or --closed")
    speed = case.airs.chamber.sound_speed
    rings = tuple(Ring(each.omega.real / speed, ring) for each, ring in zip(calm, found, strict=True))
    pressures = np.stack([sounding.pressure(own, ring) for ring in found], axis=1)
    return RingingChamber(name, case.chamber.volume, rings, sounding.mesh, pressures)


def _closed(chamber: ChamberBody, air: Air, count: int, lossless: bool) -> RingingChamber:
    field = closed_modes(chamber.wall, count)
    omega = complex_frequencies(field, air, lossless)
    rings = tuple(Ring(float(k), Resonance(complex(w))) for k, w in zip(field.k, omega, strict=True))
    return RingingChamber(chamber.name, chamber.volume, rings, field.mesh, field.modes.shapes)


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
