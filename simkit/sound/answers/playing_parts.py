"""Effect of each part of playing on the notes of a chamber, and the uncertainty of all together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import field

import numpy as np

from simkit.frozen import frozen
from simkit.sound import models
from simkit.sound.catalogue import PARTS, able, model_of
from simkit.sound.models.playing import Playing
from simkit.sound.models.resonator import Case, Resonator, openness_of_all

CENTS = 1200 / np.log(2)  # of an e-fold


@frozen
class PlayedNotes:
    """Notes as they are played: complex omega (n,), 0 where nothing rings, by one model.

    parts_cents: by part, its shift of each note from the still one (n,). scale_cents (n,): what the parts'
    doubts leave open of each note against the others; piece_cents: of all notes together.
    """

    omega: np.ndarray
    scale_cents: np.ndarray
    parts_cents: Mapping[str, np.ndarray] = field(default_factory=dict)
    piece_cents: float = 0.0
    cautions: tuple[str, ...] = ()


def played_notes(name: str, resonator: Resonator, case: Case, fingerings: Sequence[Sequence[str]]) -> PlayedNotes:
    """The notes of a chamber by one model in the state of the case, `resonator` the model's answer for it.

    Parts of playing that the model does not know are those of the most careful quick model that knows all; a model that
    knows none answers for the still piece, and that is said.
    """
    openness = openness_of_all(resonator.holes, fingerings)
    known = tuple(part for part in case.playing.parts if part in model_of(name).played)
    if not known:
        omega = resonator.lowest(openness)
        return PlayedNotes(omega, np.zeros(len(omega)), cautions=models.left_out(name, case))
    missing = tuple(part for part in case.playing.parts if part not in known)
    careful = [each for each in able("quick") if set(PARTS) <= set(model_of(each).played)][-1]  # quickest first
    asked = _Asked(name if model_of(name).quick and not missing else careful, case, openness)
    asked.at_once([case.playing.only(known)])  # one solve for all states, as most parts of their matrices are alike
    # A model that is not quick answers for what it knows itself.
    omega = asked.omega(case.playing) if asked.model == name else resonator.lowest(openness)
    cautions: tuple[str, ...] = ()
    if missing:
        # What the parts that it does not know would do, by the quick model, on top.
        omega = omega * np.exp(asked.moved(case.playing, case.playing.only(known)) / CENTS)
        own = f"{', '.join(known)} its own; " if known else ""
        others = " and ".join([", ".join(missing[:-1]), missing[-1]] if missing[1:] else missing)
        cautions = (f"{name}: {own}what {others} move{'s' * (len(missing) == 1)} is by {asked.model}",)
    parts = {part: asked.share(part) for part in case.playing.parts}
    spreads = case.playing.doubts(openness)
    spreads += [
        (asked.moved(high, case.playing) - asked.moved(low, case.playing)) / 2 for low, high in case.playing.extremes
    ]
    # Of each doubt, what moves all notes alike is of the piece, the rest of the scale.
    common = [float(np.mean(each)) for each in spreads]
    within = [each - mean for each, mean in zip(spreads, common, strict=True)]
    scale = np.sqrt(np.square(within).sum(axis=0)) if within else np.zeros(len(omega))
    return PlayedNotes(omega, scale, parts, float(np.sqrt(np.square(common).sum())), cautions)


class _Asked:
    """A quick model asked for the same fingerings with more and less of the player counted in."""

    def __init__(self, model: str, case: Case, openness: np.ndarray) -> None:
        self.model, self.case, self.openness = model, case, openness
        self._known: dict[Playing, np.ndarray] = {}

    def at_once(self, playings: Sequence[Playing]) -> None:
        """Ask for these, and for all states that shares and doubts compare."""
        playing = self.case.playing
        alone = [playing.only([part]) for part in playing.parts]
        without = [playing.only([other for other in playing.parts if other != part]) for part in playing.parts]
        ends = [end for pair in playing.extremes for end in pair]
        every = dict.fromkeys([playing, *playings, playing.only(()), *alone, *without, *ends])
        missing = [each for each in every if each not in self._known]
        found = models.lowest_in_states(self.model, self.case, missing, self.openness)
        self._known.update(zip(missing, found, strict=True))

    def omega(self, playing: Playing) -> np.ndarray:
        """Complex omega (n,), rad/s, in one of the states that were asked."""
        return self._known[playing]

    def share(self, part: str) -> np.ndarray:
        """Cents (n,) by which one part moves the notes: the mean of its effect alone and with all others there.

        So what two parts do to each other, a cent at most, is shared between them, and the parts add up.
        """
        playing = self.case.playing
        without = playing.only([other for other in playing.parts if other != part])
        alone = self.moved(playing.only([part]), playing.only(()))
        return (alone + self.moved(playing, without)) / 2

    def moved(self, to: Playing, start: Playing) -> np.ndarray:
        """Change of the notes from one state to another, cents (n,); 0 where nothing rings."""
        after, before = self.omega(to).real, self.omega(start).real
        rings = (after > 0) & (before > 0)
        return CENTS * np.log(np.where(rings, after, 1.0) / np.where(rings, before, 1.0))
