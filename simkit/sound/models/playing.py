"""The state in which a chamber is asked: played, as a maker's tuner hears it, or still.

Still means: windway shut, the room's air everywhere, covered holes capped flush but for a pad's usual bulge, nobody
near; the wall of its window is even, as the judge meshes it. Playing opens the windway towards a mouth, sees the clay
under its end, fills chamber and openings with what the breath makes of their air, closes holes with flesh, lets raised
fingers hover, and sets the player's face and hands beside the piece.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from functools import lru_cache
from math import radians
from typing import Any

import numpy as np

from simkit.body.chambers import Body, ChamberBody
from simkit.errors import Fault, InputError
from simkit.frozen import frozen
from simkit.sound.catalogue import PARTS
from simkit.sound.elements.floor import Ledge, ledge_of
from simkit.sound.elements.nearby import (
    FACE,
    NOTHING,
    Nearby,
    RigidBall,
    Scatterer,
    Thing,
    clearance_from,
    face,
    hands,
    outer_middle,
)
from simkit.sound.elements.touch import Touch
from simkit.sound.elements.vocal_tract import SPREAD, VocalTract
from simkit.sound.elements.windway import Windway, windway_of
from simkit.sound.models.played_air import PlayedAir, played_air
from simkit.vessel import Player, Vessel

STATES = ("played", "still")


@frozen
class Playing:
    """Parts of the player that are counted in; one that is None is left out. Without any the piece is still.

    floor: the clay that carries the windway's end. others: pairs of what stands near less and more of a player.
    """

    windway: Windway | None = None
    floor: Ledge | None = None
    breath: PlayedAir | None = None
    fingers: Touch | None = None
    player: tuple[Thing, ...] | None = None
    others: tuple[tuple[tuple[Thing, ...], tuple[Thing, ...]], ...] = ()

    @property
    def parts(self) -> tuple[str, ...]:
        """Names of the parts that are counted in."""
        return tuple(name for name in PARTS if getattr(self, name) is not None)

    def doubts(self, openness: np.ndarray) -> list[np.ndarray]:
        """Uncertainties, half widths in cents (f,), of the parts that give their own, for fingerings (f, holes)."""
        return [] if self.breath is None else self.breath.doubts(openness)

    @property
    def extremes(self) -> tuple[tuple[Playing, Playing], ...]:
        """Low and high of all else that is not known, one by one: mouth, clay, flesh, hovering, face, hands."""
        pairs: list[tuple[Playing, Playing]] = []
        if self.windway is not None:
            pairs += [(self._before(name, low), self._before(name, high)) for name, low, high in SPREAD]
        if self.floor is not None:
            little, much = self.floor.ends
            pairs.append((replace(self, floor=little), replace(self, floor=much)))
        if self.fingers is not None:
            for doubt in ("deeper", "stronger"):
                less, more = (replace(self.fingers, **{doubt: sign}) for sign in (-1.0, 1.0))
                pairs.append((replace(self, fingers=less), replace(self, fingers=more)))
        if self.player is not None:
            pairs += [(replace(self, player=low), replace(self, player=high)) for low, high in self.others]
        return tuple(pairs)

    def _before(self, name: str, size: float) -> Playing:
        """Copy before a mouth with another size."""
        assert self.windway is not None
        mouth = replace(self.windway.mouth, **{name: size})
        return replace(self, windway=replace(self.windway, mouth=mouth))

    def only(self, names: Iterable[str]) -> Playing:
        """Copy with these parts alone; without the breath the windway holds the window's air."""
        kept = set(names)
        way = replace(self.windway, air=None) if self.windway and "breath" not in kept else self.windway
        left_out: dict[str, Any] = {name: None for name in PARTS if name not in kept}
        return replace(self, **({"windway": way} | left_out))


STILL = Playing()

HANDS = 0.010  # m of air between hands and clay: common practice, no source; they hold it with finger tips and thumbs
HANDS_SPREAD = 0.025, 0.005  # m: common practice, no source
ROUGH = 9  # `terms` of hands that stand for a doubt alone, which they move by less than 0.003 cents
# Radius of the face and by how much further than the windway it begins, m: a child's at the tip of the windway, a
# large one whose lips take some of it in. Common practice, no source.
FACE_SPREAD = (0.075, 0.005), (0.110, -0.005)
CLEAR = 1e-3  # m that the face keeps off the clay where a short windway would put it there


def playing_of(vessel: Vessel, body: Body, chamber: ChamberBody) -> Playing:
    """All that playing adds to a chamber of a design; nothing to one without a window, which nobody blows."""
    if chamber.window is None:
        return STILL
    mouth = VocalTract(volume=1e-6 * (vessel.player or Player()).mouth_ml)
    air = played_air(vessel, chamber)
    own, palms = _face(vessel, body, chamber), hands(body, HANDS)
    faces = [_face(vessel, body, chamber, radius, further) for radius, further in FACE_SPREAD]
    far, near = (hands(body, gap, ROUGH) for gap in HANDS_SPREAD)
    return Playing(
        windway_of(vessel.chamber(chamber.name), mouth, air.breath, air.breath_per_hertz),
        ledge_of(vessel.chamber(chamber.name)),
        air,
        touch_of(vessel),
        (own, palms),
        (((faces[0], palms), (faces[1], palms)), ((own, far), (own, near))),
    )


def touch_of(vessel: Vessel) -> Touch:
    """Fingers of a design's hand on its holes."""
    tip = None if vessel.hand is None else vessel.hand.fingertip_mm
    hover = 1e-3 * (vessel.player or Player()).hover_mm
    return Touch(hover) if tip is None else Touch(hover, 0.5e-3 * tip)


def _face(vessel: Vessel, body: Body, chamber: ChamberBody, radius: float = FACE, further: float = 0.0) -> RigidBall:
    """The player's face where the design has it, else where the windway ends, and `further` (m), clear of the clay."""
    given, voicing = (vessel.player or Player()).face_mm, vessel.chamber(chamber.name).voicing
    assert voicing is not None and chamber.window is not None
    distance = 1e-3 * (voicing.windway_length_mm if given is None else given) + further
    slope = radians(voicing.windway_slope_deg)
    found = face(chamber.window, distance, radius, slope)
    # A short windway, or one that runs along the piece, would set the ball into the clay.
    while (within := CLEAR - clearance_from(found, body)) > 0:
        distance += 2 * within  # twice, for the clay may slope the way that the face goes
        found = face(chamber.window, distance, radius, slope)
    if given is not None and not further and 1e3 * distance > given:
        allowed = f"at least {1e3 * distance:.0f}: nearer the face is in the clay of {chamber.name}"
        raise InputError([Fault(vessel.source, "player.face_mm", given, allowed)])
    return found


def checked_state(state: str) -> str:
    """The state, checked: an InputError for another word."""
    if state not in STATES:
        raise InputError([Fault.of("state", state, ", ".join(STATES))])
    return state


@lru_cache(maxsize=64)
def nearby_of(body: Body, things: tuple[Thing, ...]) -> Nearby:
    """Correction of the outside's port matrix for things near a body, kept for the states that share it."""
    if not things:
        return NOTHING
    openings = np.array([outer_middle(o) for chamber in body.chambers for o in chamber.all_openings])
    return Nearby.of(things, Scatterer.of(body), openings)
