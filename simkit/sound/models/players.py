"""How far a note depends on who blows: the same instrument before mouths of many kinds."""

from __future__ import annotations

from dataclasses import replace
from importlib import import_module

import numpy as np

from simkit.frozen import frozen
from simkit.sound.catalogue import model_of
from simkit.sound.elements.vocal_tract import PLAYERS, VocalTract
from simkit.sound.models.resonator import Case, Resonator


@frozen
class MouthSpread:
    """Cents (n,) by which notes lie beside those before the mouth of the case: the lowest and the highest of all
    players, and their standard deviation about it."""

    lowest: np.ndarray
    highest: np.ndarray
    deviation: np.ndarray


def mouth_spread(
    model: str, case: Case, openness: np.ndarray, players: tuple[VocalTract, ...] = PLAYERS
) -> MouthSpread:
    """What other mouths than its own would make of the notes of a case, by a model that knows an open windway.

    openness (n, holes): of the fingerings. Nothing where the windway is closed.
    """
    openness = np.atleast_2d(np.asarray(openness, float))
    if case.windway is None:
        nothing = np.zeros(len(openness))
        return MouthSpread(nothing, nothing, nothing)
    home = import_module(model_of(model).home)

    def notes(mouth: VocalTract) -> np.ndarray:
        assert case.windway is not None
        playing = replace(case.playing, windway=replace(case.windway, mouth=mouth))
        asked: Resonator = home.resonator(replace(case, playing=playing))
        return asked.lowest(openness).real

    own = notes(case.windway.mouth)
    beside = 1200 * np.log2(np.stack([notes(mouth) for mouth in players]) / own)
    return MouthSpread(beside.min(axis=0), beside.max(axis=0), np.sqrt(np.square(beside).mean(axis=0)))
