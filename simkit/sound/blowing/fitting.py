"""The jet's constants from measurements: pitches heard at mouth pressures read, for fingerings of one instrument."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from scipy.optimize import least_squares

from simkit.errors import OutOfReach
from simkit.frozen import frozen
from simkit.sound.blowing.behaviour import followed, playing_note
from simkit.sound.blowing.loop import Loop
from simkit.sound.elements.airjet import AirJet
from simkit.sound.elements.constants import JetConstants
from simkit.sound.models.motion import Motion

_FAR = 1.5  # log of the factor within which a constant is looked for
_SILENT_CENTS = 400.0  # counted for a note that was heard and that the model leaves silent


@dataclass(frozen=True)
class JetReading:
    """One reading: which fingering (its row in the motion), mouth pressure in Pa, pitch in Hz."""

    fingering: int
    pressure: float
    frequency: float


@frozen
class JetFit:
    """Constants that fit, with the residuals (cents, one per reading), the common offset in cents that was
    taken out, and for each fitted constant the factor by which one standard error moves it (1.1: 10 % either way)."""

    constants: JetConstants
    left_cents: np.ndarray
    offset_cents: float
    spread: dict[str, float]


def fit_jet(
    motion: Motion,
    jet: AirJet,
    readings: Sequence[JetReading],
    free: Sequence[str] = ("convection", "window_contraction"),
) -> JetFit:
    """Fit constants to readings: least squares of cents, a common offset of all pitches left free.

    Pitch against pressure shows where the jet is in phase (convection) and how much the note bends, that is its Q
    while playing (window_contraction). It says next to nothing of the source's strength: do not free more than the
    readings can tell, and read `spread`. At least two pressures on one fingering, and more readings than constants.
    """
    names = [each.name for each in fields(JetConstants)]
    if not free or set(free) - set(names):
        raise ValueError(f"free = {tuple(free)}: allowed: some of {', '.join(names)}")
    if len(readings) < len(free) + 2:
        raise ValueError(
            f"{len(readings)} readings: allowed: at least {len(free) + 2} for {len(free)} constants and pitch"
        )
    first = np.log([getattr(jet.constants, name) for name in free])

    def constants(logs: np.ndarray) -> JetConstants:
        return replace(jet.constants, **dict(zip(free, np.exp(logs).tolist(), strict=True)))

    def off(logs: np.ndarray) -> np.ndarray:
        return _left(_detuned(motion, replace(jet, constants=constants(logs)), readings))

    found = least_squares(off, first, bounds=(first - _FAR, first + _FAR), diff_step=1e-3, x_scale=0.1, max_nfev=25)
    if not found.success:
        raise OutOfReach(f"the jet's constants did not settle on these readings ({found.message})")
    best = constants(found.x)
    ran = [name for name, moved in zip(free, np.abs(found.x - first), strict=True) if moved > 0.99 * _FAR]
    if ran:
        far = ", ".join(f"{name} = {getattr(best, name):.3g}" for name in ran)
        raise OutOfReach(f"no sane constants fit these readings: {far} at the end of what is tried, and still off")
    cents = _detuned(motion, replace(jet, constants=best), readings)
    return JetFit(best, _left(cents), _offset(cents), _spread(found, free))


def _left(cents: np.ndarray) -> np.ndarray:
    """Residual after the best common offset, cents; a note that was heard and does not sound counts as far off."""
    return np.nan_to_num(cents - _offset(cents), nan=_SILENT_CENTS)


def _offset(cents: np.ndarray) -> float:
    """The best common offset: the mean over the notes that sound."""
    sounding = np.isfinite(cents)
    return float(cents[sounding].mean()) if sounding.any() else 0.0


def _detuned(motion: Motion, jet: AirJet, readings: Sequence[JetReading]) -> np.ndarray:
    """Frequency heard above that computed, cents (readings,); nan where the note does not sound."""
    which = np.array([each.fingering for each in readings])
    used, rows = np.unique(which, return_inverse=True)  # the playing note of each fingering is sought once
    _, playing, _ = playing_note(Loop(motion.only(used), jet), careful=False)
    pressures = np.array([each.pressure for each in readings])
    cycle = followed(Loop(motion.only(which), jet), playing.of(rows), pressures)
    sounding = np.where(cycle.exists, cycle.frequency, 1.0)
    cents = 1200 * np.log2(np.array([each.frequency for each in readings]) / sounding)
    return np.where(cycle.exists, cents, np.nan)


def _spread(found, free: Sequence[str]) -> dict[str, float]:  # type: ignore[no-untyped-def]
    left = max(1, len(found.fun) - len(free) - 1)  # degrees of freedom, one gone with the common offset
    # least_squares' cost is half the sum of squares; the free numbers are logarithms.
    variance = 2 * found.cost / left * np.linalg.pinv(found.jac.T @ found.jac)
    return {name: float(np.exp(np.sqrt(variance[n, n]))) for n, name in enumerate(free)}
