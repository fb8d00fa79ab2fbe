"""Diameters that are impossible, or look like a slip of the pen: questioned before they reach the log."""

from __future__ import annotations

import math

from simkit.making.bench.aim import WIDEST
from simkit.making.bench.piece import Workpiece
from simkit.vessel import Chamber

NARROWEST, PILOT_MM = 0.2, 1.0  # of the design's diameter, and the pilot hole that anyone may drill first
ROOM_MM = 0.5  # beyond the widest that was designed, asked for or reported before
# Factors of usual slips: a point left out or put in the wrong place; inches for millimetres, and the other way round.
_SLIPS = (0.1, 10.0, 0.01, 100.0, 25.4, 1 / 25.4)


def unlikely_cut(hole: str, mm: float, fired_ml: float, piece: Workpiece, chamber: Chamber, sure: bool) -> str | None:
    """Widths allowed, and the one probably meant, where a hole's is impossible or unlikely; None if it is fine.

    fired_ml: the chamber's air as designed; sure: question only what is impossible.
    """
    n = piece.holes.index(hole)
    designed = chamber.holes[n].diameter_mm * piece.size
    asked = piece.asked.get(hole)
    before = piece.reported_mm[n] * piece.size
    expected = asked.to_mm if asked else max(designed, before)
    low, high = min(NARROWEST * designed, PILOT_MM), max(WIDEST * designed, expected) + ROOM_MM
    # Slips that would make sense of it.
    meant = [mm * slip for slip in _SLIPS if max(low, before - ROOM_MM) <= mm * slip <= high]
    # The nearest to what was expected, as a ratio.
    best = min(meant, key=lambda size: abs(math.log(size / expected)), default=None)
    question = f": {best:.4g}?" if best is not None else ""
    across = 10 * (6 * fired_ml / math.pi) ** (1 / 3) * piece.size  # of a ball with as much air
    if not 0 < mm < across:
        most = f"less than the {across:.0f} mm of a ball with as much air as the chamber"
        return f"a diameter in mm, more than 0, {most}{question}"
    if sure or low <= mm <= high:
        return None
    allowed = f"about {designed:.2f} ({piece.stage.value}, as designed)" + (
        f", {expected:.2f} asked for" if asked else ""
    )
    return f"{allowed}, from {low:.1f} to {high:.1f}{question or ';'} If it is {mm:g} mm, say `sure` as well"
