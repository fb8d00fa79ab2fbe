"""One piece of clay from a divided range: each chamber tuned by itself, set side by side, tuned in one body."""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from simkit.errors import InputError
from simkit.optimisation.aims.breath import Meeting, crossings, owed, pressures
from simkit.optimisation.aims.intune import InTune
from simkit.optimisation.designing.boxes import box_mm, check_room, drawn_to_fit, fitted, mass_g, set_side_by_side
from simkit.optimisation.designing.dividing import NAMES, ChamberPlan, divided, droned
from simkit.optimisation.designing.drafting import chamber_text, head_text
from simkit.optimisation.optimising import optimise
from simkit.optimisation.outcome import Outcome
from simkit.optimisation.problem.free import freedom
from simkit.optimisation.problem.limits import Limits
from simkit.optimisation.problem.rewriting import rewritten
from simkit.optimisation.problem.trial import Setting, Trial, drawn
from simkit.optimisation.search.descent import Task, descend
from simkit.optimisation.search.drafts import draft_foretold
from simkit.optimisation.search.rounding import as_written, rounded
from simkit.pitch import Pitch, note
from simkit.vessel import Vessel, loads
from simkit.vessel.wishes import WishedRange

log = logging.getLogger(__name__)

MEETS = 0.05  # breath at a crossing that differs by less than this is even
_EVEN = 1.0  # percent of breath at a crossing that windways need come no nearer than
_STILL_EVEN = 1.5  # by which the tuning that follows may change it
HARD_PA = 1500.0  # that the highest note may ask so that breath meets below it; pascals are unsure by a factor of two
_ALONE_CENTS = 5.0  # a chamber by itself need be no nearer: among the others its notes move by as much
_OUT_OF_REACH_CENTS = 20.0  # with one still farther off then it is given other notes
_DIVISIONS = 3  # that are tried
_FAR_CENTS = 10.0  # a chamber with a note farther off by itself is tuned by more
_MOST_STEPS = 5  # of each way to tune the whole body: what can be reached takes two or three


@dataclass(frozen=True)
class Piece:
    """Result for a divided range: the design's text, the outcome of its last tuning, and what the wish asked beside.

    plans: by the hand rule; box_mm (along, across, up); mass_g, fired, openings apart; broken: what was asked of box
    and mass and is not so, in sentences.
    """

    text: str
    outcome: Outcome
    plans: tuple[ChamberPlan, ...]
    box_mm: tuple[float, float, float]
    mass_g: float
    broken: tuple[str, ...]

    @property
    def vessel(self) -> Vessel:
        """The design."""
        return self.outcome.vessel

    @property
    def reached(self) -> bool:
        """Whether all that was wished is met."""
        return self.outcome.reached and not self.broken

    @property
    def verdict(self) -> str:
        """Verdict in one sentence, or a few lines where not all was reached."""
        lines = [] if self.outcome.reached and self.broken else [self.outcome.verdict]
        return "\n".join([*lines, *(f"broken: {what}" for what in self.broken)])

    @property
    def cautions(self) -> tuple[str, ...]:
        """Sentences for its player, though every note may be in tune: on notes that pull each other, where the verdict
        does not say it, and on breath that changes between chambers."""
        uneven = self.outcome.evidence.aims.get(Meeting.measures, 0.0)
        breath = f"breath changes by up to {uneven:.0f} % where one chamber takes over from the next"
        return (*(self.outcome.unisons if self.reached else ()), *([breath] if uneven > 100 * MEETS else []))


Kept = Callable[[str, str], None]


def piece(wish: WishedRange, kept: Kept = lambda text, verdict: None) -> Piece:
    """The instrument that plays a wished range on several chambers; `kept` is given the text of the best so far, and
    what that plays.

    Ctrl-C while the whole body is tuned keeps the best of that too before it goes on as KeyboardInterrupt.
    """
    begun = _begun(wish)
    plans, text = begun.plans, "\n".join([head_text(wish), *begun.texts])
    draft = loads(text, "the wish")
    vessel = draft
    for one in begun.tuned:
        vessel = vessel.with_chamber(one.chambers[0])
    vessel = set_side_by_side(_refitted(vessel, wish))

    def written(design: Vessel) -> str:
        return rewritten(text, draft, design.model_copy(update={"source": draft.source}))

    def interruptible(outcome: Outcome) -> Outcome:
        kept(written(outcome.vessel), outcome.verdict)
        if outcome.interrupted:  # the caller has the text by now
            raise KeyboardInterrupt
        return outcome

    kept(written(vessel), _apart(vessel))
    even, met = _evened(vessel)
    outcome = interruptible(_joined(even, wish))
    uneven = _uneven(outcome.vessel, even)
    log.info("breath changes by %.1f %% where chambers meet", uneven)
    # Sizes have changed, and breath with them; what other windways then do to the notes holes and windows take up.
    if uneven > met + _STILL_EVEN:
        again, _ = _evened(outcome.vessel)
        later = interruptible(_tuned(again, ["diameters", *_windows(again)], wish))
        if later.reached or not outcome.reached:  # a piece in tune is not given up for even breath
            outcome, uneven = later, _uneven(later.vessel, again)
    aims = {**outcome.evidence.aims, Meeting.measures: uneven}
    outcome = replace(outcome, evidence=replace(outcome.evidence, aims=aims))
    made = written(outcome.vessel)
    box, mass = box_mm(outcome.vessel), mass_g(outcome.vessel)
    return Piece(made, outcome, plans, box, mass, tuple(_too_much(wish, box, mass)))


def _apart(vessel: Vessel) -> str:
    """Verdict on chambers that stand in one body as each was tuned by itself."""
    off = np.abs(Trial.alone(vessel).cents).max()
    return f"each chamber is tuned by itself: in one body they are up to {off:.0f} cents off yet"


@dataclass(frozen=True)
class _Begun:
    """A division with each chamber's text and as it is tuned by itself; off: cents of each chamber's worst note."""

    plans: tuple[ChamberPlan, ...]
    texts: tuple[str, ...]
    tuned: tuple[Vessel, ...]
    off: tuple[float, ...]


def _begun(wish: WishedRange) -> _Begun:
    """The chambers of a division, each tuned by itself; of another one where some chamber cannot play its notes."""
    found: list[_Begun] = []
    without: list[tuple[Pitch, ...]] = []
    while len(found) < _DIVISIONS:
        try:
            plans, names = _planned(wish, without)
        except InputError:
            if not found:
                raise
            break
        texts = tuple(chamber_text(wish, name, plan) for name, plan in zip(names, plans, strict=True))
        drafts = [loads(f"{head_text(wish)}\n{text}", f"the chamber {n}") for n, text in zip(names, texts, strict=True)]
        tuned, off = zip(*(_alone(vessel) for vessel in _meeting(drafts)), strict=True)
        found.append(_Begun(plans, texts, tuned, off))
        worst = int(np.argmax(off))
        if off[worst] < _OUT_OF_REACH_CENTS:
            break
        log.info("%s cannot play its notes, by %.0f cents: dividing the range another way", names[worst], off[worst])
        without.append(plans[worst].pitches)
    return min(found, key=lambda begun: max(begun.off))  # the one whose worst chamber is the least off


def _planned(
    wish: WishedRange, without: Sequence[tuple[Pitch, ...]] = ()
) -> tuple[tuple[ChamberPlan, ...], tuple[str, ...]]:
    """The chambers by the hand rule, drawn to fit the box, with their names; a drone's stands last.

    without: runs of notes that are not to be one chamber's.
    """
    plans = divided(wish, without)
    names = NAMES[wish.chambers]
    if wish.drone is not None:
        plans, names = (*plans, droned(wish, note(wish.drone), plans)), (*names, "drone")
    check_room(wish, plans)
    return fitted(wish, plans), names


def _too_much(wish: WishedRange, box: tuple[float, float, float], mass: float) -> list[str]:
    said = []
    for way, is_mm, most in zip(("along", "across", "up"), box, wish.box_mm or box, strict=True):
        if is_mm > most + 0.05:
            said.append(f"the piece measures {is_mm:.1f} mm {way}, at most {most:g} asked")
    if wish.mass_g is not None and mass > wish.mass_g:
        said.append(f"the fired clay weighs {mass:.0f} g, at most {wish.mass_g:g} asked")
    return said


# --- tuning in one body: alone first, then together ------------------------------------------------------------------


def _alone(vessel: Vessel) -> tuple[Vessel, float]:
    """Tune one chamber as a piece of its own, as nearly as is worth it before the others stand beside it; and how far
    its worst note is off, cents.

    By size and diameters; where that does not do, by places and the window as well.
    """
    name = vessel.chambers[0].name
    log.info("tuning the chamber %s by itself", name)
    tuned, off = _near(vessel, ["diameters", "size"])
    if off > _FAR_CENTS:
        again, still = _near(tuned, ["holes", "size", f"{name}.voicing.window_width_mm"])
        tuned, off = min((tuned, off), (again, still), key=lambda each: each[1])
    return tuned, off


def _near(vessel: Vessel, free: Sequence[str]) -> tuple[Vessel, float]:
    freed = freedom(vessel, free)
    return draft_foretold(Task(freed, (InTune(),), Limits(), Setting()), freed.start, _ALONE_CENTS)


def _meeting(drafts: list[Vessel]) -> list[Vessel]:
    """The chambers with cut-ups such that breath runs on where one takes over from the other.

    The lowest note of each is to ask what the highest of the one below does. Breath goes with about the square of the
    cut-up, and the highest note of all is not to ask more than HARD_PA for it: so far only are the cut-ups spread.
    Windows keep their areas. A chamber of one note, a drone, takes over from none.
    """
    melody = [vessel for vessel in drafts if len(vessel.chambers[0].notes) > 1]
    if len(melody) < 2:
        return drafts
    log.info("choosing cut-ups with which breath runs on")
    trials = [Trial.alone(vessel) for vessel in melody]
    breath = [np.log(pressures(trial, careful=True)) for trial in trials]
    spread = [1.0]
    for n in range(1, len(melody)):  # chamber by chamber upward, each against the one below
        pairs = np.array(crossings([trials[m].voices[0].targets for m in (n - 1, n)]))
        both = np.concatenate(breath[n - 1 : n + 1])
        # Half of the logarithm, as breath goes with the square of the cut-up.
        spread.append(spread[-1] * float(np.exp((both[pairs[:, 0]] - both[pairs[:, 1]]).mean() / 2)))
    room = 0.5 * max(np.log(HARD_PA) - float(breath[-1][-1]), 0.0)
    # All cut-ups are spread less where the highest note would ask too much breath.
    part = min(1.0, room / np.log(spread[-1])) if spread[-1] > 1 else 1.0
    return [_spread(vessel, each**part) for vessel, each in zip(melody, spread, strict=True)] + drafts[len(melody) :]


def _spread(vessel: Vessel, share: float) -> Vessel:
    """A chamber with its cut-up times `share` and its window's area kept."""
    if abs(share - 1) < MEETS / 2:
        return vessel
    name = vessel.chambers[0].name
    cut_up, width = (f"{name}.voicing.{size}" for size in ("cut_up_mm", "window_width_mm"))
    sizes = {cut_up: vessel.value(cut_up) * share, width: vessel.value(width) / share}
    return vessel.with_values({key: round(value, 2) for key, value in sizes.items()})


def _refitted(vessel: Vessel, wish: WishedRange) -> Vessel:
    """The chambers drawn to fit the box with the air that they have come to."""
    keys = [[f"{chamber.name}.{size}_mm" for size in ("length", "width", "height")] for chamber in vessel.chambers]
    sizes = drawn_to_fit(wish, np.array([[vessel.value(key) for key in each] for each in keys]))
    numbers = zip(np.ravel(keys).tolist(), sizes.ravel().tolist(), strict=True)
    return vessel.with_values({key: as_written(key, size) for key, size in numbers})


def _joined(vessel: Vessel, wish: WishedRange) -> Outcome:
    """The whole body tuned: what the common outside changes is taken up by holes and windows, with no wall moved.

    Where that does not do, sizes change too and chambers slide as they grow or shrink, then places of holes; where box
    or mass do not hold, chambers are shaped to nest.
    """
    log.info("tuning %d chambers in one body", len(vessel.chambers))
    windows = _windows(vessel)
    ways = [(["diameters", *windows], "by holes and windows")]
    ways += [(["diameters", "size", "offsets", *windows], "with their sizes and where they stand")]
    ways += [(["holes", "size", "offsets", *windows], "with the places of holes")]
    if _too_much(wish, box_mm(vessel), mass_g(vessel)):
        ways = [(["diameters", "shape", "offsets", *windows], "and shaping them to nest")]
    for free, doing in ways:
        log.info("tuning them %s", doing)
        outcome = _tuned(vessel, free, wish)
        vessel = outcome.vessel
        if outcome.reached or outcome.interrupted:
            break
    return outcome


def _windows(vessel: Vessel) -> list[str]:
    return [f"{chamber.name}.voicing.window_width_mm" for chamber in vessel.chambers]


def _tuned(vessel: Vessel, free: Sequence[str], wish: WishedRange) -> Outcome:
    limits = Limits(box_mm=wish.box_mm, mass_g=wish.mass_g)
    return optimise(vessel, free, limits=limits, keep_best=True, most_steps=_MOST_STEPS, near=False)


# The still piece, where a windway's height changes the jet alone; what playing makes of it is counted once.
_STILL = Setting(state="still")


def _evened(vessel: Vessel) -> tuple[Vessel, float]:
    """The piece with windways of such heights that breath meets at the crossings to the last percent, or as nearly as
    they may be made, and by what percent it still changes there.

    That moves notes by some cents, as a windway is open while it is played: they are tuned afterwards.
    """
    if len(vessel.chambers) == 1:
        return vessel, 0.0
    log.info("making breath meet by the heights of the windways")
    freed = freedom(vessel, "windway")
    as_it_is = (Trial.of(freed, freed.start, setting) for setting in (Setting(), _STILL))
    meeting = Meeting(owed=owed(*as_it_is))
    task = Task(freed, (meeting,), Limits(), _STILL, tolerance=_EVEN * meeting.weight)
    end = rounded(descend(task, freed.start).end).trial
    return end.vessel, meeting.value(end)


def _uneven(vessel: Vessel, before: Vessel) -> float:
    """Largest change of breath where chambers meet, percent; the fields about its windows' edges as they were in a
    design `before`, but for what a law says of the change, as solving each takes seconds."""
    if len(vessel.chambers) == 1:
        return 0.0
    trial, known = Trial.alone(vessel), drawn(before)
    cases = [
        replace(v.case, chamber=replace(v.case.chamber, window=known.chamber(v.chamber).window)) for v in trial.voices
    ]
    voices = [replace(voice, case=case) for voice, case in zip(trial.voices, cases, strict=True)]
    return Meeting().value(trial.sounding(voices))
