"""Effect of each part of playing on the notes of a chamber, and the uncertainty of all together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import field
from itertools import chain

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
    openness, playing = openness_of_all(resonator.holes, fingerings), case.playing
    known = tuple(part for part in playing.parts if part in model_of(name).played)
    if not known:
        omega = resonator.lowest(openness)
        return PlayedNotes(omega, np.zeros(len(omega)), cautions=models.left_out(name, case))
    missing = tuple(part for part in playing.parts if part not in known)
    careful = [each for each in able("quick") if set(PARTS) <= set(model_of(each).played)][-1]  # quickest first
    asked = name if model_of(name).quick and not missing else careful
    own, still, ends = playing.only(known), playing.only(()), playing.extremes
    alone = {part: playing.only([part]) for part in playing.parts}
    without = {part: playing.only([other for other in playing.parts if other != part]) for part in playing.parts}
    # One solve for all states of playing, as most parts of their matrices are alike.
    states = list(dict.fromkeys([playing, own, still, *alone.values(), *without.values(), *chain(*ends)]))
    found = dict(zip(states, models.lowest_in_states(asked, case, states, openness), strict=True))

    def moved(to: Playing, start: Playing) -> np.ndarray:
        """Change of the notes from one state to another, cents (n,); 0 where nothing rings."""
        after, before = found[to].real, found[start].real
        rings = (after > 0) & (before > 0)
        return np.asarray(CENTS * np.log(np.where(rings, after, 1.0) / np.where(rings, before, 1.0)))

    # A model that is not quick answers for what it knows itself.
    omega = found[playing] if asked == name else resonator.lowest(openness)
    cautions: tuple[str, ...] = ()
    if missing:
        # What the parts that it does not know would do, by the quick model, on top.
        omega = omega * np.exp(moved(playing, own) / CENTS)
        knows = f"{', '.join(known)} its own; " if known else ""
        others = " and ".join([", ".join(missing[:-1]), missing[-1]] if missing[1:] else missing)
        cautions = (f"{name}: {knows}what {others} move{'s' * (len(missing) == 1)} is by {asked}",)
    # The mean of a part's effect alone and with all others there: so what two parts do to each other, a cent at most,
    # is shared between them, and the parts add up.
    parts = {part: (moved(alone[part], still) + moved(playing, without[part])) / 2 for part in playing.parts}
    spreads = playing.doubts(openness) + [(moved(high, playing) - moved(low, playing)) / 2 for low, high in ends]
    # Of each doubt, what moves all notes alike is of the piece, the rest of the scale.
    common = [float(np.mean(each)) for each in spreads]
    within = [each - mean for each, mean in zip(spreads, common, strict=True)]
    scale = np.sqrt(np.square(within).sum(axis=0)) if within else np.zeros(len(omega))
    return PlayedNotes(omega, scale, parts, float(np.sqrt(np.square(common).sum())), cautions)
