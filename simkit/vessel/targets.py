"""Target frequencies of a design's notes."""

from __future__ import annotations

from simkit.pitch import Tuning, note
from simkit.vessel.chamber import Note
from simkit.vessel.design import Vessel


def tuning_of(vessel: Vessel) -> Tuning:
    """The tuning that a design's `[scale]` asks for."""
    return Tuning(vessel.scale.a4_hz, vessel.scale.temperament, vessel.scale.tonic)


def target_of(vessel: Vessel, wanted: Note) -> float:
    """The frequency in Hz that a note of the design should have, its own bend in cents included."""
    return tuning_of(vessel).frequency(note(wanted.pitch)) * 2 ** (wanted.cents / 1200)
