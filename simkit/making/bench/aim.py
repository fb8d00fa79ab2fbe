"""Where the holes should end, and which cut comes next: always short of the mark by what is not known yet."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.optimize import lsq_linear

from simkit.frozen import frozen
from simkit.making.bench.belief import Belief, States
from simkit.making.drills import START_SHARE, Drill, Reamer, start_drill
from simkit.making.shrinkage import Stage

DONE_CENTS = 2.5  # nearer than this to its mark a hole is left alone: no ear hears it, and a cut may miss by more
# A hole that was cut so often is left alone if it is nearer than this: every cut is a chance to go too far.
ENOUGH_CUTS, NEAR_CENTS = 3, 8.0
# How many standard deviations the first, the second and each later cut stop short of the mark.
HELD_BACK = (1.6, 0.8, 0.0)
LEAST_MM = 0.05  # less than this nobody can ream on purpose
# A ream finer than this is a turn or two of the tool: it is asked for only where the note gains so many cents.
FINE_MM, FINE_CENTS = 0.1, 4.0
WIDEST = 1.5  # of the design's diameter
_STEPS = 12
_LEAN_CENTS = 0.3  # per standard deviation or tenth of a diameter: only settles what no note asks for


@frozen
class Outlook:
    """The design's notes when fired, with holes told to be `told_mm` (holes,), counted as fired.

    cents (f,) above their targets; slopes (f, p) by the unknowns; by_mm (f, holes) by the diameters.
    """

    told_mm: np.ndarray
    cents: np.ndarray
    slopes: np.ndarray
    by_mm: np.ndarray


def outlook(belief: Belief, told_mm: np.ndarray) -> Outlook:
    """What the fired piece is believed to play with holes of these diameters."""
    piece = belief.piece
    seen = belief.sight.seen(belief.mean, States.of(piece, told_mm, piece.openness, Stage.FIRED))
    return Outlook(told_mm, seen.cents - 1200 * np.log2(piece.targets), seen.slopes, seen.by_mm)


@frozen
class BenchAim:
    """Where every hole should end, given all that is believed and that nothing can be cut smaller.

    marks_mm (holes,): diameters as told, counted as fired; pitch_cents: how much higher than written the whole piece
    will stand, which every note is made to match.
    """

    belief: Belief
    here: Outlook
    there: Outlook
    pitch_cents: float
    used: np.ndarray
    wanted_mm: np.ndarray

    @property
    def marks_mm(self) -> np.ndarray:
        """Diameters as told at which the holes should end, counted as fired."""
        return self.there.told_mm

    @property
    def end_cents(self) -> np.ndarray:
        """How far each note is believed to end from the piece's own pitch (f,)."""
        return self.there.cents - self.pitch_cents

    @cached_property
    def end_sd(self) -> np.ndarray:
        """Standard deviation of `end_cents` (f,), what the cuts to come may miss included."""
        return self._sd_beside(lambda slopes: slopes.mean(axis=0))

    @cached_property
    def doubt(self) -> np.ndarray:
        """The same beside the note that no hole can move (f,): what cuts must be held back for."""
        shut = np.flatnonzero(~self.belief.piece.openness.any(axis=1))
        return self._sd_beside(lambda slopes: slopes[shut[0]] if len(shut) else np.zeros(slopes.shape[1]))

    def _sd_beside(self, reference: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
        slopes, by_mm = (of - reference(of) for of in (self.there.slopes, self.there.by_mm))
        known = np.einsum("fp,pq,fq->f", slopes, self.belief.cov, slopes)
        missed = np.square(by_mm) @ np.square(self._to_miss_mm)
        return np.sqrt(known + missed)

    @property
    def _to_miss_mm(self) -> np.ndarray:
        """What the cuts still to come may miss by (holes,), mm."""
        doubts, cuts = self.belief.doubts, self.belief.piece.cuts
        left = self.marks_mm - self.here.told_mm > LEAST_MM
        again = np.where(left, doubts.step_mm, 0.0)
        return np.where(cuts == 0, doubts.hole_mm, again)

    @property
    def past_mm(self) -> np.ndarray:
        """By how much each hole is wider than its note wants it (holes,), counted as fired; 0 where it is not."""
        cut = self.belief.piece.cuts > 0
        return np.where(cut & self.used, np.maximum(self.here.told_mm - self.wanted_mm, 0.0), 0.0)


def aimed(belief: Belief, own_pitch: bool = True) -> BenchAim:
    """The diameters at which all notes come nearest to their targets, or to the piece's own pitch.

    Least squares over the diameters and that pitch, bounded below by what is cut already.
    """
    piece = belief.piece
    designed = _design_mm(belief)
    used = np.asarray(piece.openness.any(axis=0))
    told = piece.told_mm
    low = np.where(told > 0, told, 0.2 * designed)
    high = np.maximum(WIDEST * designed, low + 0.5)
    here = outlook(belief, told)
    start = np.where(used, np.clip(designed, low, high), np.where(told > 0, told, designed))
    there, pitch = _fitted(belief, start, low, high, used, own_pitch)
    free = low.copy()
    free[told > 0] = 0.2 * designed[told > 0]
    wanted = there.told_mm
    if (there.told_mm - low < 1e-6)[used & (told > 0)].any():
        # Some hole may be past its mark: by how much, had it not been cut.
        wanted = _fitted(belief, there.told_mm, free, high, used, own_pitch)[0].told_mm
    return BenchAim(belief, here, there, pitch, used, wanted)


def _design_mm(belief: Belief) -> np.ndarray:
    return 1e3 * belief.sight.model.designed.diameters[0]


def _fitted(
    belief: Belief, start: np.ndarray, low: np.ndarray, high: np.ndarray, used: np.ndarray, own_pitch: bool
) -> tuple[Outlook, float]:
    """Gauss-Newton with bounds; only holes that some note opens move."""
    designed, which = _design_mm(belief), np.flatnonzero(used)
    told, pitch = start, 0.0
    for _ in range(_STEPS):
        seen = outlook(belief, told)
        f, n = len(seen.cents), len(which)
        lean = np.diag(np.full(n, _LEAN_CENTS) / (0.1 * designed[which]))
        rows = np.concatenate([seen.by_mm[:, which], lean])
        values = np.concatenate([-seen.cents, -lean @ (told - designed)[which]])
        bounds = [(low - told)[which], (high - told)[which]]
        if own_pitch:
            column = np.concatenate([-np.ones(f), np.zeros(n)])
            # A pitch that nothing holds is the written one.
            rows = np.vstack([np.column_stack([rows, column]), np.append(np.zeros(n), 0.01)])
            values = np.append(values, 0.0)
            bounds = [np.append(bounds[0], -2400.0), np.append(bounds[1], 2400.0)]
        found = lsq_linear(rows, values, (bounds[0] - 1e-9, bounds[1] + 1e-9)).x
        step = np.clip(found[:n], -0.3 * designed[which], 0.3 * designed[which])
        pitch = float(found[n]) if own_pitch else 0.0
        told = told.copy()
        told[which] = np.clip(told[which] + step, low[which], high[which])
        if (np.abs(step) < 2e-3).all():
            break
    return outlook(belief, told), pitch


@dataclass(frozen=True)
class NextCut:
    """One cut: sizes in mm of the clay as it is now; what the note that judges it should read after it.

    held_back_mm: how far short of the mark it stops, and held_back_cents what that is on the note; doubt_cents: one
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

    def reamed(self, reamer: Reamer, wall_mm: float) -> NextCut:
        """The same with how deep a reamer goes, or why it cannot."""
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
    seen: set[int] = set()
    for note in np.argsort(targets, kind="stable"):
        opened = set(np.flatnonzero(openness[note]).tolist())
        for hole in sorted(opened - seen):
            found.append((hole, int(note)))
        seen |= opened
    return found


BY_HAND = "by hand"


def next_cut(aim: BenchAim, drills: Sequence[Drill] = ()) -> NextCut | None:
    """The cut that comes next; None when every hole is at its mark or past it, or near and cut often enough.

    The holes that were cut least come first, so that what the first ones teach serves the others.
    """
    piece = aim.belief.piece
    waiting = []
    for place, (hole, note) in enumerate(order_of(piece.openness, piece.targets)):
        short = aim.marks_mm[hole] - aim.here.told_mm[hole]
        cents = short * aim.there.by_mm[note, hole]
        cuts = piece.cuts[hole]
        near = DONE_CENTS if cuts < ENOUGH_CUTS else NEAR_CENTS
        near = max(near, FINE_CENTS) if short * piece.size < FINE_MM else near
        if cuts == 0 or (short * piece.size > LEAST_MM and cents > near):
            waiting.append((cuts, place, hole, note))
    if not waiting:
        return None
    _, _, hole, note = min(waiting)
    return _cut(aim, hole, note, drills)


def _cut(aim: BenchAim, hole: int, note: int, drills: Sequence[Drill]) -> NextCut:
    belief, piece = aim.belief, aim.belief.piece
    slope, now, mark = aim.there.by_mm[note, hole], aim.here.told_mm[hole], aim.marks_mm[hole]
    number = int(piece.cuts[hole]) + 1
    doubt = float(aim.doubt[note])
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
    told = piece.told_mm.copy()
    told[hole] = to
    opened = np.where(told > 0, piece.openness[note], 0.0)
    expected = float(readings_now(belief, opened[None], told)[0][0])
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


def readings_now(belief: Belief, openness: np.ndarray, told_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """What fingerings (r, holes) are believed to read now, Hz, and how sure that is, cents: (r,) each.

    told_mm (holes,): how wide the holes are told to be by then, counted as fired.
    """
    piece = belief.piece
    seen = belief.sight.seen(belief.mean, States.of(piece, told_mm, openness, piece.stage))
    spread = np.sqrt(
        np.einsum("fp,pq,fq->f", seen.slopes, belief.cov, seen.slopes) + np.square(belief.doubts.breath_cents(seen.q))
    )
    return 2 ** (seen.cents / 1200) * piece.air_ratio, spread


def plan(aim: BenchAim) -> list[tuple[str, float, float]]:
    """Every hole that is still to be cut: its name, its diameter now and its mark, mm of the clay as it is."""
    piece = aim.belief.piece
    return [
        (piece.holes[hole], float(aim.here.told_mm[hole] * piece.size), float(aim.marks_mm[hole] * piece.size))
        for hole, _ in order_of(piece.openness, piece.targets)
        if aim.marks_mm[hole] - aim.here.told_mm[hole] > LEAST_MM
    ]
