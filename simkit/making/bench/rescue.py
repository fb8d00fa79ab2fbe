"""Remedies for a hole that was cut past its mark: clay does not grow back, but other things can still be changed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import lsq_linear

from simkit.making.bench.aim import BenchAim, order_of
from simkit.making.shrinkage import Stage
from simkit.pitch import TEMPERAMENTS, Tuning, cents, in_cents, note

PAST_CENTS = 10.0  # sharper than this a hole counts as past its mark: what a build is allowed, common practice
_WORTH_CENTS = 2.0  # a remedy that gains less is not worth a line
_WINDOW = 0.15  # of the cut-up: how far a window may be changed
TONICS = ("C", "Db", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")


@dataclass(frozen=True)
class Overcut:
    """A hole that is past its mark: by how much, mm of the clay as it is and cents of the note that judges it; the
    diameter that it should have."""

    hole: str
    note: str
    by_mm: float
    by_cents: float
    wanted_mm: float

    def __str__(self) -> str:
        return (
            f"hole {self.hole} is past its mark by {self.by_mm:.2f} mm: {self.note} is "
            f"{in_cents(self.by_cents)} sharp of the rest"
        )


def overcut_holes(aim: BenchAim) -> tuple[Overcut, ...]:
    """The holes that are wider than they should be, the worst first."""
    piece = aim.estimate.piece
    found = []
    for hole, judge in order_of(piece.openness, piece.targets):
        by = aim.past_mm[hole]
        off = by * aim.at_marks.by_mm[judge, hole]
        if off > PAST_CENTS:
            wanted = aim.wanted_mm[hole] * piece.size
            found.append(
                Overcut(piece.holes[hole], piece.notes[judge], float(by * piece.size), float(off), float(wanted))
            )
    return tuple(sorted(found, key=lambda past: -past.by_cents))


def ways_out(aim: BenchAim, tuning: Tuning) -> tuple[str, ...]:
    """Remedies left, in sentences with sizes; empty where no hole is past its mark."""
    past = overcut_holes(aim)
    if not past:
        return ()
    worst = float(np.abs(aim.end_cents).max())
    ways = [f"re-aim: with the other holes cut to their new marks no note ends more than {in_cents(worst)} off"]
    ways += [*_by_window(aim, worst), *_by_scale(aim, tuning, worst)]
    fired = aim.estimate.piece.stage is Stage.FIRED
    for each in past:
        filled = f"{each.wanted_mm:.2f} mm wide"
        way = "wax or hard epoxy putty at the rim" if fired else "slip and a coil of the same clay, as wet as the piece"
        ways.append(f"fill: hole {each.hole} with {way}, and ream it again until it is {filled}")
    if not fired:
        ways.append("after firing: a hole can still be filed or undercut to sharpen it, waxed to flatten it")
    return tuple(ways)


def _mended(
    aim: BenchAim, targets_off: np.ndarray, window: bool
) -> tuple[float, float]:  # worst cents, change of the cut-up as a share
    """The worst note after re-aiming with other targets (cents above the old ones), and with the window free."""
    at_marks, piece = aim.at_marks, aim.estimate.piece
    which = np.flatnonzero(aim.used)
    # Linear in the other holes, the piece's own pitch and, where it is free, the cut-up.
    columns = [at_marks.by_mm[:, which], -np.ones((len(at_marks.cents), 1))]
    # What is cut can only grow.
    low = (np.where(piece.cuts > 0, aim.now.reported_mm, 0.0) - at_marks.reported_mm)[which] - 1e-9
    bounds = [np.append(low, -2400.0), np.append(np.full(len(which), np.inf), 2400.0)]
    if window:
        cut_up = aim.estimate.measurement.model.designed.cut_up[0] * 1e3
        columns.append(at_marks.slopes[:, [aim.estimate.measurement.state.index("cut_up")]] * cut_up)
        bounds = [np.append(bounds[0], -_WINDOW), np.append(bounds[1], _WINDOW)]
    rows, values = np.hstack(columns), targets_off - at_marks.cents
    ridge = 1e-3 * np.eye(rows.shape[1])  # where nothing asks for a change, none is made
    found = lsq_linear(np.vstack([rows, ridge]), np.append(values, np.zeros(len(ridge))), tuple(bounds)).x
    left = values - rows @ found
    return float(np.abs(left).max()), float(found[-1]) if window else 0.0


def _by_window(aim: BenchAim, worst: float) -> list[str]:
    mended, share = _mended(aim, np.zeros(len(aim.at_marks.cents)), window=True)
    if worst - mended < _WORTH_CENTS or abs(share) < 0.005:
        return []
    estimate = aim.estimate
    size = estimate.piece.size
    now = estimate.measurement.model.designed.cut_up[0] * 1e3 + estimate.cut_up_mm[0]
    by = abs(share) * estimate.measurement.model.designed.cut_up[0] * 1e3 * size
    way = (
        f"cut the window's edge back by {by:.2f} mm"
        if share > 0
        else f"make the window shorter by {by:.2f} mm, with clay on the edge or an insert"
    )
    return [
        f"the window: {way} (cut-up {now * size:.2f} mm now); then no note need end more than {in_cents(mended)} off"
    ]


def _by_scale(aim: BenchAim, tuning: Tuning, worst: float) -> list[str]:
    """Another temperament or tonic that the piece comes nearer to."""
    piece = aim.estimate.piece
    pitches = [note(name) for name in piece.notes]
    best: tuple[float, str] | None = None
    # Cut holes keep their widths; only what is called in tune changes.
    for temperament in TEMPERAMENTS:
        # Equal temperament is the same on any tonic.
        for tonic in TONICS if temperament != "equal" else (tuning.tonic,):
            other = Tuning(tuning.a4_hz, temperament, tonic)
            off = np.array([cents(other.frequency(p), tuning.frequency(p)) for p in pitches])
            mended, _ = _mended(aim, off, window=False)
            if best is None or mended < best[0]:
                best = mended, f"{temperament} on {tonic}"
    if best is None or worst - best[0] < _WORTH_CENTS:
        return []
    return [f"another scale: tuned {best[1]} no note need end more than {in_cents(best[0])} off"]
