"""The air of the room, of the chamber and of each opening.

The chamber's own temperature hardly counts (its stiffness is gamma times the pressure, whatever the gas's
temperature); the density of the air that moves in the openings does, and the player's breath changes it
(`elements.breath_balance`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from functools import lru_cache

from simkit.air import Air, exhaled, moist_air
from simkit.frozen import frozen
from simkit.vessel import Breath, Vessel


@frozen
class Airs:
    """The room's air, the chamber's, the window's, and each hole's by its name (else the room's)."""

    room: Air
    chamber: Air
    window: Air
    holes: Mapping[str, Air] = field(default_factory=dict)

    @classmethod
    def all_of(cls, air: Air) -> Airs:
        """One air everywhere."""
        return cls(air, air, air)

    def of_hole(self, name: str) -> Air:
        """The air that moves in a hole."""
        return self.holes.get(name, self.room)

    @property
    def cautions(self) -> tuple[str, ...]:
        """Remarks on the validity of these airs' formulas, each once."""
        said = (self.room, self.chamber, self.window, *self.holes.values())
        return tuple(dict.fromkeys(text for air in said for text in air.cautions))


def still_airs(vessel: Vessel) -> Airs:
    """The room's air everywhere: of a piece that nobody blows."""
    state = vessel.air
    return _everywhere(state.temperature_c, state.humidity_percent, state.pressure_pa, state.co2_ppm)


kept_breath = lru_cache(maxsize=64)(exhaled)  # a search asks for the same breath with each design


@lru_cache(maxsize=64)
def _everywhere(*state: float) -> Airs:
    return Airs.all_of(moist_air(*state))


def breath_of(vessel: Vessel) -> Air:
    """The player's breath as `[breath]` describes it, at the room's pressure; an ordinary one without it."""
    given = vessel.breath or Breath()
    return kept_breath(
        given.temperature_c, given.humidity_percent, given.co2_percent, pressure_pa=vessel.air.pressure_pa
    )
