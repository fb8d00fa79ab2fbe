"""A start brought near by what changes most: the openings' ducts and the chambers' sizes; next to no time.

Most of a note's answer to a hole's size is its duct, and to a chamber's size its volume: both far from linear over some
hundred cents, and known without meshing or solving anything. So a descent by these alone, with the field of the start
scaled (`scaled_circuit`) and its rows changed to first order as holes slide, comes within some cents. From there the
field is solved anew, and so on as long as that pays: each solved field corrects the coarse model where it is (space
mapping, Bandler et al. 1994, from memory). What proportions do to the field is left to the descent proper.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from simkit.body import Body
from simkit.body.inspection import lies_on
from simkit.errors import OutOfReach, SimkitError
from simkit.field.reduced.matrices import PortField
from simkit.optimisation.aims.intune import InTune, Measured
from simkit.optimisation.aims.slopes import FixedPoint
from simkit.optimisation.problem.distance import is_place
from simkit.optimisation.problem.free import Freedom
from simkit.optimisation.problem.perturbations import OpeningMoves, aperture_beside, duct_beside
from simkit.optimisation.problem.trial import Neighbour, Setting, Trial, Voice
from simkit.optimisation.search.descent import Iterate, Task, descend
from simkit.optimisation.search.fingerings import chosen_again
from simkit.sound.elements.openings import Aperture, aperture_of
from simkit.sound.models.circuit import Circuit, Duct, WallLoss
from simkit.sound.models.resonator import openness_of
from simkit.vessel import Chamber, Vessel


def growth(before: Body, after: Body) -> tuple[np.ndarray, float]:
    """Factor of growth in length of each port's chamber (n,), and of all the air together; by volumes."""
    pairs = list(zip(before.chambers, after.chambers, strict=True))
    shares = [(new.volume / old.volume) ** (1 / 3) for old, new in pairs]  # as of chambers that keep their proportions
    whole = sum(new.volume for _, new in pairs) / sum(old.volume for old, _ in pairs)
    counts = [len(old.all_openings) for old, _ in pairs]
    return np.repeat(shares, counts), float(whole ** (1 / 3))


def scaled_circuit(
    circuit: Circuit, field: PortField, ducts: Sequence[Duct], grown: np.ndarray, whole: float
) -> Circuit:
    """A circuit with another field and ducts, each port's chamber `grown` (n,) times as long, the outside `whole`.

    By the laws of scale alone. With every length times s a field answers as before at s times the wavelength:
    Z(k; s) = Z(s k; 1)/s, modes k_n/s, volume s^3. A chamber that keeps its proportions obeys that but for its
    openings, which are no larger; one that does not is taken to by its volume, which says most of how it rings.
    """
    ducts = tuple(ducts)
    if whole == 1.0 and (grown == 1.0).all():
        return replace(circuit, field=field, ducts=ducts)
    # Heat goes with the wall's area over the volume; a mode's layer is thicker, too, as its frequency falls.
    of_mode = _of_modes(circuit.field, grown) ** -0.5
    loss = circuit.loss
    loss = WallLoss(loss.uniform / grown, loss.friction * of_mode, loss.heat * of_mode)
    return replace(circuit, field=_scaled_field(field, grown, whole), ducts=ducts, loss=loss)


def _scaled_field(field: PortField, grown: np.ndarray, whole: float) -> PortField:
    # Z ~ 1/length: a port's own entry over its own growth.
    pair = np.sqrt(np.outer(grown, grown))  # entries between chambers are zero
    around = field.around
    return replace(
        field,
        volumes=field.volumes * grown**3,
        static=field.static / pair,
        quadratic=field.quadratic * pair,
        k2=field.k2 / _of_modes(field, grown) ** 2,
        modes=field.modes / grown[:, None] ** 1.5,  # of unit integral of p^2 over a volume s^3 as large
        around=replace(around, terms=around.terms / whole, scale=around.scale * whole, top=around.top / whole),
    )


def _of_modes(field: PortField, grown: np.ndarray) -> np.ndarray:
    """The growth of each mode's chamber (m,)."""
    return grown[np.abs(field.modes).argmax(axis=0)]  # a mode is felt at its own chamber's ports alone


_PAYS = 0.5  # of what the worst note is off: a round that leaves more is the last
_ROUNDS = 5
_LOOK = 3  # steps by which each of several choices is tuned
_CLOSELY = 3  # and how many of them, the best, are tuned to the end
_TRUST = 1.5  # clear changes of a number over which the field is taken to change linearly


@dataclass(frozen=True, eq=False)
class Coarse:
    """The coarse model about a design whose field is known."""

    base: Trial
    moves: OpeningMoves

    @staticmethod
    def about(base: Trial) -> Coarse:
        """The coarse model that is right at `base`."""
        return Coarse(base, OpeningMoves.of(base, _some(base, base.by_openings), exact=False))

    def trial(self, freedom: Freedom, x: np.ndarray, setting: Setting) -> Trial:
        """The design at a point (n,) as it sounds by this model; OutOfReach where an opening reaches past its wall."""
        trial = Trial.of(freedom, x, setting)
        # No mesh is made that would miss it.
        if not all(lies_on(chamber.wall, o) for chamber in trial.body.chambers for o in chamber.all_openings):
            raise OutOfReach("an opening reaches past the wall")
        circuits = self.circuits(x, trial.vessel, trial.body, [aperture_of(o) for o in trial.body.openings])
        return trial.sounding(
            _fingered(voice, circuit, trial.vessel.chamber(voice.chamber))
            for voice, circuit in zip(self.base.voices, circuits, strict=True)
        )

    def circuits(self, x: np.ndarray, vessel: Vessel, body: Body, apertures: Sequence[Aperture]) -> list[Circuit]:
        """The circuit of each voice at a point (n,) with its design, body and openings' apertures."""
        most = _TRUST * self.base.freedom.reach  # beyond which the field goes on as little as it is known
        # The field is scaled with the chamber, so only what a hole moves along the scaled wall is a move of its own.
        moved = np.clip(x / self._lengthened(body) - self.base.x, -most, most)
        # In steps of the neighbours, by which the changes of rows are counted.
        far = moved / np.array([each.step for each in self.base.neighbours])
        field = self.moves.far(self.base.voices[0].resonator.circuit.field, far[self.base.by_openings])
        grown, whole = growth(self.base.body, body)
        rows = [
            (vessel.chamber(chamber.name).voicing if opening is chamber.window else None, opening)
            for chamber in body.chambers
            for opening in chamber.all_openings
        ]
        circuits = []
        for voice in self.base.voices:
            circuit = voice.resonator.circuit
            each = zip(circuit.ducts, rows, apertures, strict=True)
            ducts = [duct_beside(was, opening, a, voicing) for was, (voicing, opening), a in each]
            circuits.append(scaled_circuit(circuit, field, ducts, grown, whole))
        return circuits

    def _lengthened(self, body: Body) -> np.ndarray:
        """By what factor (n,) each number that is a hole's place along a chamber would grow if the hole went along with
        the chamber's wall as that grows in length: the field that is scaled has it there; 1 of all other numbers."""
        each = zip(self.base.body.chambers, body.chambers, strict=True)
        longer = {new.name: float(np.ptp(new.wall.box[:, 1]) / np.ptp(old.wall.box[:, 1])) for old, new in each}
        names = [number.name for number in self.base.freedom.numbers]
        is_along = [".hole." in name and name.endswith(".along_mm") for name in names]
        return np.array(
            [longer[name.partition(".")[0]] if along else 1.0 for name, along in zip(names, is_along, strict=True)]
        )

    def slopes(self, trial: Trial) -> np.ndarray:
        """d cents/dx (f, n) of a trial of this model."""
        voices, neighbours = [FixedPoint(voice) for voice in trial.voices], trial.neighbours
        slopes = np.empty((len(trial.cents), len(neighbours)))
        before = trial.body.openings
        moves = self.moves.beside(before, _some(trial, self.base.by_openings), trial.body)
        for place, n in enumerate(np.flatnonzero(self.base.by_openings).tolist()):
            moved = [v.moved(v.circuit, moves.matrices(v.voice, v.matrices, place)) for v in voices]
            slopes[:, n] = np.concatenate(moved) / neighbours[n].step
        rest = [duct.aperture for duct in trial.voices[0].resonator.circuit.ducts]
        for n in np.flatnonzero(~self.base.by_openings).tolist():
            body = neighbours[n].body
            apertures = [aperture_beside(*each) for each in zip(before, body.openings, rest, strict=True)]
            circuits = self.circuits(trial.x, neighbours[n].vessel, body, apertures)
            moved = [v.moved(circuit) for v, circuit in zip(voices, circuits, strict=True)]
            slopes[:, n] = np.concatenate(moved) / neighbours[n].step
        return slopes


@dataclass(frozen=True)
class _InTuneCoarsely(Measured):
    """In tune by the slopes of the coarse model."""

    # Not an `InTune`: of that a descent leaves notes that only a long way would mend; here a long way costs nothing.
    weight: float
    model: Coarse

    measures: ClassVar[str] = InTune.measures

    def measured(self, trial: Trial) -> np.ndarray:
        return trial.cents

    def slopes(self, trial: Trial) -> np.ndarray:
        return self.weight * self.model.slopes(trial)


def coarse_start(task: Task, start: np.ndarray, far: float = 0.0) -> np.ndarray:
    """`start` (n,) brought nearer to being in tune by the coarse model; `start` itself where that does not help.

    far: cents within which a start is left alone where only openings are free.
    """
    weight = _in_tune_weight(task)
    best = task.recorded(task.evaluated(task.clipped(start)))  # what Ctrl-C leaves, if it comes this early
    if not weight or not _is_scaled(best.trial):
        return start
    enough = max(far, task.tolerance) if best.trial.by_openings.all() else task.tolerance
    for _ in range(_ROUNDS):
        off = best.worst_cents
        near = None if off < enough else foretold(task, best, weight)
        there = near and task.tried(near.x)
        if there is None or there.worst_cents >= off:
            break
        best = task.recorded(there)
        if best.worst_cents > _PAYS * off:  # what is left is the field's, for the descent proper
            break
    return best.x


def coarsely_chosen(task: Task, vessels: Sequence[Vessel]) -> Task:
    """The task for that of some designs which the coarse model about the task's own tunes best.

    They differ in fingerings and hole sizes; what a design's holes come to may call for other combinations again.
    """
    weight = _in_tune_weight(task)
    start = task.evaluated(task.freedom.start)
    if not weight or not _is_scaled(start.trial):
        return task
    # Where a hole lies says little of what it brings: of places no choice is better than another.
    slides = np.array([is_place(number.name) for number in task.freedom.numbers])
    slides &= not slides.all()  # where nothing but places is free they must serve
    start = held_at(start, slides)
    model = Coarse.about(start.trial)
    # trial: designs are made by the model; seen: none of them is one that anybody could keep.
    coarse = replace(start.task, aims=(_InTuneCoarsely(weight, model),), trial=model.trial, seen=None)
    rough = [_tuned(replace(coarse, most_steps=_LOOK), vessel, 0) for vessel in vessels]
    kept = sorted(rough, key=lambda end: end.merit)[:_CLOSELY]  # a few steps tell the hopeless ones
    best = min((_tuned(coarse, end.trial.vessel, x=end.x) for end in kept), key=lambda end: end.merit)
    x = task.freedom.start.copy()  # places as they were
    x[~slides] = best.x
    return replace(task, freedom=task.freedom.of(best.trial.vessel, x))


def held_at(here: Iterate, is_held: np.ndarray) -> Iterate:
    """The same design with those numbers (n,) bool not free."""
    task, trial = here.task, here.trial
    held = [number.name for number, is_it in zip(task.freedom.numbers, is_held, strict=True) if is_it]
    rest = replace(task.freedom.without(held), vessel=trial.vessel)
    rest = rest.of(trial.vessel, trial.x[~is_held])
    metric, center = (None if each is None else each[~is_held] for each in (task.metric, task.center))
    # With the sound that it has: nothing is solved anew.
    held_trial = Trial(rest, trial.x[~is_held], trial.setting, trial.vessel, trial.body).sounding(trial.voices)
    return Iterate(replace(task, freedom=rest, metric=metric, center=center), held_trial, here.residuals, here.left)


def _tuned(coarse: Task, vessel: Vessel, rounds: int = 4, x: np.ndarray | None = None) -> Iterate:
    """A design, at `x` (n,) or as it has its numbers, tuned by the coarse model, its fingerings chosen anew as long as
    that helps."""
    freed = coarse.freedom.of(vessel, x)
    end = descend(replace(coarse, freedom=freed), freed.start).end
    for _ in range(rounds):
        again = None if end.worst_cents < coarse.tolerance else chosen_again(end.trial)
        there = again and descend(replace(coarse, freedom=freed.of(again, end.x)), end.x).end
        if not there or there.merit >= end.merit:
            break
        end = there
    return end


def _fingered(voice: Voice, circuit: Circuit, chamber: Chamber) -> Voice:
    """A voice with another circuit, and the fingerings of a chamber like its own."""
    resonator = replace(voice.resonator, circuit=circuit)
    openness = np.array([openness_of(resonator.holes, note.open) for note in chamber.notes])
    return replace(voice, notes=chamber.notes, openness=openness, resonator=resonator)


def foretold(task: Task, here: Iterate, weight: float) -> Iterate | None:
    """The design to which the coarse model leads from here, as it would sound by it; None where there is none."""
    model = Coarse.about(here.trial)
    aims = (_InTuneCoarsely(weight, model),)
    try:
        return descend(replace(task, aims=aims, trial=model.trial, seen=None), here.x).end
    except SimkitError:
        return None


def is_known(task: Task, start: Iterate) -> bool:
    """Whether the coarse model knows all that is free and wanted at a start."""
    in_tune = len(task.aims) == 1 and _in_tune_weight(task) > 0
    return in_tune and _is_scaled(start.trial)


def _some(trial: Trial, kept: np.ndarray) -> list[Neighbour]:
    return [trial.neighbours[n] for n in np.flatnonzero(kept)]


def _in_tune_weight(task: Task) -> float:
    """Weight of being in tune among the aims; 0 where that is none of them."""
    return next((aim.weight for aim in task.aims if isinstance(aim, InTune)), 0.0)


def _is_scaled(trial: Trial) -> bool:
    """Whether the coarse model knows what is free: openings and walls, not the air or a windway by itself."""
    # What neither moves openings alone nor a wall is a windway's height.
    return all(
        by_openings or (neighbour.vessel.air == trial.vessel.air and not neighbour.has_walls_of(trial))
        for by_openings, neighbour in zip(trial.by_openings, trial.neighbours, strict=True)
    )
