"""Final sizes of the holes, and the next cut: short of the mark by as much as the note is still uncertain."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from scipy.optimize import lsq_linear

from simkit.frozen import frozen
from simkit.making.bench.estimate import Estimate
from simkit.making.bench.predicted import Configurations
from simkit.making.drills import START_SHARE, Drill, Reamer, start_drill
from simkit.making.shrinkage import Stage

DONE_CENTS = 2.5  # nearer than this to its mark a hole is left alone: no ear hears it, and a cut may miss by more
# A hole that was cut as often as this is left alone if it is nearer than this: every cut is a chance to go too far.
ENOUGH_CUTS, NEAR_CENTS = 3, 8.0
# Standard deviations by which the first, the second and each later cut stop short of the mark.
HELD_BACK = (1.6, 0.8, 0.0)
LEAST_MM = 0.05  # a hand cannot ream by less on purpose
# A ream finer than this is a turn or two of the tool: it is asked for only where the note gains so many cents.
FINE_MM, FINE_CENTS = 0.1, 4.0
WIDEST = 1.5  # of the design's diameter
_SHOWN = "hole from_mm to_mm expect_hz note open mark_mm held_back_mm held_back_cents doubt_cents reamer_depth_mm"
_STEPS = 12  # of Gauss-Newton, at most
_RIDGE_CENTS = 0.3  # per tenth of a diameter: a weak pull to the design, which decides only what no note asks for


@frozen
class Forecast:
    """The design's notes when fired, with holes of diameters `reported_mm` (holes,), counted as fired.

    cents (f,) above their targets; slopes (f, p) by the state; by_mm (f, holes) by the diameters.
    """

    reported_mm: np.ndarray
    cents: np.ndarray
    slopes: np.ndarray
    by_mm: np.ndarray


def forecast(estimate: Estimate, reported_mm: np.ndarray) -> Forecast:
    """Expected notes of the fired piece with holes of these diameters (holes,), mm."""
    piece = estimate.piece
    configurations = Configurations.of(piece, reported_mm, piece.openness, Stage.FIRED)
    predicted = estimate.measurement.predict(estimate.mean, configurations)
    cents = predicted.cents - 1200 * np.log2(piece.targets)
    return Forecast(reported_mm, cents, predicted.slopes, predicted.by_mm)


@frozen
class BenchAim:
    """Final size of every hole, given the estimate and that no hole can be cut smaller.

    now: the fired notes with the holes as they are; at_marks: with every hole at its mark. marks_mm (holes,): reported
    diameters, counted as fired; pitch_cents: pitch of the whole piece above the written one, which every note
    is made to match. used: holes that some note opens; wanted_mm: the marks if nothing were cut yet.
    """

    estimate: Estimate
    now: Forecast
    at_marks: Forecast
    pitch_cents: float
    used: np.ndarray
    wanted_mm: np.ndarray

    @property
    def marks_mm(self) -> np.ndarray:
        """Reported diameters (holes,), mm, at which the holes should end, counted as fired."""
        return self.at_marks.reported_mm

    @property
    def end_cents(self) -> np.ndarray:
        """Expected final deviation of each note from the piece's own pitch, cents (f,)."""
        return self.at_marks.cents - self.pitch_cents

    @cached_property
    def end_sd(self) -> np.ndarray:
        """Standard deviation of `end_cents` (f,), with what the cuts to come may miss by."""
        return self._sd_beside(lambda slopes: slopes.mean(axis=0))

    @cached_property
    def doubt(self) -> np.ndarray:
        """Standard deviation of each note from the one that no hole can move, cents (f,): cuts are held back by it."""
        shut = np.flatnonzero(~self.estimate.piece.openness.any(axis=1))
        return self._sd_beside(lambda slopes: slopes[shut[0]] if len(shut) else np.zeros(slopes.shape[1]))

    def _sd_beside(self, reference: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
        # a doubt that all notes share moves none against the other
        slopes, by_mm = (of - reference(of) for of in (self.at_marks.slopes, self.at_marks.by_mm))
        # Variance of a linear form: row C row' for each note.
        known = np.einsum("fp,pq,fq->f", slopes, self.estimate.cov, slopes)
        missed = np.square(by_mm) @ np.square(self._to_miss_mm)
        return np.sqrt(known + missed)

    @property
    def _to_miss_mm(self) -> np.ndarray:
        """Standard deviation of the cuts still to come (holes,), mm."""
        doubts, cuts = self.estimate.doubts, self.estimate.piece.cuts
        left = self.marks_mm - self.now.reported_mm > LEAST_MM
        again = np.where(left, doubts.step_mm, 0.0)  # a hole at its mark is cut no more
        return np.where(cuts == 0, doubts.hole_mm, again)

    @property
    def past_mm(self) -> np.ndarray:
        """Excess of each hole's width over what its note wants (holes,), mm, counted as fired; 0 without one."""
        cut = self.estimate.piece.cuts > 0
        return np.where(cut & self.used, np.maximum(self.now.reported_mm - self.wanted_mm, 0.0), 0.0)


def aimed(estimate: Estimate, own_pitch: bool = True) -> BenchAim:
    """The diameters at which all notes come nearest to their targets, or to the piece's own pitch.

    Least squares over the diameters and that pitch, bounded below by what is cut already.
    """
    piece = estimate.piece
    designed = _design_mm(estimate)
    used = np.asarray(piece.openness.any(axis=0))
    reported = piece.reported_mm
    # an uncut hole must stay a hole: a fifth of its design at least
    low = np.where(reported > 0, reported, 0.2 * designed)
    high = np.maximum(WIDEST * designed, low + 0.5)  # room above even for a hole that was cut far past it
    now = forecast(estimate, reported)
    # What no note opens stays as it is.
    start = np.where(used, np.clip(designed, low, high), np.where(reported > 0, reported, designed))
    at_marks, pitch = _fitted(estimate, start, low, high, used, own_pitch)
    free = low.copy()
    free[reported > 0] = 0.2 * designed[reported > 0]
    wanted = at_marks.reported_mm
    if (at_marks.reported_mm - low < 1e-6)[used & (reported > 0)].any():
        # Some hole may be past its mark: by how much, had it not been cut.
        wanted = _fitted(estimate, at_marks.reported_mm, free, high, used, own_pitch)[0].reported_mm
    return BenchAim(estimate, now, at_marks, pitch, used, wanted)


def _design_mm(estimate: Estimate) -> np.ndarray:
    return 1e3 * estimate.measurement.model.designed.diameters[0]


def _fitted(
    estimate: Estimate, start: np.ndarray, low: np.ndarray, high: np.ndarray, used: np.ndarray, own_pitch: bool
) -> tuple[Forecast, float]:
    """Gauss-Newton with bounds; only holes that some note opens move."""
    designed, which = _design_mm(estimate), np.flatnonzero(used)
    diameters, pitch = start, 0.0
    for _ in range(_STEPS):
        there = forecast(estimate, diameters)
        f, n = len(there.cents), len(which)
        ridge = np.diag(np.full(n, _RIDGE_CENTS) / (0.1 * designed[which]))  # cents for each mm off the design
        rows = np.concatenate([there.by_mm[:, which], ridge])
        values = np.concatenate([-there.cents, -ridge @ (diameters - designed)[which]])
        bounds = [(low - diameters)[which], (high - diameters)[which]]
        if own_pitch:
            column = np.concatenate([-np.ones(f), np.zeros(n)])  # a pitch of its own lowers every deviation alike
            # Where the holes could match any pitch, a weak pull chooses the written one.
            rows = np.vstack([np.column_stack([rows, column]), np.append(np.zeros(n), 0.01)])
            values = np.append(values, 0.0)
            # cents: two octaves, no bound in earnest.
            bounds = [np.append(bounds[0], -2400.0), np.append(bounds[1], 2400.0)]
        # lsq_linear refuses bounds that meet, as those of a hole at its limit do.
        found = lsq_linear(rows, values, (bounds[0] - 1e-9, bounds[1] + 1e-9)).x
        # Pitch is far from linear in the diameter of a hole that starts small: no step by more than 0.3 of the design.
        step = np.clip(found[:n], -0.3 * designed[which], 0.3 * designed[which])
        pitch = float(found[n]) if own_pitch else 0.0
        diameters = diameters.copy()
        diameters[which] = np.clip(diameters[which] + step, low[which], high[which])
        if (np.abs(step) < 2e-3).all():  # mm: finer than any tool
            break
    return forecast(estimate, diameters), pitch


@dataclass(frozen=True)
class NextCut:
    """One cut: sizes in mm of the clay as it is now; what the note that judges it should read after it.

    held_back_mm: its distance from the mark at the stop, held_back_cents what that is on the note; doubt_cents: one
    standard deviation of where the note would end if the hole were cut to its mark at once; own_drill: which of the
    maker's own drills it takes, `by hand` where all are too thick.
    """

    hole: str
    from_mm: float
    to_mm: float
    mark_mm: float
    note: str
    open: tuple[str, ...]
    expect_hz: float
    doubt_cents: float
    held_back_mm: float
    held_back_cents: float
    number: int
    own_drill: str = ""
    reamer_depth_mm: float | None = None
    reamer_stops: str | None = None

    @property
    def drill(self) -> bool:
        """Whether it is the first cut, for a drill."""
        return self.number == 1

    def as_dict(self) -> dict[str, Any]:
        """Content under the keys of the command line's JSON."""
        shown = {name: getattr(self, name) for name in _SHOWN.split()}
        return shown | {"note": self.note or None, "open": list(self.open)}

    def reamed(self, reamer: Reamer, wall_mm: float) -> NextCut:
        """Copy with the depth of a reamer, or the reason why it cannot be used."""
        wrong = reamer.too_thick(self.to_mm, wall_mm)
        if wrong:
            return replace(self, reamer_stops=f"the reamer is too thick at its tip: {wrong} would do")
        stops = reamer.stops_short(self.to_mm, wall_mm)
        return replace(self, reamer_depth_mm=reamer.depth_mm(self.to_mm, wall_mm), reamer_stops=stops)


def order_of(openness: np.ndarray, targets: np.ndarray) -> list[tuple[int, int]]:
    """Holes in the order in which they should be cut, each with the note that judges it: (hole, note).

    From low to high; a hole's note is the lowest that opens it with others only that come before it.
    """
    found: list[tuple[int, int]] = []
    placed: set[int] = set()
    for note in np.argsort(targets, kind="stable"):
        opened = set(np.flatnonzero(openness[note]).tolist())
        for hole in sorted(opened - placed):
            found.append((hole, int(note)))
        placed |= opened
    return found


BY_HAND = "by hand"


def next_cut(aim: BenchAim, drills: Sequence[Drill] = ()) -> NextCut | None:
    """The cut that comes next; None when every hole is at its mark or past it, or near and cut often enough.

    The holes that were cut least come first, so that what the first ones teach serves the others.
    """
    piece = aim.estimate.piece
    waiting = []
    # The first cut of every hole comes before the second of any.
    for place, (hole, note) in enumerate(order_of(piece.openness, piece.targets)):
        short = aim.marks_mm[hole] - aim.now.reported_mm[hole]
        cents = short * aim.at_marks.by_mm[note, hole]
        cuts = piece.cuts[hole]
        near = DONE_CENTS if cuts < ENOUGH_CUTS else NEAR_CENTS
        near = max(near, FINE_CENTS) if short * piece.size < FINE_MM else near  # in mm of the clay as it is
        if cuts == 0 or (short * piece.size > LEAST_MM and cents > near):
            waiting.append((cuts, place, hole, note))  # sorted by cuts, then from low to high
    if not waiting:
        return None
    _, _, hole, note = min(waiting)
    return _cut(aim, hole, note, drills)


def _cut(aim: BenchAim, hole: int, note: int, drills: Sequence[Drill]) -> NextCut:
    estimate, piece = aim.estimate, aim.estimate.piece
    slope, now, mark = aim.at_marks.by_mm[note, hole], aim.now.reported_mm[hole], aim.marks_mm[hole]
    number = int(piece.cuts[hole]) + 1
    doubt = float(aim.doubt[note])  # cents; over the slope, cents per mm, it is the mm to hold back
    size = piece.size
    to = mark - HELD_BACK[min(number, len(HELD_BACK)) - 1] * doubt / max(slope, 1e-9)
    own_drill = ""
    if number == 1:
        drill = start_drill(mark * size, to * size, drills)
        own_drill = "" if not drills else drill.name if drill else BY_HAND
        # A knife cuts what no drill does, no nearer to the mark than a drill would.
        start = drill.mm if drill else min(START_SHARE * mark * size, to * size)
        to = start / size if drills and drill else max(start / size, 0.3 * mark)
    elif to < now + LEAST_MM:
        to = mark
    reported = piece.reported_mm.copy()
    reported[hole] = to
    opened = np.where(reported > 0, piece.openness[note], 0.0)  # holes not cut yet cannot be opened
    expected = float(readings_now(estimate, opened[None], reported)[0][0])
    return NextCut(
        piece.holes[hole],
        float(now * size),
        float(to * size),
        float(mark * size),
        piece.notes[note] if (opened == piece.openness[note]).all() else "",
        tuple(name for name, share in zip(piece.holes, opened, strict=True) if share),
        expected,
        doubt,
        float((mark - to) * size),
        float((mark - to) * slope),
        number,
        own_drill,
    )


def readings_now(estimate: Estimate, openness: np.ndarray, reported_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Expected readings of fingerings (r, holes) now, Hz, and their standard deviations, cents: (r,) each.

    reported_mm (holes,): the diameters that the holes have by then, counted as fired.
    """
    piece = estimate.piece
    configurations = Configurations.of(piece, reported_mm, openness, piece.stage)
    found = estimate.measurement.predict(estimate.mean, configurations)
    known = np.einsum("fp,pq,fq->f", found.slopes, estimate.cov, found.slopes)
    spread = np.sqrt(known + np.square(estimate.doubts.breath_cents(found.q)))
    return 2 ** (found.cents / 1200) * piece.air_ratio, spread


def plan(aim: BenchAim) -> list[tuple[str, float, float]]:
    """Every hole that is still to be cut: its name, its diameter now and its mark, mm of the clay as it is."""
    piece = aim.estimate.piece
    return [
        (piece.holes[hole], float(aim.now.reported_mm[hole] * piece.size), float(aim.marks_mm[hole] * piece.size))
        for hole, _ in order_of(piece.openness, piece.targets)
        if aim.marks_mm[hole] - aim.now.reported_mm[hole] > LEAST_MM
    ]
