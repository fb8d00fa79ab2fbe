"""The state in which a chamber is asked: played, as a maker's tuner hears it, or still.

Still means: windway shut, the room's air everywhere, covered holes capped flush but for a pad's usual bulge, nobody
near. Playing opens the windway towards a mouth, fills chamber and openings with what the breath makes of their air,
closes holes with flesh, lets raised fingers hover, and sets the player's face and hands beside the piece.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from simkit.body.chambers import ChamberBody
from simkit.errors import Fault, InputError
from simkit.sound.catalogue import PARTS
from simkit.sound.elements.windway import Windway, windway_of
from simkit.sound.models.played_air import PlayedAir, played_air
from simkit.vessel import Vessel

STATES = ("played", "still")


@dataclass(frozen=True)
class Playing:
    """What of the player is counted in; a part that is None is left out. Without any the piece is still."""

    windway: Windway | None = None
    breath: PlayedAir | None = None
    fingers: Any = None
    player: Any = None

    @property
    def parts(self) -> tuple[str, ...]:
        """Names of the parts that are counted in."""
        return tuple(name for name in PARTS if getattr(self, name) is not None)

    def doubts(self, openness: np.ndarray) -> list[np.ndarray]:
        """Half widths in cents (f,) of what is doubtful in the parts that tell it themselves, for (f, holes)."""
        return [] if self.breath is None else self.breath.doubts(openness)

    @property
    def extremes(self) -> tuple[tuple[Playing, Playing], ...]:
        """Low and high of all else about the player that is not known, one doubt at a time."""
        return ()

    def only(self, names: Iterable[str]) -> Playing:
        """The same with these parts alone."""
        kept = set(names)
        return replace(self, **{name: None for name in PARTS if name not in kept})


STILL = Playing()


def playing_of(vessel: Vessel, chamber: ChamberBody) -> Playing:
    """All that playing adds to a chamber of a design; nothing to one without a window, which nobody blows."""
    if chamber.window is None:
        return STILL
    return Playing(windway_of(vessel.chamber(chamber.name)), played_air(vessel, chamber))


def checked_state(state: str) -> str:
    """The state, checked: an InputError for another word."""
    if state not in STATES:
        raise InputError([Fault.of("state", state, ", ".join(STATES))])
    return state
