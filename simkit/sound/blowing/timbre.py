"""Timbre of a steady note in a few numbers that a page can make it from: level, partials, attack, breath noise.

Level and partials are those of the harmonic balance (`overtones`): of a piece small against the wave the room gets the
sum of its flows, p_n = rho n omega |U_n|/(4 pi r). The attack is the growth of a small swing before the jet (`growth`).

The breath that stays noise is no part of the model; its level here is an estimate to a factor of ten. Turbulence at an
edge radiates as dipoles do, 0.1 M^3 of the jet's power (Curle 1955, Proc. R. Soc. A 231, 505, from memory; the factor
has no source), M the jet's speed over that of sound, about f = 0.2 U/h.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from simkit.sound.blowing.behaviour import Blown
from simkit.sound.blowing.growth import growing
from simkit.sound.blowing.overtones import harmonics

_STROUHAL = 0.2  # of the noise's middle: common practice for jets, no source
_EFFICIENCY = 0.1
_SLOWEST = 3.0  # 1/s: a note that hardly grows by itself is started by tongue or breath


@dataclass(frozen=True)
class Timbre:
    """A note to be heard. level_pa: amplitude of its first partial 1 m away; partials: amplitudes over the first's;
    growth_per_s: of a small swing's amplitude; noise: rms of the breath's noise over the tone's, about noise_hz."""

    level_pa: float
    partials: tuple[float, ...]
    growth_per_s: float
    noise: float
    noise_hz: float

    def as_dict(self) -> dict[str, Any]:
        """The tone under the keys of the command line's JSON."""
        return {**vars(self), "partials": list(self.partials)}


def timbre(blown: Blown) -> tuple[Timbre | None, ...]:
    """The tones of all fingerings at their playing pressures; None where nothing speaks.

    Where an overtone falls on a higher resonance the balance is not to be trusted (`overtones`): no partial is taken to
    be louder than the next lower one of its kind, even or odd.
    """
    loop, cycle, air = blown.loop, blown.cycle, blown.loop.motion.air
    live = blown.speaks & cycle.exists
    flow = np.abs(harmonics(loop, cycle))
    order = np.arange(1, flow.shape[1] + 1)
    level = air.density * cycle.omega[:, None] * order * flow / (4 * np.pi)
    for n in range(2, level.shape[1]):
        level[:, n] = np.minimum(level[:, n], level[:, n - 2])
    speed = np.where(live, cycle.speed, loop.jet.speed(100.0))  # of what is silent any: it is left out below
    growth = np.maximum(growing(loop.pure, speed).rate, _SLOWEST)  # from silence: before there are overtones
    # W of a point source in free space from its amplitude p at 1 m: 2 pi p^2/(rho c).
    tone = 2 * np.pi * np.square(level).sum(axis=1) / (air.density * air.sound_speed)
    noise = np.sqrt(_EFFICIENCY * blown.breath_power * (speed / air.sound_speed) ** 3 / tone)
    return tuple(
        Timbre(
            float(level[i, 0]),
            tuple((level[i] / level[i, 0]).tolist()),
            float(growth[i]),
            float(min(noise[i], 1.0)),  # no more noise than tone: the estimate is to a factor of ten
            float(_STROUHAL * speed[i] / loop.jet.height),
        )
        if ok
        else None
        for i, ok in enumerate(live)
    )
