"""The design's notes at the bench: what they read, what they should read now, and where they will end."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from simkit.making.bench.aim import BenchAim, order_of, readings_now


@dataclass(frozen=True)
class NoteNow:
    """One note.

    heard_hz: the last reading in the piece's present state, if any; off_cents: that less what all readings together
    predict; now_hz: what it should read now by the estimate, None where a hole of it is not cut; uncertainty_cents: one
    standard deviation of that; wanted_hz: what it should read at this stage once every hole is at its mark;
    fired_cents: where it ends when fired if the plan is followed, from the piece's own pitch, and its standard
    deviation; judges: the hole that is cut by this note.
    """

    pitch: str
    open: tuple[str, ...]
    heard_hz: float | None
    off_cents: float | None
    now_hz: float | None
    uncertainty_cents: float
    wanted_hz: float
    fired_cents: float
    fired_uncertainty_cents: float
    judges: str | None

    def as_dict(self) -> dict[str, Any]:
        """The note under the keys of the command line's JSON."""
        return {**vars(self), "open": list(self.open)}


def notes_now(aim: BenchAim) -> tuple[NoteNow, ...]:
    """All notes of the design, in its order."""
    piece, estimate = aim.estimate.piece, aim.estimate
    now, sd = readings_now(estimate, piece.openness, piece.reported_mm)  # with the holes as they are
    judges = {note: piece.holes[hole] for hole, note in order_of(piece.openness, piece.targets)}
    # With every hole at its mark it would read this, and end `end_cents` off.
    wanted = readings_now(estimate, piece.openness, aim.marks_mm)[0] / 2 ** (aim.end_cents / 1200)
    found = []
    for n, pitch in enumerate(piece.notes):
        opened = piece.openness[n] > 0
        ready = bool((piece.cuts[opened] > 0).all())  # a hole that is not there cannot be opened
        last = _last(aim, n)
        found.append(
            NoteNow(
                pitch,
                tuple(np.array(piece.holes)[opened]) if len(piece.holes) else (),
                None if last is None else float(2 ** (piece.blown[last].cents / 1200) * piece.air_ratio),
                None if last is None else float(estimate.residual_cents[last]),
                float(now[n]) if ready else None,
                float(sd[n]),
                float(wanted[n]),
                float(aim.end_cents[n]),
                float(aim.end_sd[n]),
                judges.get(n),
            )
        )
    return tuple(found)


def _last(aim: BenchAim, note: int) -> int | None:
    """The last reading of a note since any of its holes was cut, at this stage."""
    piece = aim.estimate.piece
    opened = piece.openness[note] > 0
    for n in reversed(range(len(piece.blown))):
        blow = piece.blown[n]
        # Read in the very state that the piece is in: nothing that sounds in this note has changed since.
        same = (
            tuple(blow.openness) == tuple(piece.openness[note])
            and blow.stage is piece.stage
            and blow.windows == piece.windows
        )
        if same and all(blow.cutting[h] == piece.cutting[h] for h in np.flatnonzero(opened)):
            return n
    return None
