"""Readings of breath and pitch from the first blow, as a file, and the table `[jet]` that fits them.

# chamber = "body"                             only where several chambers have a window
# free = ["convection", "window_contraction"]  which constants to fit; these unless it says others
[[reading]]
note = "D5"                                    a note of the design, or open = ["1", "2"]
pressure_pa = 260                              in the mouth
frequency_hz = 588.4                           heard
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Annotated, Any

import numpy as np
from pydantic import Field
from scipy.optimize import least_squares

from simkit.errors import Fault, InputError, OutOfReach
from simkit.frozen import frozen
from simkit.sound import models
from simkit.sound.answers.asked import spelled
from simkit.sound.blowing.behaviour import followed, playing_note
from simkit.sound.blowing.loop import Loop
from simkit.sound.blowing.table import RESONANCES, jet_of, voiced_cases
from simkit.sound.catalogue import with_ability
from simkit.sound.elements.airjet import AirJet
from simkit.sound.elements.constants import JetConstants
from simkit.sound.models.resonator import Case, Motion, openness_of_all
from simkit.vessel import Vessel
from simkit.vessel.checking import checked
from simkit.vessel.part import Clash, Part
from simkit.vessel.reader import parsed, text_of
from simkit.vessel.spelling import did_you_mean
from simkit.vessel.values import Name, NumberRange

ANOTHER_NOTE = 400.0  # cents off its resonance at which a reading is taken for one of another note


class Reading(Part):
    """One reading: which note or which open holes, the pressure in the mouth, the pitch heard."""

    note: Annotated[str | None, Field(description="a note of the design")] = None
    open: tuple[Name, ...] | None = None
    pressure_pa: Annotated[float, NumberRange(1, 5000)]
    frequency_hz: Annotated[float, NumberRange(20, 20_000)]

    @classmethod
    def clashes(cls, known: Mapping[str, Any]) -> Iterator[Clash]:
        """A reading is of a note or of open holes."""
        if (known.get("note") is None) == (known.get("open") is None):
            yield Clash(("note",), None, "either note, a note of the design, or open, a list of hole names")


class Readings(Part):
    """Measurements on one chamber, and the constants to fit to them."""

    chamber: Name | None = None
    free: tuple[Name, ...] = ("convection", "window_contraction")
    reading: tuple[Reading, ...] = Field(description="tables written [[reading]]")
    source: str = Field("", exclude=True, repr=False)

    @classmethod
    def load(cls, path: str | Path) -> Readings:
        """Read a file of readings; an InputError lists all that is wrong with it."""
        return checked(cls, parsed(text_of(path, "a file of readings"), str(path)), str(path))


@dataclass(frozen=True)
class FittedJet:
    """The constants that fit the readings, in words and numbers."""

    readings: Readings
    fit: JetFit

    def as_dict(self) -> dict[str, Any]:
        """The table, one standard error of each constant as a factor, and the residual, cents."""
        return {
            "jet": {name: getattr(self.fit.constants, name) for name in self.readings.free},
            "factor": self.fit.spread,
            "offset_cents": self.fit.offset_cents,
            "left_cents": self.fit.left_cents.tolist(),
        }

    def __str__(self) -> str:
        """The table `[jet]` to write into the design, and its uncertainty."""
        lines = ["[jet]"]
        for name in self.readings.free:
            value, factor = getattr(self.fit.constants, name), self.fit.spread[name]
            doubt = (
                f"{value / factor:.3g} to {value * factor:.3g}"
                if factor < _NOT_MEASURED
                else "the readings do not tell it"
            )
            lines.append(f"{name} = {value:.4g}  # {doubt}")
        left, worst = self.fit.left_cents, int(np.abs(self.fit.left_cents).argmax())
        lines += [
            f"# from {len(left)} readings; left over: {np.sqrt(np.mean(left**2)):.1f} cents root mean square, at most "
            f"{left[worst]:+.1f} ({_named(self.readings.reading[worst])})",
            f"# the piece sounds {self.fit.offset_cents:+.0f} cents off its design, which the fit leaves out",
        ]
        return "\n".join(lines) + "\n"


_NOT_MEASURED = 2.0  # a constant whose standard error is a factor of two was not measured


def fitted(vessel: Vessel, readings: Readings, model: str = "ports") -> FittedJet:
    """The constants of the jet that fit readings of a piece of this design; others stay as the design has them."""
    with_ability(model, "motion")
    case = _case(vessel, readings)
    faults = list(_unable(readings))
    opened = [_opened(readings, vessel, case, n, faults) for n in range(len(readings.reading))]
    if faults:
        raise InputError(faults)
    resonator = models.resonator(model, case)
    openness = openness_of_all(resonator.holes, opened)
    which, rows = np.unique(openness, axis=0, return_inverse=True)  # each fingering once, at whatever pressures
    motion = resonator.motion(which, RESONANCES)
    pressures, heard = np.array([(each.pressure_pa, each.frequency_hz) for each in readings.reading]).T
    strange = list(_strange(readings, heard, motion.frequency[rows.ravel(), 0]))
    if strange:
        raise InputError(strange)
    jet = jet_of(case, JetConstants.from_table(vessel.jet, vessel.source))
    return FittedJet(readings, fit_jet(motion, jet, rows.ravel(), pressures, heard, readings.free))


def _case(vessel: Vessel, readings: Readings) -> Case:
    """The chamber that was blown."""
    cases = voiced_cases(vessel, models.cases(vessel, state="played"))  # readings are of somebody who blows
    names = [case.chamber.name for case in cases]
    if readings.chamber is None and len(cases) == 1:
        return cases[0]
    if readings.chamber not in names:
        allowed = f"a chamber with a window: {', '.join(names)}{did_you_mean(readings.chamber or '', names)}"
        raise InputError([Fault(readings.source, "chamber", readings.chamber, allowed)])
    return cases[names.index(readings.chamber)]


def _opened(readings: Readings, vessel: Vessel, case: Case, n: int, faults: list[Fault]) -> tuple[str, ...]:
    """The holes that stood open at a reading; what is wrong with them joins `faults`."""
    each, chamber = readings.reading[n], vessel.chamber(case.chamber.name)
    key = f"reading[{n + 1}]"
    if each.open is not None:
        known = [hole.name for hole in chamber.holes]
        wrong = [name for name in each.open if name not in known]
        if wrong:
            allowed = f"the holes of this chamber, {', '.join(known) or 'none'}"
            faults += [Fault(readings.source, f"{key}.open", name, allowed) for name in wrong]
        return each.open
    notes, wanted = {spelled(one.pitch): one.open for one in chamber.notes}, spelled(each.note or "")
    if wanted not in notes:
        allowed = f"a note of the design, {', '.join(one.pitch for one in chamber.notes) or 'which has none'}"
        faults.append(Fault(readings.source, f"{key}.note", each.note, allowed))
    return notes.get(wanted, ())


def _unable(readings: Readings) -> Iterator[Fault]:
    """Constants that are not there, and too few readings."""
    names = [each.name for each in fields(JetConstants)]
    wrong = [name for name in readings.free if name not in names]
    for name in wrong:
        yield Fault(readings.source, "free", name, f"one of {', '.join(names)}{did_you_mean(name, names)}")
    if not readings.free or len(set(readings.free)) < len(readings.free):
        yield Fault(readings.source, "free", list(readings.free), "at least one constant, each once")
    least = len(readings.free) + 2  # one for the piece's own pitch, one that tells how well all fit
    if len(readings.reading) < least:
        allowed = f"at least {least} readings for {len(readings.free)} constants and the piece's own pitch"
        yield Fault(readings.source, "reading", len(readings.reading), allowed)


def _strange(readings: Readings, heard: np.ndarray, resonances: np.ndarray) -> Iterator[Fault]:
    """Readings, with the pitches heard and their fingerings' resonances, Hz, that are rather of another note."""
    for n in np.flatnonzero(np.abs(1200 * np.log2(heard / resonances)) > ANOTHER_NOTE).tolist():
        named = _named(readings.reading[n])
        allowed = f"near {resonances[n]:.0f} Hz, where {named} rings; another note, or it jumped?"
        yield Fault(readings.source, f"reading[{n + 1}].frequency_hz", float(heard[n]), allowed)


def _named(reading: Reading) -> str:
    return reading.note or f"open = {list(reading.open or ())}"


_FAR = 1.5  # log of the factor within which a constant is looked for
_SILENT_CENTS = 400.0  # counted for a note that was heard and that the model leaves silent


@frozen
class JetFit:
    """Constants that fit, with the residuals (cents, one per reading), the common offset in cents that was
    taken out, and for each fitted constant the factor by which one standard error moves it (1.1: 10 % either way)."""

    constants: JetConstants
    left_cents: np.ndarray
    offset_cents: float
    spread: dict[str, float]


def fit_jet(
    motion: Motion, jet: AirJet, which: np.ndarray, pressures: np.ndarray, heard: np.ndarray, free: Sequence[str]
) -> JetFit:
    """Fit constants to readings: least squares of cents, a common offset of all pitches left free.

    which (readings,): rows of the motion; pressures, Pa, in the mouth; heard: pitches, Hz. Pitch against pressure shows
    where the jet is in phase (convection) and how much the note bends, that is its Q while playing
    (window_contraction). It says next to nothing of the source's strength: do not free more than the readings can tell,
    and read `spread`. At least two pressures on one fingering, and more readings than constants.
    """
    first = np.log([getattr(jet.constants, name) for name in free])

    def constants(logs: np.ndarray) -> JetConstants:
        return replace(jet.constants, **dict(zip(free, np.exp(logs).tolist(), strict=True)))

    def detuned(logs: np.ndarray) -> np.ndarray:
        return _detuned(motion, replace(jet, constants=constants(logs)), which, pressures, heard)

    def off(logs: np.ndarray) -> np.ndarray:
        return _left(detuned(logs))

    # A cycle settles to 1e-8, so that differences over 1e-3 are clean.
    found = least_squares(off, first, bounds=(first - _FAR, first + _FAR), diff_step=1e-3, x_scale=0.1, max_nfev=25)
    if not found.success:
        raise OutOfReach(f"the jet's constants did not settle on these readings ({found.message})")
    best, cents = constants(found.x), detuned(found.x)  # the offset that `off` takes out is told apart
    ran = [name for name, moved in zip(free, np.abs(found.x - first), strict=True) if moved > 0.99 * _FAR]
    if ran:
        far = ", ".join(f"{name} = {getattr(best, name):.3g}" for name in ran)
        raise OutOfReach(f"no sane constants fit these readings: {far} at the end of what is tried, and still off")
    return JetFit(best, _left(cents), _offset(cents), _spread(found, free))


def _left(cents: np.ndarray) -> np.ndarray:
    """Residual after the best common offset, cents; a note that was heard and does not sound counts as far off."""
    return np.nan_to_num(cents - _offset(cents), nan=_SILENT_CENTS)


def _offset(cents: np.ndarray) -> float:
    """The best common offset: the mean over the notes that sound."""
    sounding = np.isfinite(cents)
    return float(cents[sounding].mean()) if sounding.any() else 0.0


def _detuned(motion: Motion, jet: AirJet, which: np.ndarray, pressures: np.ndarray, heard: np.ndarray) -> np.ndarray:
    """Frequency heard above that computed, cents (readings,); nan where the note does not sound."""
    used, rows = np.unique(which, return_inverse=True)  # the playing note of each fingering is sought once
    _, playing, _ = playing_note(Loop(motion.only(used), jet), careful=False)
    cycle = followed(Loop(motion.only(which), jet), playing.of(rows), pressures)
    return 1200 * np.log2(heard / np.where(cycle.exists, cycle.frequency, np.nan))


def _spread(found, free: Sequence[str]) -> dict[str, float]:  # type: ignore[no-untyped-def]
    left = max(1, len(found.fun) - len(free) - 1)  # degrees of freedom, one gone with the common offset
    # least_squares' cost is half the sum of squares; the free numbers are logarithms.
    variance = 2 * found.cost / left * np.linalg.pinv(found.jac.T @ found.jac)
    return {name: float(np.exp(np.sqrt(variance[n, n]))) for n, name in enumerate(free)}
