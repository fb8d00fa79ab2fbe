"""Surroundings of the chambers: air and breath, clay, the player, the hands, the scale."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated, Any, Literal

from pydantic import Field

from simkit.pitch import tonic_of
from simkit.vessel.part import Clash, Part
from simkit.vessel.values import NumberRange, Percent, Radius, Size, Table, TextRule, Thickness, as_number, read_by

# The ranges of temperature, pressure and carbon dioxide are those that `simkit.air` answers for.
Pressure = Annotated[float, NumberRange(60_000, 110_000)]


class AirState(Part):
    """The air of the room."""

    temperature_c: Annotated[float, NumberRange(0, 40)] = 20.0
    humidity_percent: Percent = 50.0
    pressure_pa: Pressure = 101325.0
    co2_ppm: Annotated[float, NumberRange(0, 10_000)] = 400.0


class Breath(Part):
    """The player's breath at the lips, and the clay that it cools on while the piece is played.

    Carbon dioxide is a share of the dry gas. clay_c: of a piece in warm hands; fresh off the shelf it is the room's.
    """

    temperature_c: Annotated[float, NumberRange(20, 40)] = 34.0  # at the lips, a little cooler than in the chest
    humidity_percent: Percent = 100.0
    co2_percent: Annotated[float, NumberRange(0, 10)] = 4.0  # breathed out at rest [from memory]
    clay_c: Annotated[float, NumberRange(5, 40)] = 30.0  # common practice, no source: palms are 30 to 35


# The constants of the jet by name, those that the design sets; the jet model checks the names.
Jet = Table[Annotated[float, NumberRange(0, above=True)]]


class Player(Part):
    """Who plays: the mouth's air, the face before the window, and fingers over open holes.

    face_mm: from the window to the face, where the windway ends if it is not written. hover_mm: how high raised fingers
    stay over their holes.
    """

    mouth_ml: Annotated[float, NumberRange(10, 150)] = 50.0
    face_mm: Size | None = None
    hover_mm: Size = 20.0


class Hand(Part):
    """Limits of the hands: breadth of a fingertip, least distance of holes, reach. Only what is written applies."""

    fingertip_mm: Size | None = None
    spacing_mm: Size | None = None
    span_mm: Size | None = None


class Scale(Part):
    """The scale to which the notes are tuned."""

    a4_hz: Annotated[float, NumberRange(300, 600)] = 440.0
    temperament: Literal["equal", "just", "pythagorean"] = "equal"
    tonic: Annotated[str, TextRule("a letter A to G, # or b if any, such as C, F# or Bb", read_by(tonic_of))] = "C"


class Clay(Part):
    """The wall of the fired piece, what clay loses from wet to fired, and how rims are rounded by default.

    `between_mm` is the least clay between two chambers of one piece; the wall's where it is not written.
    Shrinkage is linear, as one number or in two steps: (1 - S) = (1 - S_drying)(1 - S_firing) (ASTM C326).

    >>> round(Clay(wall_mm=5, drying_percent=6, firing_percent=6.5).shrinkage_percent, 2)
    12.11
    """

    wall_mm: Thickness
    given_shrinkage_percent: Annotated[float, NumberRange(0, 25)] | None = Field(None, alias="shrinkage_percent")
    drying_percent: Annotated[float, NumberRange(0, 25)] | None = None
    firing_percent: Annotated[float, NumberRange(0, 25)] | None = None
    edge_radius_mm: Radius = 0.3
    edge_inside_radius_mm: Radius = 0.3
    between_mm: Thickness | None = None

    @property
    def least_between_mm(self) -> float:
        """The least clay between two chambers, mm."""
        return self.wall_mm if self.between_mm is None else self.between_mm

    @property
    def shrinkage_percent(self) -> float | None:
        """Wet to fired, linear, in percent of the wet size; None where the design does not say."""
        if self.drying_percent is None or self.firing_percent is None:
            return self.given_shrinkage_percent
        return _both(self.drying_percent, self.firing_percent)

    @classmethod
    def clashes(cls, known: Mapping[str, Any]) -> Iterator[Clash]:
        """Shrinkage given twice or only in part, or more than any clay has."""
        total, drying, firing = (
            as_number(known.get(key)) for key in ("shrinkage_percent", "drying_percent", "firing_percent")
        )
        # Three ways: one number, both steps, or nothing at all.
        if total is not None and (drying is not None or firing is not None):
            allowed = "either shrinkage_percent or both drying_percent and firing_percent"
            yield Clash(("shrinkage_percent",), known["shrinkage_percent"], allowed)
        elif drying is not None and firing is not None:
            if _both(drying, firing) > 25:  # as much as the one number may be
                allowed = f"together with drying_percent at most 25 %, here {_both(drying, firing):.4g} %"
                yield Clash(("firing_percent",), known["firing_percent"], allowed)
        elif drying is not None and known.get("firing_percent") is None:
            yield Clash(("drying_percent",), known["drying_percent"], "only together with firing_percent")
        elif firing is not None and known.get("drying_percent") is None:
            yield Clash(("firing_percent",), known["firing_percent"], "only together with drying_percent")


def _both(drying_percent: float, firing_percent: float) -> float:
    # Each step of what the one before has left.
    return 100 * (1 - (1 - drying_percent / 100) * (1 - firing_percent / 100))
