"""A design on trial: one point of its freedom, the body that it makes, and the pitches of its notes."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from simkit.body import Body, ChamberBody, Opening, Wall
from simkit.body.assembly import chamber_body, figure_of, hole_opening, thickness_of, window_opening
from simkit.errors import Fault
from simkit.frozen import frozen
from simkit.optimisation.problem.free import Freedom
from simkit.sound import models
from simkit.sound.models.ports import PortsResonator, resonator
from simkit.sound.models.resonator import Case, openness_of
from simkit.vessel import Chamber, DesignError, Hole, Note, Vessel, target_of


@dataclass(frozen=True)
class Setting:
    """Conditions for which the notes are tuned: friction left out or not, the piece played or still.

    pairs: notes (chamber, pitch) in unison with a third, another chamber whose covered note is one pitch with theirs:
    of the two resonances the mean is tuned, which is where the note would be with that chamber's window covered.
    """

    lossless: bool = False
    state: str = "played"
    pairs: tuple[tuple[str, str, str], ...] = ()


@frozen
class Voice:
    """A chamber with its notes: openness (f, holes), target frequencies in Hz (f,), and what answers for its sound."""

    chamber: str
    notes: tuple[Note, ...]
    openness: np.ndarray
    targets: np.ndarray
    case: Case
    resonator: PortsResonator

    @cached_property
    def omega(self) -> np.ndarray:
        """Complex frequencies of the notes with one air for all of them, rad/s (f,): what moves with the design."""
        return self.resonator.in_one_air(self.openness)

    @cached_property
    def played(self) -> np.ndarray:
        """Real frequencies of the notes, rad/s (f,), each in the air that the breath leaves in it."""
        # The change of air from note to note as a factor, so that one solve serves all notes.
        return self.omega.real * self.resonator.drift(self.openness)

    @property
    def cents(self) -> np.ndarray:
        """Deviation of each note from its target, cents (f,)."""
        return 1200 * np.log2(self.played / (2 * np.pi * self.targets))


@dataclass(frozen=True, eq=False)
class Trial:
    """The design at a point `x` of a freedom. What costs time is computed when it is first asked for."""

    freedom: Freedom
    x: np.ndarray
    setting: Setting
    vessel: Vessel
    body: Body

    @staticmethod
    def of(freedom: Freedom, x: np.ndarray, setting: Setting = Setting()) -> Trial:
        """The design at `x`; DesignError where its numbers do not go together or an opening has no place.

        Whether it can be made of clay is looked into when its sound is first asked for.
        """
        vessel = freedom.at(x)
        return Trial(freedom, np.array(x, float), setting, vessel, drawn(vessel))

    @staticmethod
    def alone(vessel: Vessel, setting: Setting = Setting()) -> Trial:
        """A design by itself, nothing in it free."""
        return Trial.of(Freedom(vessel, ()), np.zeros(0), setting)

    def sounding(self, voices: Iterable[Voice]) -> Trial:
        """This design with a sound that is known already, or taken to be."""
        self.__dict__["voices"] = tuple(voices)  # what the cached property would solve for
        return self

    @cached_property
    def cases(self) -> tuple[Case, ...]:
        """Cases for the models; DesignError where the body cannot be made."""
        return models.cases(self.vessel, lossless=self.setting.lossless, state=self.setting.state)

    @cached_property
    def voices(self) -> tuple[Voice, ...]:
        """The chambers that have notes."""
        voices = []
        for chamber, case in zip(self.vessel.chambers, self.cases, strict=True):
            if chamber.notes:
                holes = tuple(hole.name for hole in chamber.holes)
                openness = np.array([openness_of(holes, note.open) for note in chamber.notes])
                self._check_not_silent(chamber, openness)
                targets = np.array([target_of(self.vessel, note) for note in chamber.notes])
                found = self._paired(chamber, resonator(case))
                voices.append(Voice(chamber.name, chamber.notes, openness, targets, case, found))
        return tuple(voices)

    def _check_not_silent(self, chamber: Chamber, openness: np.ndarray) -> None:
        """Refuse notes that have no frequency to be tuned: of a chamber without a window, with all holes covered."""
        if chamber.voicing is None and not openness.any(axis=1).all():
            silent = [note for note, row in zip(chamber.notes, openness, strict=True) if not row.any()]
            allowed = "a hole that is open, or a [chamber.voicing]: nothing lets this note ring"
            raise DesignError(
                [Fault(self.vessel.source, f"{chamber.name}.note.{n.pitch}", None, allowed) for n in silent]
            )

    def _paired(self, chamber: Chamber, found: PortsResonator) -> PortsResonator:
        """The chamber's resonator, with the window of the other one covered for each note that is one of a pair."""
        pairs = {(pitch, other) for name, pitch, other in self.setting.pairs if name == chamber.name}
        if not pairs:
            return found
        whose = [name for name, _ in found.field.names]
        # Openness of every port beside this chamber: windows open, holes covered; then the pair's other window shut.
        states = np.tile(found.field.windows.astype(float), (len(chamber.notes), 1))
        for n, note in enumerate(chamber.notes):
            for other in (other for pitch, other in pairs if pitch == note.pitch):
                states[n, [name == other for name in whose]] = 0.0
        return found.beside_others(states)  # note by note: only those of a pair have that window shut

    @cached_property
    def cents(self) -> np.ndarray:
        """Deviation of every note of every chamber from its target, cents (f,)."""
        return np.concatenate([voice.cents for voice in self.voices])

    @property
    def notes(self) -> tuple[str, ...]:
        """The notes in the order of `cents`, by chamber and pitch where there are several chambers."""
        several = len(self.vessel.chambers) > 1
        return tuple(f"{v.chamber}.{n.pitch}" if several else n.pitch for v in self.voices for n in v.notes)

    @cached_property
    def neighbours(self) -> tuple[Neighbour, ...]:
        """The design with each of its free numbers a small step further."""
        return tuple(self.perturbed(n, number.step) for n, number in enumerate(self.freedom.numbers))

    @cached_property
    def by_openings(self) -> np.ndarray:
        """Mask (n,) of the free numbers that move nothing but openings, so that no mesh is made anew for them."""
        return np.array([neighbour.moves_openings_only(self) for neighbour in self.neighbours], bool)

    def perturbed(self, n: int, step: float) -> Neighbour:
        """The design with free number `n` a step further."""
        return self.beside(self.freedom.beside(self.vessel, n, step), step)

    def beside(self, vessel: Vessel, step: float) -> Neighbour:
        """A design that differs from this one by a small step; derivatives come out per unit of it."""
        return Neighbour(vessel, body_beside(self.vessel, self.body, vessel), step)


@dataclass(frozen=True)
class Neighbour:
    """A design that differs from the one on trial by a small step of one number."""

    vessel: Vessel
    body: Body
    step: float

    def moves(self, body: Body) -> list[tuple[int, Opening]]:
        """Rows of the openings that are not where or what they are in `body`, and what takes their place."""
        pairs = zip(self.body.openings, body.openings, strict=True)
        # Identity, not equality: `body_beside` hands on the openings that are alike.
        return [(row, new) for row, (new, old) in enumerate(pairs) if new is not old]

    def has_walls_of(self, trial: Trial) -> bool:
        """Whether the walls and the clay around them are the trial's."""
        walls = [chamber.wall for chamber in self.body.chambers]
        same = walls == [chamber.wall for chamber in trial.body.chambers]
        return same and (self.body.thickness, self.body.figure) == (trial.body.thickness, trial.body.figure)

    def moves_openings_only(self, trial: Trial) -> bool:
        """Whether nothing that sounds differs from the design on trial but openings."""
        same_air = self.vessel.air == trial.vessel.air
        return same_air and self._has_windways_of(trial) and self.has_walls_of(trial)

    def _has_windways_of(self, trial: Trial) -> bool:
        """Whether windways sound as the trial's but where they go with a window that moves, as part of its duct."""
        if trial.setting.state == "still":
            return True
        voicings = zip(self.vessel.chambers, trial.vessel.chambers, strict=True)
        windows = zip(self.body.chambers, trial.body.chambers, strict=True)
        return all(
            # A windway that changes while its window stays would be left out of the opening's row.
            new.voicing == old.voicing or moved.window is not was.window
            for (new, old), (moved, was) in zip(voicings, windows, strict=True)
        )


def check_notes(vessel: Vessel) -> None:
    """Refuse a design without a note to tune to."""
    if not any(chamber.notes for chamber in vessel.chambers):
        raise DesignError([Fault(vessel.source, "chamber.note", None, "at least one note to tune to")])


def drawn(vessel: Vessel) -> Body:
    """The body of a design, unlooked at; DesignError where an opening has no place at all."""
    try:
        figure = figure_of(vessel)
        chambers = tuple(chamber_body(vessel, chamber, figure) for chamber in vessel.chambers)
    except ValueError as why:
        raise DesignError([Fault(vessel.source, "an opening", None, str(why))]) from why
    # Not inspected: a search looks at many bodies that it only passes.
    return Body(chambers, thickness_of(vessel))


def body_beside(vessel: Vessel, body: Body, other: Vessel) -> Body:
    """The body of a design `other` that differs a little from `vessel` with `body`; openings alike are the same.

    A figure's outer surface stays as it is while only openings and the air in it move: its mouthpiece, whose place goes
    with the window's, would make another mesh of it for a change of the second order.
    """
    if (other.clay.wall_mm, other.outside, other.parts) != (vessel.clay.wall_mm, vessel.outside, vessel.parts):
        return drawn(other)
    # A figure made of the chambers' own clay changes with them.
    if body.figure is not None and vessel.outside is None and _shapes(vessel) != _shapes(other):
        return drawn(other)
    chambers = [
        _chamber_beside(vessel, was, old, other, new)
        for was, old, new in zip(body.chambers, vessel.chambers, other.chambers, strict=True)
    ]
    return replace(body, chambers=tuple(chambers))


def _shapes(vessel: Vessel) -> list[tuple[object, ...]]:
    return [(chamber.shape, chamber.offset_mm, chamber.turn_deg) for chamber in vessel.chambers]


def _chamber_beside(vessel: Vessel, was: ChamberBody, old: Chamber, other: Vessel, new: Chamber) -> ChamberBody:
    if (old.shape, old.offset_mm, old.turn_deg) != (new.shape, new.offset_mm, new.turn_deg):
        return chamber_body(other, new, was.figure)
    window, clay = was.window, vessel.clay == other.clay  # [clay] gives rims and walls that openings leave out
    if new.voicing is not None and not (clay and new.voicing == old.voicing):
        window = window_opening(other, was.wall, new.voicing, was.figure)
    openings = tuple(
        opening if clay and hole == before else _hole_beside(opening, before, other, was.wall, hole, was.figure)
        for opening, before, hole in zip(was.openings, old.holes, new.holes, strict=True)
    )
    return replace(was, window=window, openings=openings)


def _hole_beside(
    opening: Opening, before: Hole, vessel: Vessel, wall: Wall, hole: Hole, figure: Wall | None
) -> Opening:
    """A hole's opening, seeking its place on the wall only where that has changed."""
    if opening.figure is not None or (hole.along_mm, hole.around_deg) != (before.along_mm, before.around_deg):
        return hole_opening(vessel, wall, hole, figure)
    full = vessel.with_clay(hole)  # what the hole leaves to [clay]
    sizes = (hole.diameter_mm / 2, full.wall_mm, full.edge_radius_mm, full.edge_inside_radius_mm)
    radius, length, rim, inside_rim = (1e-3 * float(size or 0.0) for size in sizes)
    return replace(opening, radius=radius, length=length, rim=rim, inside_rim=inside_rim, duct=hole.duct)
