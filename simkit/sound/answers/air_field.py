"""The air of a note or a resonance as a field: complex pressure and velocity on a mesh, to look at or compute with.

With e^{+i omega t} the pressure is Re(p e^{i omega t}) and the velocity u = i grad p / (omega rho).
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from simkit.air import Air
from simkit.columns import cell, finite, text_table
from simkit.errors import Fault, InputError, OutOfReach
from simkit.field.fem.modes import closed_modes
from simkit.field.fem.probes import Swing, nodal_gradient
from simkit.files import MARK, check_output, whole
from simkit.sound import models
from simkit.sound.answers.asked import NoteOrHoles, meant
from simkit.sound.answers.higher import MOST, complex_frequencies
from simkit.sound.catalogue import with_ability
from simkit.sound.models.resonator import Case, Oscillation, Resonance
from simkit.vessel import Vessel


@dataclass(frozen=True, eq=False)
class AirField:
    """One way in which the air rings, where the pressure is largest in the chamber 1 Pa and real.

    points (n, 3), m; cells (m, 10): second-order tetrahedra, four corners, then the edges 01, 12, 02, 03, 13, 23;
    outside (m,): which of them lie around the clay; pressure (n,), Pa; velocity (n, 3), m/s; flows: what leaves the
    chamber through each opening, m3/s, the window called "[window]", by the model's equations; all complex. resonance:
    its complex frequency; title: what it is.
    """

    title: str
    model: str
    resonance: Resonance
    points: np.ndarray
    cells: np.ndarray
    outside: np.ndarray
    pressure: np.ndarray
    velocity: np.ndarray
    flows: dict[str, complex]

    @property
    def frequency_hz(self) -> float:
        """Frequency of the resonance, Hz."""
        return self.resonance.frequency_hz

    @property
    def q(self) -> float:
        """Q of the resonance; infinite where nothing is lost."""
        return self.resonance.q

    def __repr__(self) -> str:
        return f"AirField({self.title}, {self.frequency_hz:.1f} Hz, {len(self.points)} nodes)"

    def __str__(self) -> str:
        rows = (
            (name.strip("[]"), f"{1e6 * abs(flow):.4g}", f"{math.degrees(cmath.phase(flow)):+.0f}")
            for name, flow in self.flows.items()
        )
        flows = text_table(("opening", "cm³/s out", "phase, °"), rows)
        nodes = f"{len(self.points)} nodes, {len(self.cells)} tetrahedra"
        head = f"{self.title}: {self.frequency_hz:.2f} Hz, Q {cell(self.q, 1)}, by {self.model}, {nodes}"
        return f"{head}\n{flows}" if self.flows else head

    def as_dict(self) -> dict[str, Any]:
        """Summary for the command line's JSON; the field itself is in its file."""
        return {
            "title": self.title,
            "model": self.model,
            "frequency_hz": self.frequency_hz,
            "q": finite(self.q),
            "nodes": len(self.points),
            "flows_m3_s": {name.strip("[]"): [flow.real, flow.imag] for name, flow in self.flows.items()},
        }

    def write(self, path: str | Path) -> None:
        """Write a VTK file (.vtu) for ParaView, PyVista or meshio: real and imaginary part of each as point data.

        pressure_re, pressure_im, Pa; velocity_re, velocity_im, m/s; cell data `outside`, 1 around the clay. Whole or
        not at all; an InputError where a file lies that simkit did not make.
        """
        check_field(path)
        import meshio

        data = {"pressure_re": self.pressure.real, "pressure_im": self.pressure.imag}
        data |= {"velocity_re": self.velocity.real, "velocity_im": self.velocity.imag}
        mesh = meshio.Mesh(self.points, [("tetra10", self.cells)], data, {"outside": [self.outside.astype(np.uint8)]})
        said = f"{self.title}, {self.frequency_hz:.2f} Hz, Q {cell(self.q, 1)}, by {self.model}; {MARK}"
        with whole(path, "path") as half:
            meshio.write(half, mesh, file_format="vtu")
            # Our mark as a comment of XML, behind the line that declares it; two dashes would end it.
            first, _, rest = half.read_bytes().partition(b"\n")
            half.write_bytes(first + f"\n<!-- {said.replace('--', '-')} -->\n".encode() + rest)


def check_field(path: str | Path, argument: str = "path") -> None:
    """Refuse, before any work is done, a place where no field can be put."""
    if Path(path).suffix.lower() != ".vtu":
        raise InputError([Fault.of(argument, None, "a name that ends in .vtu", file=str(path))])
    check_output(path, argument)


def air_field(
    vessel: Vessel,
    note: NoteOrHoles = (),
    *,
    mode: int = 0,
    model: str = "ports",
    closed: bool = False,
    chamber: str | None = None,
    lossless: bool = False,
    state: str = "played",
    mesh: float = 1.0,
) -> AirField:
    """The field of a note, or of a resonance above it, on the mesh of a model.

    note: a pitch of the design, or the holes that are open. mode: 0 for the note, 1 for the resonance next above, ...;
    of a `closed` chamber from 1. model: "ports", the chamber's air (the openings' near fields no finer than the points
    that stand for them), or "resolved", chamber, ducts and the air around, which takes its time and is of lossless air.
    state: "played" or "still", as of `predict`. mesh: the cells' size over the standard. An OutOfReach where there is
    no such resonance.
    """
    part, opened = meant(vessel, note, chamber)
    if not int(closed) <= mode <= MOST:
        raise InputError(
            [Fault.of("mode", mode, f"{int(closed)} to {MOST}" + "; a closed chamber has no note" * closed)]
        )
    with_ability(model, "fields")
    case = models.case_of(vessel, part.name, lossless=lossless, state=state, mesh=mesh)
    if closed:
        return _closed(case, mode)
    found: Oscillation | None = models.resonator(model, case).oscillation(opened, mode)
    if found is None:
        raise OutOfReach(f"{part.name}: the model finds no such resonance; ask for a lower `mode`, or open a hole")
    what = f"{part.name}, {_said(note)}" + (f", resonance {mode}" if mode else "")
    return _scaled(what, model, found, case.airs.chamber)


def _said(note: NoteOrHoles) -> str:
    if isinstance(note, str):
        return note
    names = [*note]
    return f"open: {', '.join(map(str, names))}" if names else "all covered"


def _closed(case: Case, n: int) -> AirField:
    """The n-th mode of the closed chamber, from 1."""
    found, air = closed_modes(case.chamber.wall, max(n, 6), mesh=case.mesh), case.airs.chamber
    omega = complex_frequencies(found, air, case.lossless)[n - 1]
    shape = found.modes.shapes[:, n - 1].astype(complex)
    # Closed: nothing flows through an opening.
    swing = Swing(complex(found.k[n - 1]), shape, nodal_gradient(found.mesh, shape), {})
    outside = np.zeros(len(found.mesh.tets), bool)
    oscillation = Oscillation(Resonance(complex(omega)), found.mesh, outside, swing)
    return _scaled(f"{case.chamber.name} closed, mode {n}", "closed modes", oscillation, air)


def _scaled(title: str, model: str, found: Oscillation, air: Air) -> AirField:
    """The field with 1 Pa where the pressure is largest in the chamber."""
    mesh, outside, swing = found.mesh, found.outside, found.swing
    within = np.unique(mesh.tets[~outside])  # the chamber's nodes, and the ducts'
    scale = 1 / swing.pressure[within[np.abs(swing.pressure[within]).argmax()]]
    by_slope = 1j * scale / (swing.k * air.sound_speed * air.density)  # u = i grad p/(omega rho), flows alike
    return AirField(
        title,
        model,
        found.resonance,
        mesh.points,
        mesh.tets,
        outside,
        scale * swing.pressure,
        by_slope * swing.gradient,
        {name: by_slope * flux for name, flux in swing.flux.items()},
    )
