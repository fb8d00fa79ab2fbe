"""Readings of each note on the tuner at each stage, so that it is in tune after the kiln.

Pitch goes as one over size: a piece that is still 5 % too long is 84 cents flat. That is exact for a shape of one
scale without friction. The layers of slow air on walls and rims (a tenth of a millimetre) do not scale with the
piece; what they change from wet to fired is a cent or two for ordinary holes, more for holes under 4 mm.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from simkit.air import moist_air
from simkit.errors import Fault, InputError
from simkit.making.shrinkage import Shrinkage, Stage
from simkit.pitch import Pitch, Tuning, cents
from simkit.vessel import AirState, Vessel

# Error of the rule f ~ 1/size, in cents (see above).
RULE_DOUBT_CENTS = 2.0


@dataclass(frozen=True)
class StageReading:
    """Reading of the tuner for one note at one stage.

    `cents` from the note's target; `uncertainty_cents` one standard deviation, from the shrinkage still to come and
    from the rule of scaling; `nearest` the note of the scale that lies nearest, and how far above it the reading is.
    """

    stage: Stage
    frequency_hz: float
    cents: float
    uncertainty_cents: float
    nearest: Pitch
    nearest_cents: float


def readings(
    target_hz: float,
    shrinkage: Shrinkage,
    tuning: Tuning | None = None,
    *,
    air_ratio: float = 1.0,
    higher_cents: Mapping[Stage, float] | None = None,
) -> tuple[StageReading, ...]:
    """Readings of one note at all four stages, wet first, for the fired piece to play it at `target_hz`.

    air_ratio: sound speed in today's air over that in the design's; higher_cents: by which the piece as it then is
    reads higher than with all holes cut (`bench.predicted.uncut_cents`).

    >>> clay = Shrinkage.of(drying=0.05, firing=0.05)
    >>> wet, leather, dry, fired = readings(523.25, clay)
    >>> round(wet.frequency_hz, 2), round(wet.cents, 1), str(wet.nearest), round(wet.nearest_cents, 1)
    (472.23, -177.6, 'Bb4', 22.4)
    """
    tuning, found = tuning or Tuning(), []
    for stage in Stage:
        finished = target_hz if higher_cents is None else target_hz * 2 ** (higher_cents[stage] / 1200)
        # f goes as c over size: in warmer air, and smaller, it sounds higher.
        frequency = finished * air_ratio / shrinkage.size(stage)
        nearest, above = tuning.nearest(frequency)
        doubt = (shrinkage.doubt_cents(stage) ** 2 + (0.0 if stage is Stage.FIRED else RULE_DOUBT_CENTS) ** 2) ** 0.5
        found.append(StageReading(stage, frequency, cents(frequency, target_hz), doubt, nearest, above))
    return tuple(found)


def at_temperature(vessel: Vessel, temperature_c: float) -> AirState:
    """The design's air at another temperature; InputError outside 0 to 40 degC."""
    try:
        return AirState.model_validate({**vessel.air.model_dump(), "temperature_c": temperature_c})
    except ValueError:  # pydantic's own words speak of a file, and here is none
        raise InputError([Fault.of("temperature_c", temperature_c, "a number from 0 to 40")]) from None


def air_ratio(design: AirState, today: AirState | None) -> float:
    """Speed of sound in today's room air over that in the design's: a degree is about 3 cents."""
    if today is None:
        return 1.0
    now, planned = (
        moist_air(air.temperature_c, air.humidity_percent, air.pressure_pa, air.co2_ppm) for air in (today, design)
    )
    return now.sound_speed / planned.sound_speed
