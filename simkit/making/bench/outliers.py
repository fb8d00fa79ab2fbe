"""Readings that no state of the piece explains: refused, with what was probably wrong."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from simkit.errors import Fault, InputError
from simkit.making.bench.estimate import Estimate, estimated, innovation
from simkit.making.bench.piece import Measurement, Workpiece

# A reading so many standard deviations, and so many cents, from what all the others predict is refused.
OUTLIER_SD, OUTLIER_CENTS = 4.5, 25.0
OCTAVE_CENTS = 120.0  # an error this near to whole octaves is called one


def check_readings(estimate: Estimate, before: Workpiece) -> None:
    """InputError for a new reading that no calibration can explain, naming it and what was expected.

    Each is compared with the estimate before the new ones, then with all other readings: two new ones may disagree.
    """
    piece = estimate.piece
    # Repeated readings are averaged: one is new where more of them are counted than before.
    known = {blow.state: blow.count for blow in before.blown}
    fresh = np.array([known.get(blow.state, 0) < blow.count for blow in piece.blown], bool)
    if not fresh.any():
        return
    # With today's cuts and stage, but none of today's readings.
    earlier = estimated(estimate.measurement.model, replace(piece, blown=before.blown), estimate.doubts)
    new = [blow for blow, is_new in zip(piece.blown, fresh, strict=True) if is_new]
    off, sd = innovation(earlier, new)
    _raise_if_outlier(new, off, sd, piece)
    _raise_if_outlier(new, estimate.left_out_cents[fresh], estimate.left_out_sd[fresh], piece)


def _raise_if_outlier(blown: Sequence[Measurement], off: np.ndarray, sd: np.ndarray, piece: Workpiece) -> None:
    # Near in cents is fine, however sure the estimate is of itself.
    score = np.where(np.abs(off) > OUTLIER_CENTS, np.abs(off) / sd, 0.0)
    if score.max(initial=0.0) > OUTLIER_SD:
        worst = int(score.argmax())
        raise InputError([_unexplained(blown[worst], float(off[worst]), float(sd[worst]), piece)])


def _unexplained(blow: Measurement, off: float, sd: float, piece: Workpiece) -> Fault:
    hz = 2 ** (blow.cents / 1200) * piece.air_ratio
    # Around what the others predict.
    low, high = (hz / 2 ** ((off + side * OUTLIER_SD * sd) / 1200) for side in (1, -1))
    hint = ""
    for octaves in (1, -1):
        if abs(off - 1200 * octaves) < OCTAVE_CENTS + sd:
            hint = f"; it is about {octaves_words(octaves)}: {octaves_reason(octaves)}"
    holes = [h for h, share in zip(piece.holes, blow.openness, strict=True) if share]
    also = f", the diameter reported for hole {', '.join(holes)}" if holes else ""
    allowed = (
        f"{low:.1f} to {high:.1f} Hz by everything else that is known; no window, wall or shrinkage explains "
        f"{off:+.0f} cents{hint}. Blow it again; wrong may be this reading{also}, or an earlier one (`undo`). "
        "The log is as it was"
    )
    return Fault.of("heard", round(hz, 1), allowed, key=blow.note)


def octaves_words(octaves: int) -> str:
    """Error of a reading in octaves, in words."""
    count = {1: "an octave", 2: "two octaves"}[abs(octaves)]
    return f"{count} too {'high' if octaves > 0 else 'low'}"


def octaves_reason(octaves: int) -> str:
    """Usual cause of such an error."""
    return "blown too hard, or read in the wrong octave" if octaves > 0 else "read in the wrong octave"
