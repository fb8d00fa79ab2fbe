"""Higher resonances of a chamber, above its note: closed flush, or with all its holes covered."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

import numpy as np

from simkit.air import Air
from simkit.body import AirMesh, Body
from simkit.body.chambers import Opening
from simkit.columns import cell, finite, text_table
from simkit.errors import Fault, InputError, MeshError, OutOfReach
from simkit.field.fem.modes import ClosedModes, closed_modes
from simkit.field.fem.probes import WallReader
from simkit.field.fem.quadrature import wall_integrals
from simkit.frozen import frozen
from simkit.pitch import cents
from simkit.sound import models
from simkit.sound.answers.over_chambers import Joined, OverChambers, PerRow
from simkit.sound.answers.playing_parts import played_notes
from simkit.sound.catalogue import chosen, model_of
from simkit.sound.elements.losses import first_order_doubt, mode_loss, shifted
from simkit.sound.models.playing import checked_state
from simkit.sound.models.resonator import Case, Fingering, Overtoned, Resonance, Resonator
from simkit.vessel import Vessel

MOST = 200  # modes at once; their wavelengths come down to the size of the mesh


@frozen
class Ring:
    """One mode: the shape's own wave number k (1/m, without losses), and its resonance in the design's air.

    uncertainty_cents: half-width of the band about its frequency; doubts: what each cause has in it, in cents (none of
    a note, which has its model's own word). drive: strength with which the window drives it, over the note (of a closed
    chamber: over the uniform pressure); None without a window. Of modes of one frequency only the sum means something.
    """

    k: float
    resonance: Resonance
    uncertainty_cents: float
    doubts: Mapping[str, float] = field(default_factory=dict)
    drive: float | None = None

    def as_dict(self) -> dict[str, Any]:
        """The mode under the keys of the command line's JSON; q is None where nothing is lost."""
        record = {
            "frequency_hz": self.resonance.frequency_hz,
            "k_per_m": self.k,
            "q": finite(self.resonance.q),
            "uncertainty_cents": self.uncertainty_cents,
            "drive": self.drive,
        }
        return record | ({"doubts_cents": dict(self.doubts)} if self.doubts else {})


@frozen
class RingingChamber:
    """One chamber: its air in m3, its modes ascending, and their pressure (nodes, modes) at a mesh's nodes.

    mesh: None, and no pressures, where the model that was asked knows no field. note: the lowest resonance of all,
    below the modes; None of a closed chamber, which has none.
    """

    name: str
    volume: float
    rings: tuple[Ring, ...]
    mesh: AirMesh | None
    pressures: np.ndarray
    note: Ring | None = None

    frequencies_hz = PerRow(
        "rings.resonance.frequency_hz", "Frequency of each mode (modes,), Hz, ascending, the note not among them."
    )
    k_per_m = PerRow("rings.k", "The shape's own wave number of each mode (modes,), without losses, 1/m.")
    q = PerRow("rings.resonance.q", "Q of each mode (modes,): inf where nothing is lost.")
    uncertainties_cents = PerRow(
        "rings.uncertainty_cents", "Uncertainty of each mode's frequency, half width in cents (modes,)."
    )

    def __repr__(self) -> str:
        return f"RingingChamber({self.name!r}, {len(self.rings)} modes)"

    def __str__(self) -> str:
        named = [*([("note", self.note)] if self.note else []), *((f"{n}", r) for n, r in enumerate(self.rings, 1))]
        rows = (
            (name, cell(r.resonance.frequency_hz), cell(r.uncertainty_cents), cell(r.k, 3), cell(r.resonance.q, 0))
            for name, r in named
        )
        return text_table(("mode", "Hz", "± cents", "k 1/m", "Q"), rows)

    def as_dict(self) -> dict[str, Any]:
        """The chamber under the keys of the command line's JSON."""
        rings = [ring.as_dict() for ring in self.rings]
        note = self.note.as_dict() if self.note else None
        return {"name": self.name, "volume_ml": 1e6 * self.volume, "note": note, "resonances": rings}


@dataclass(frozen=True)
class Ringing(OverChambers):
    """Higher resonances of each chamber of a vessel; `closed` flush, or with its window and some holes open."""

    state: str
    air: Air
    body: Body
    closed: bool
    opened: tuple[str, ...]
    chambers: tuple[RingingChamber, ...]
    cautions: tuple[str, ...] = ()

    frequencies_hz = Joined(RingingChamber.frequencies_hz)
    k_per_m = Joined(RingingChamber.k_per_m)
    q = Joined(RingingChamber.q)
    uncertainties_cents = Joined(RingingChamber.uncertainties_cents)

    def __repr__(self) -> str:
        return f"Ringing({'closed' if self.closed else 'open'}, {len(self.q)} modes)"


def resonances(
    vessel: Vessel,
    count: int = 6,
    *,
    model: str = "ports",
    closed: bool = False,
    opened: str | Iterable[str] = (),
    lossless: bool = False,
    state: str = "played",
    mesh: float = 1.0,
) -> Ringing:
    """The note of each chamber, and its `count` resonances next above, multiplicity counted.

    closed: with every opening closed flush with the wall; else with the window open and all holes covered but
    those `opened` (each chamber takes the names that are its own), by the model of that name. lossless leaves out
    friction and heat; a closed chamber does not radiate, so its Q is then infinite. state: "played" or "still", as of
    `predict`; a closed chamber is still. mesh: the cells' size over the standard.
    """
    (model,) = chosen([model])
    opened = (opened,) if isinstance(opened, str) else tuple(opened)
    if closed and opened:
        raise InputError([Fault.of("opened", ",".join(opened), "not together with `closed`")])
    known = [hole.name for chamber in vessel.chambers for hole in chamber.holes]
    unknown = [name for name in opened if name not in known]
    if unknown:
        raise InputError(
            [Fault.of("opened", name, f"names of holes: {', '.join(known) or 'none'}") for name in unknown]
        )
    if not 1 <= count <= MOST:
        raise InputError([Fault.of("count", count, f"1 to {MOST}")])
    state = "still" if closed else checked_state(state)
    cases = models.cases(vessel, lossless=lossless or closed, state=state, mesh=mesh)
    if closed:
        chambers = tuple(_closed(case, count, lossless) for case in cases)
    else:
        without = models.cases(vessel, lossless=True, state=state, mesh=mesh)
        chambers = tuple(_open(model, case, plain, opened, count) for case, plain in zip(cases, without, strict=True))
    cautions = [*vessel.cautions, *(text for case in cases for text in case.airs.cautions)]
    cautions += [text for case in cases for text in models.left_out(model, case)]
    return Ringing(state, cases[0].airs.room, cases[0].body, closed, opened, chambers, tuple(dict.fromkeys(cautions)))


Answered = TypeVar("Answered")
COARSER = 2**0.5  # the size of the cells that the doubt is found by
WITHIN = 0.05  # cents: what two meshes of one kind have in common


def _open(model: str, case: Case, plain: Case, opened: tuple[str, ...], count: int) -> RingingChamber:
    """Ringing with the window and some holes open: the lowest resonance is the note. plain: the case without losses."""
    name = case.chamber.name
    own = [hole.name for hole in case.chamber.openings if hole.name in opened]
    resonator = models.resonator(model, case)
    found = resonator.resonances(own, count + 1)  # one more: the lowest is the note
    lossless = models.resonator(model, plain).resonances(own, count + 1)
    if len(found) < count + 1:
        reach = (
            "its window and holes let nothing out"
            if not found
            else f"the model {model} reaches {len(found) - 1} of them"
        )
        raise OutOfReach(f"{name}: {reach}; ask for fewer with `count`, or `closed`")
    evidence = resonator.evidence(own)
    causes: dict[str, list[float]] = {}
    if model_of(model).meshed:
        others = _on_other_cells(
            lambda mesh: models.resonator(model, replace(case, mesh=mesh)).resonances(own, count + 1), case.mesh
        )
        causes["mesh"] = _cents_between(others, found)
    # Of a model without overtones the note's own, for all.
    causes["openings"] = [evidence.uncertainty_cents] * len(found)
    if model_of(model).overtones:
        causes["openings"] = _cents_between(
            resonator.heavier(evidence.uncertainty_cents).resonances(own, count + 1), found
        )
    causes["losses"] = [float(first_order_doubt(a.omega, b.omega)) for a, b in zip(found, lossless, strict=True)]
    doubts = [dict(zip(causes, each, strict=True)) for each in zip(*causes.values(), strict=True)]
    drives, mesh, pressures = _overtones(resonator if model_of(model).overtones else None, own, found)
    speed = case.airs.chamber.sound_speed
    # k is the shape's own, so by the resonance without losses.
    rings = tuple(
        Ring(b.omega.real / speed, ring, sum(doubt.values()), doubt, drive)
        for b, ring, doubt, drive in zip(lossless, found, doubts, drives, strict=True)
    )
    note = replace(rings[0], uncertainty_cents=_note_doubt(model, resonator, case, own), doubts={})
    return RingingChamber(name, case.chamber.volume, rings[1:], mesh, pressures, note)


def _note_doubt(model: str, resonator: Resonator, case: Case, own: Sequence[str]) -> float:
    """Uncertainty of the lowest resonance, cents, as `predict` tells it: also what playing leaves open of it against
    the chamber's notes."""
    # Against the notes of the design; a fingering that is none of them is asked beside them.
    fingerings = [each.open for each in case.vessel.chamber(case.chamber.name).notes]
    at = next((n for n, opened in enumerate(fingerings) if set(opened) == set(own)), len(fingerings))
    played = played_notes(model, resonator, case, fingerings if at < len(fingerings) else [*fingerings, own])
    return float(np.hypot(resonator.evidence(own).uncertainty_cents, played.scale_cents[at]))


def _overtones(
    resonator: Overtoned | None, own: Fingering, found: Sequence[Resonance]
) -> tuple[Sequence[float | None], AirMesh | None, np.ndarray]:
    """Drive of each resonance by the window over the note's, the mesh, and the pressures of all but the note."""
    drives: Sequence[float | None] = [None] * len(found)
    if resonator is None:
        return drives, None, np.zeros((0, len(found) - 1))
    if resonator.windowed:
        strengths = resonator.drives(own, found)
        drives = (strengths / strengths[0]).tolist()  # the note's own drive is 1
    return drives, resonator.mesh, np.stack([resonator.pressure(own, ring) for ring in found[1:]], axis=1)


def _cents_between(found: Sequence[Resonance], others: Sequence[Resonance]) -> list[float]:
    """Cents between resonances of two kinds, one by one."""
    return [WITHIN + abs(cents(a.omega.real, b.omega.real)) for a, b in zip(found, others, strict=True)]


def _on_other_cells(ask: Callable[[float], Answered], mesh: float) -> Answered:
    """An answer on larger cells, or on smaller ones where these will not do."""
    try:
        return ask(mesh * COARSER)
    except MeshError:
        return ask(mesh / COARSER)


def _closed(case: Case, count: int, lossless: bool) -> RingingChamber:
    chamber, air = case.chamber, case.airs.chamber
    found = closed_modes(chamber.wall, count, mesh=case.mesh)
    other = _on_other_cells(lambda mesh: closed_modes(chamber.wall, count, mesh=mesh), case.mesh)
    omega = complex_frequencies(found, air, lossless)
    # Larger cells err by four times as much: their step overstates the error.
    meshed = WITHIN + np.abs(1200 * np.log2(other.k / found.k))
    lost = np.asarray(first_order_doubt(omega, air.sound_speed * found.k))
    drives = _driven(found, chamber.window, chamber.volume)
    rings = tuple(
        Ring(float(k), Resonance(complex(w)), float(m + n), {"mesh": float(m), "losses": float(n)}, drive)
        for k, w, m, n, drive in zip(found.k, omega, meshed, lost, drives, strict=True)
    )
    return RingingChamber(chamber.name, chamber.volume, rings, found.mesh, found.modes.shapes)


def _driven(found: ClosedModes, window: Opening | None, volume: float) -> list[float | None]:
    """Square of each mode's pressure over the place of the window, over its mean square in the air."""
    if window is None:
        return [None] * len(found.k)
    steps = (np.arange(_ACROSS) + 0.5) / _ACROSS - 0.5  # middles of even parts, -1/2 to 1/2
    u, v = (side.ravel()[:, None] for side in np.meshgrid(steps, steps))
    places = window.center + u * window.width * window.across + v * window.height * window.forward
    reader = WallReader.of(found.mesh.points, found.mesh.facets)
    return (volume * np.square((reader.rows(places) @ found.modes.shapes).mean(axis=0))).tolist()


_ACROSS = 4  # places across and along the window


def complex_frequencies(found: ClosedModes, air: Air, lossless: bool = False) -> np.ndarray:
    """omega (m,) of closed modes, rad/s: c k, turned by friction and heat at the wall to first order.

    1/Q = 1/Q_v + 1/Q_t by surface integrals of the lossless mode, and the frequency falls by 1/(2Q) of itself
    (Berggren, Bernland & Noreland 2018 [Berggren2018]). Modes of one frequency are taken one by one,
    which is exact where symmetry makes them alike.
    """
    omega = air.sound_speed * found.k
    if lossless:
        return omega.astype(complex)
    pressure_wall, gradient_wall = wall_integrals(found.mesh, found.modes.shapes)
    # The modes have unit integral of p^2 over the air, so that of |grad p|^2 is k^2.
    viscous, thermal = mode_loss(air, omega, pressure_wall, gradient_wall, 1.0, found.modes.k2)
    return shifted(omega, viscous + thermal)
