"""Notes that another chamber of the body has too, as its lowest: the two pull each other, which no size mends.

While a chamber is silent its holes are covered, so it rings at its own lowest note, and a note of the same pitch beside
it is one of a pair: with own frequencies w1, w2 (complex) and coupling c the two resonances are

    (w1 + w2)/2 +- sqrt((w1 - w2)^2/4 + c^2)

(two resonators with two degrees of freedom: Rayleigh, Theory of Sound, section 310, from memory; see
`simkit.sound.models.neighbours`). At unison they stand apart by 2 Re sqrt(c^2 - (g1 - g2)^2/4), g the dampings,
whatever the sizes: no design brings either to the target, and as one is tuned across the other the note jumps from the
lower to the upper one. Their mean (w1 + w2)/2 is smooth, and where they stand apart by less than each is wide it is
about what a jet meets. So the mean is what is tuned, and it is said.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from simkit.errors import SimkitError
from simkit.optimisation.problem.trial import Setting, Trial, Voice
from simkit.pitch import cents
from simkit.sound.answers.prediction import PredictedChamber, PredictedNote, Prediction
from simkit.sound.models.neighbours import uniform_matrix
from simkit.vessel import Vessel

NEAR_CENTS = 60.0  # a chamber that is silent pulls notes so near to its own
LEAST_CENTS = 1.0  # a smaller pull stands in nobody's way
_ALIKE_CENTS = 5.0  # targets nearer to each other are one pitch


@dataclass(frozen=True)
class Pair:
    """A note in unison with another, silent chamber; cents: deviation of the mean of both from the note's target."""

    chamber: str
    pitch: str
    other: str
    cents: float


def unison_pairs(vessel: Vessel, lossless: bool, state: str) -> tuple[tuple[str, str, str], ...]:
    """The notes of a design that are to be tuned as pairs, as `Setting.pairs` has them: those that couple by more than
    a cent, judged by the design as it is."""
    if sum(bool(chamber.notes) for chamber in vessel.chambers) < 2:
        return ()
    trial = Trial.alone(vessel, Setting(lossless, state))
    try:
        voices = trial.voices
    except SimkitError:
        return ()
    found = []
    for voice in voices:
        for other in voices:
            for n in _in_unison(voice, other):
                if _apart(voice, other, n) > LEAST_CENTS:
                    found.append((voice.chamber, voice.notes[n].pitch, other.chamber))
    return tuple(found)


def _in_unison(voice: Voice, other: Voice) -> list[int]:
    """Numbers of a chamber's notes that have the target of another's covered note."""
    if other is voice:
        return []
    # Its note with all holes covered, as they are while it is silent.
    silent = other.targets[~other.openness.any(axis=1)]
    apart = np.abs(1200 * np.log2(voice.targets[:, None] / silent))
    return np.flatnonzero((apart < _ALIKE_CENTS).any(axis=1)).tolist()


def _apart(voice: Voice, other: Voice, n: int) -> float:
    """Distance of the pair's resonances from their mean, cents, where both chambers have the note's pitch."""
    ports, omega = voice.resonator, 2 * np.pi * voice.targets[n]
    circuit, states = ports.circuit, ports.states(voice.openness)[n : n + 1]
    # sqrt of its diagonal times c is each chamber's own frequency with the other held still, off it stands the
    # coupling.
    A = uniform_matrix(circuit, circuit.at(np.array([omega])), states)[0]
    a, b = (_place(ports.field.names, each.chamber) for each in (voice, other))
    own = circuit.chamber_air.sound_speed * np.sqrt(np.diag(A))
    # w^2 = c0^2 A, so near unison a coupling in w^2 is 2 w times one in w.
    c = circuit.chamber_air.sound_speed**2 * A[a, b] / (2 * omega)
    # Where damping differs by more than they couple, the root is imaginary: they do not split.
    root = np.sqrt(c**2 - (own[a].imag - own[b].imag) ** 2 / 4)
    return float(1200 / np.log(2) * abs(root.real) / omega)


def _place(names: Sequence[tuple[str, str]], chamber: str) -> int:
    """Number of a chamber among the body's, in the order of its ports."""
    return list(dict.fromkeys(name for name, _ in names)).index(chamber)  # ports stand chamber after chamber


def pairs_of(trial: Trial) -> tuple[Pair, ...]:
    """The pairs of a design on trial, with the deviation of each."""
    notes = [(voice.chamber, note.pitch) for voice in trial.voices for note in voice.notes]
    by_note = dict(zip(notes, trial.cents.tolist(), strict=True))
    return tuple(Pair(*names, by_note[names[:2]]) for names in trial.setting.pairs)


def unisons(after: Prediction, off: Iterable[tuple[str, PredictedNote]], pairs: Sequence[Pair] = ()) -> list[str]:
    """Sentences on the notes that are off, each with its chamber's name, because another chamber pulls them.

    pairs: those that were tuned as what they are.
    """
    said: dict[frozenset[str], str] = {}
    tuned = {(pair.chamber, pair.pitch) for pair in pairs}
    for name, note in off:
        pull = abs(note.answer.neighbours_cents or 0.0)
        for other in after.chambers:
            silent = _covered(other)
            if other.name == name or silent is None or pull < LEAST_CENTS or not _near(note, silent):
                continue
            pair = f"{note.pitch} of {name}", f"{silent.pitch or 'the lowest note'} of {other.name}"
            mended = "their mean is in tune" if (name, note.pitch) in tuned else "sizes mend that in part"
            sentence = (
                f"{pair[0]} and {pair[1]} are all but in unison: they pull each other, here by {pull:.1f} cents, and "
                f"where both sound they beat; {mended}: set the two windows farther apart, leave the "
                f"note to one of the chambers, give one another octave, or play it with the window of the other "
                f"covered or a hole of it open"
            )
            said.setdefault(frozenset(pair), sentence)  # either of a pair may be off: one sentence does
    return list(said.values())


def _covered(chamber: PredictedChamber) -> PredictedNote | None:
    """The chamber's note with all holes covered, at which it rings along while it is silent."""
    return next((note for note in chamber.notes if not note.open and note.answer.frequency_hz), None)


def _near(one: PredictedNote, other: PredictedNote) -> bool:
    hz = one.answer.frequency_hz, other.answer.frequency_hz
    return bool(hz[0] and hz[1] and abs(cents(hz[0], hz[1])) < NEAR_CENTS)
