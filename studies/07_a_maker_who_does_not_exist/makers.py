"""Makers who do not exist: hidden errors, a true instrument that plays them, and three ways of tuning it."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from simkit.body import Made, MadeSlopes
from simkit.making.bench.aim import aimed, next_cut, order_of
from simkit.making.bench.estimate import estimated
from simkit.making.bench.log import Entry, HoleCut, NoteRead, Water
from simkit.making.bench.notes import notes_now
from simkit.making.bench.piece import BenchModel, Workpiece
from simkit.making.shrinkage import Shrinkage, Stage
from simkit.vessel import Chamber, Vessel

MM = 1e-3
STAGE = Stage.LEATHER_HARD


@dataclass(frozen=True)
class Errors:
    """One standard deviation of everything that goes wrong unseen.

    hole_mm: how far a hole, once drilled, is from what the calliper says; it stays with the hole. step_mm: what each
    further reaming adds. again: whether every cut, not only the first, misses by hole_mm. size: share of the length
    that shrinkage to come is off by. model_cents: what every note with a hole open differs by from the port model.
    breath: share by which a breath is missed; read_cents: how well the tuner is read.
    """

    hole_mm: float = 0.1
    step_mm: float = 0.03
    again: bool = False
    wall_mm: float = 0.3
    window_mm: float = 0.2
    volume: float = 0.01
    water_ml: float = 0.5
    size: float = 0.002
    model_cents: float = 4.0
    read_cents: float = 3.0
    breath: float = 0.05


@dataclass(frozen=True)
class Bench:
    """A design on the bench: what every maker has in common."""

    vessel: Vessel
    chamber: Chamber
    model: BenchModel
    bends: np.ndarray  # cents that each note rises for a breath one e-fold stronger
    shrinkage: Shrinkage
    blows: int = 3
    diary: bool = False

    @property
    def start(self) -> Workpiece:
        """The piece before anything is done."""
        return replace(Workpiece.of(self.vessel, self.chamber, []), shrinkage=self.shrinkage)


class Maker:
    """One maker with errors of his own, drawn from a seed. Sizes are counted as fired."""

    def __init__(self, bench: Bench, errors: Errors, seed: int):
        self.bench, self.errors = bench, errors
        self.random = random = np.random.default_rng(seed)
        holes = len(bench.model.holes)
        self.off = random.normal(0, errors.hole_mm, holes)
        self.walls = random.normal(0, errors.wall_mm, holes + 1)
        self.window = random.normal(0, errors.window_mm, 2)
        self.volume = float(np.exp(random.normal(0, errors.volume)))
        self.model_cents = random.normal(0, errors.model_cents, holes)
        self.size = bench.shrinkage.size(STAGE) * float(np.exp(random.normal(0, errors.size)))
        self.told = np.zeros(holes)
        self.cuts = np.zeros(holes, int)

    def plays(self, openness: np.ndarray, stage: Stage) -> np.ndarray:
        """Cents above 1 Hz (r,) of the true instrument for fingerings (r, holes)."""
        designed, r = self.bench.model.designed, len(openness)
        diameters = np.where(self.told > 0, np.maximum(self.told + self.off, 0.2), 0.0)
        one = np.ones(r)
        made = Made(
            np.tile(MM * diameters, (r, 1)),
            np.tile(designed.walls[0] + MM * self.walls, (r, 1)),
            (designed.width[0] + MM * self.window[0]) * one,
            (designed.cut_up[0] + MM * self.window[1]) * one,
            self.volume * one,
            (1.0 if stage is Stage.FIRED else self.size) * one,
        )
        omega = self.bench.model.lowest(made, openness)
        return 1200 * np.log2(omega.real / (2 * np.pi)) + openness @ self.model_cents

    def cut(self, hole: int, told_mm: float) -> None:
        """Cuts a hole until the calliper says so."""
        if self.cuts[hole]:
            if self.errors.again:
                # What is cut away does not come back: the hole can only have grown.
                was = self.told[hole] + self.off[hole]
                self.off[hole] = max(self.random.normal(0, self.errors.hole_mm), was - told_mm)
            else:
                self.off[hole] += self.random.normal(0, self.errors.step_mm)
        self.told[hole] = told_mm
        self.cuts[hole] += 1

    def blown(self, openness: np.ndarray, note: int, times: int) -> np.ndarray:
        """Readings of a note now, cents above 1 Hz (times,)."""
        true = self.plays(openness[[note]], STAGE)[0]
        breath = self.bench.bends[note] * self.random.normal(0, self.errors.breath, times)
        return true + breath + self.random.normal(0, self.errors.read_cents, times)

    def weighed_ml(self) -> float:
        """The chamber's air now, weighed as water."""
        ml = 1e6 * self.bench.model.volume * self.volume * self.size**3
        return float(ml + self.random.normal(0, self.errors.water_ml))


@dataclass(frozen=True)
class Visit:
    """What stood after one cut: the hole, and of its judge how far the true reading, and the reading as believed,
    are from what they must be, with its doubt; cents."""

    hole: str
    note: str
    true_cents: float
    believed_cents: float
    doubt_cents: float


@dataclass(frozen=True)
class End:
    """How a piece ended: cents of every note above its target when fired (f,), and cuts of every hole (holes,).

    foretold: the piece's own pitch when fired as the bench foretold it, cents; visits: what stood after each cut.
    """

    cents: np.ndarray
    cuts: np.ndarray
    foretold: float | None = None
    visits: tuple[Visit, ...] = ()

    @property
    def own(self) -> np.ndarray:
        """Cents from the piece's own pitch, the mean of its notes."""
        return self.cents - self.cents.mean()


def _end(maker: Maker, piece: Workpiece, foretold: float | None = None, visits: Sequence[Visit] = ()) -> End:
    cents = maker.plays(piece.openness, Stage.FIRED) - 1200 * np.log2(piece.targets)
    return End(cents, maker.cuts.copy(), foretold, tuple(visits))


# --- three ways ---


def by_the_bench(bench: Bench, maker: Maker) -> End:
    """The bench followed to the letter: water, the covered note, then each cut that it asks for and its judge.

    After every cut the judge is blown, if it can be played yet, and the covered note once more, each `blows` times.
    """
    vessel, chamber, piece = bench.vessel, bench.chamber, bench.start
    frame = {"step": 1, "chamber": chamber.name, "stage": STAGE}
    air = {"temperature_c": vessel.air.temperature_c}

    def readings(note: int) -> list[Entry]:
        opened = {h: 1.0 for h, o in zip(piece.holes, piece.openness[note], strict=True) if o}
        cents = maker.blown(piece.openness, note, bench.blows)
        return [NoteRead(**frame, **air, note=piece.notes[note], open=opened, hz=2 ** (c / 1200)) for c in cents]

    judges = dict(order_of(piece.openness, piece.targets))
    shut = int(np.flatnonzero(~piece.openness.any(axis=1))[0])
    piece = piece.after(vessel, chamber, [Water(**frame, ml=maker.weighed_ml()), *readings(shut)])
    visits: list[Visit] = []
    while True:
        aim = aimed(estimated(bench.model, piece))
        cut = next_cut(aim)
        if cut is None:
            return _end(maker, piece, float(aim.at_marks.cents.mean()), visits)
        hole = piece.holes.index(cut.hole)
        maker.cut(hole, cut.to_mm / piece.size)
        note = judges[hole]
        playable = all(maker.told[h] > 0 for h in np.flatnonzero(piece.openness[note]))
        new = [HoleCut(**frame, hole=cut.hole, mm=cut.to_mm), *(readings(note) if playable else []), *readings(shut)]
        piece = piece.after(vessel, chamber, new)
        if playable and bench.diary:
            visits.append(_visit(bench.model, maker, piece, hole, note))


def _visit(model: BenchModel, maker: Maker, piece: Workpiece, hole: int, note: int) -> Visit:
    aim = aimed(estimated(model, piece))
    now = notes_now(aim)[note]
    wanted = 1200 * np.log2(now.wanted_hz)
    true = maker.plays(piece.openness[[note]], STAGE)[0]
    seen = 1200 * np.log2(now.now_hz or now.wanted_hz)
    return Visit(
        piece.holes[hole], piece.notes[note], float(true - wanted), float(seen - wanted), float(aim.doubt[note])
    )


def by_the_design(bench: Bench, maker: Maker) -> End:
    """Drill and ream every hole to the size that the design gives, in one go."""
    for hole, mm in enumerate(1e3 * bench.model.designed.diameters[0]):
        maker.cut(hole, float(mm))
    return _end(maker, bench.start)


def by_ear(bench: Bench, maker: Maker) -> End:
    """Ream by ear from low to high, with no model: a maker who hears well and knows two rules of the trade.

    The covered note gives the piece's pitch. Each hole is drilled well under the design's size. Then a note that is
    flat is opened on: first as if what a hole lets through went with its area, which falls short, as holes in thick
    clay let through less than that; then by how much the last cut did. A note that is not flat is left as it is.
    """
    piece, designed = bench.start, 1e3 * bench.model.designed.diameters[0]
    target = 1200 * np.log2(piece.targets)
    shut = int(np.flatnonzero(~piece.openness.any(axis=1))[0])
    pitch = float(maker.blown(piece.openness, shut, bench.blows).mean()) - target[shut]
    for hole, note in order_of(piece.openness, piece.targets):
        covered = piece.openness.copy()
        covered[note, hole] = 0.0
        maker.cut(hole, START * float(designed[hole]))
        base = float(maker.blown(covered, note, bench.blows).mean()) - pitch
        power, last = 2.0, None
        for _ in range(BY_EAR_CUTS - 1):
            heard = float(maker.blown(piece.openness, note, bench.blows).mean()) - pitch
            if target[note] - heard < HEARS_CENTS:
                break
            rise, wanted = (max(2 ** (2 * (c - base) / 1200) - 1, 0.01) for c in (heard, target[note]))
            told = float(maker.told[hole])
            if last is not None:
                power = float(np.clip(np.log(rise / last[1]) / np.log(told / last[0]), 0.8, 3.0))
            last = told, rise
            maker.cut(hole, told * min((wanted / rise) ** (1 / power), 1.5))
    return _end(maker, piece)


BY_EAR_CUTS = 3
HEARS_CENTS = 5.0  # about what a good ear just hears in a tune: common practice, no source
START = 0.8  # of the design's diameter: the first drill, common practice
WAYS: dict[str, Callable[[Bench, Maker], End]] = {
    "bench": by_the_bench,
    "design": by_the_design,
    "ear": by_ear,
}


# --- many at once ---


class Shared:
    """A model that many makers ask at the same time, each from a thread of its own: their questions go in one batch.

    When every maker that is still at work has asked, one answer is computed for all; the answers are those that each
    would have had alone.
    """

    def __init__(self, model: BenchModel, workers: int):
        self.model, self.workers = model, workers
        self.ready = threading.Condition()
        self.asked: dict[int, tuple[str, Made, np.ndarray]] = {}
        self.answers: dict[int, object] = {}

    def __getattr__(self, name: str) -> object:
        return getattr(self.model, name)

    def lowest(self, made: Made, openness: np.ndarray) -> np.ndarray:
        return self._ask("lowest", made, openness)  # type: ignore[return-value]

    def sloped(self, made: Made, openness: np.ndarray) -> tuple[np.ndarray, MadeSlopes]:
        return self._ask("sloped", made, openness)  # type: ignore[return-value]

    def leave(self) -> None:
        """A maker is done."""
        with self.ready:
            self.workers -= 1
            self._answer_if_all_have_asked()

    def _ask(self, what: str, made: Made, openness: np.ndarray) -> object:
        me = threading.get_ident()
        with self.ready:
            self.asked[me] = what, made, openness
            self._answer_if_all_have_asked()
            while me not in self.answers:
                self.ready.wait()
            answer = self.answers.pop(me)
        if isinstance(answer, BaseException):
            raise answer
        return answer

    def _answer_if_all_have_asked(self) -> None:
        if not self.asked or len(self.asked) < self.workers:
            return
        asked, self.asked = self.asked, {}
        for what in ("lowest", "sloped"):
            mine = {who: (made, openness) for who, (kind, made, openness) in asked.items() if kind == what}
            if mine:
                self._answer(what, mine)
        self.ready.notify_all()

    def _answer(self, what: str, mine: dict[int, tuple[Made, np.ndarray]]) -> None:
        try:
            together = Made.joined([made for made, _ in mine.values()])
            answer = getattr(self.model, what)(together, np.concatenate([openness for _, openness in mine.values()]))
        except Exception as error:  # noqa: BLE001 it goes to every maker that asked
            self.answers |= dict.fromkeys(mine, error)
            return
        first = 0
        for who, (made, _) in mine.items():
            part = slice(first, first + len(made))
            first += len(made)
            if what == "lowest":
                self.answers[who] = answer[part]
            else:
                omega, slopes = answer
                cut = MadeSlopes(*(getattr(slopes, f.name)[part] for f in fields(slopes)))
                self.answers[who] = omega[part], cut


def ends(bench: Bench, errors: Errors, way: str, makers: Sequence[int]) -> list[End]:
    """How the pieces of many makers, by their seeds, end."""
    shared = Shared(bench.model, len(makers))
    together = replace(bench, model=shared)  # type: ignore[arg-type]
    found: list[End | BaseException | None] = [None] * len(makers)

    def work(place: int, seed: int) -> None:
        try:
            found[place] = WAYS[way](together, Maker(together, errors, seed))
        except BaseException as error:  # noqa: BLE001 raised below, in the thread that asked
            found[place] = error
        finally:
            shared.leave()

    threads = [threading.Thread(target=work, args=each, daemon=True) for each in enumerate(makers)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    for end in found:
        if isinstance(end, BaseException):
            raise end
    return [end for end in found if isinstance(end, End)]
