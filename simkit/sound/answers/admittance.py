"""Input admittance of a chamber at its window, at any frequency: one call for every model."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from simkit.errors import Fault, InputError
from simkit.sound import models
from simkit.sound.answers.asked import NoteOrHoles, meant
from simkit.sound.catalogue import chosen
from simkit.vessel import Vessel

HIGHEST = 20_000.0  # Hz; the models say themselves where they hold


def admittance(
    vessel: Vessel,
    note: NoteOrHoles = (),
    frequencies: ArrayLike = 440.0,
    *,
    model: str = "ports",
    chamber: str | None = None,
    lossless: bool = False,
    state: str = "played",
    mesh: float = 1.0,
) -> np.ndarray:
    """Flow into the chamber through its window for unit pressure that drives it there, m3/(s Pa): complex.

    At frequencies in Hz (...), real and more than 0, of that shape; with e^{+i omega t}, so that Re Y >= 0 and at low
    frequencies Y is i omega V/(rho c^2), the compliance of the air. |Y| peaks at the resonances that the jet can drive.
    note: a pitch of the design, or the holes that are open. state: "played" or "still", as of `predict`. A chamber
    without a window is an InputError.
    """
    wanted = np.asarray(frequencies, float)
    wrong = wanted[~((wanted > 0) & (wanted <= HIGHEST))]
    if wrong.size:
        raise InputError([Fault.of("frequencies", float(wrong.flat[0]), f"Hz, more than 0, at most {HIGHEST:g}")])
    part, opened = meant(vessel, note, chamber)
    if part.voicing is None:
        allowed = "a table [chamber.voicing]: without a window there is nowhere to drive the air"
        raise InputError([Fault(vessel.source, f"{part.name}.voicing", None, allowed)])
    (name,) = chosen(model)
    case = models.case_of(vessel, part.name, lossless=lossless, state=state, mesh=mesh)
    return models.resonator(name, case).admittance(opened, wanted)
