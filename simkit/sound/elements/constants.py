"""The constants of the jet that carry the doubt, in one place: ratios between notes are surer than any of them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields

import numpy as np

from simkit.errors import Fault, InputError
from simkit.vessel.spelling import did_you_mean

LEAST, MOST = 0.05, 20.0  # limits in a design file: far beyond every published value, and still computable


@dataclass(frozen=True)
class JetConstants:
    """Parameters of a jet at a labium that theory leaves open: plain numbers above 0, set by `[jet]` in a design file.

    half_width: of the jet over the windway's height, b/h. 0.4 keeps the momentum of a parabolic profile; a short,
        wide windway lets out a blunter jet, up to 0.75.
    receptivity: displacement of the jet's root by the window's air, over h v/U. 1 after de la Cuadra 2005, some 4 after
        Fletcher 1976 [Fletcher1976] (v/omega) at the frequencies of play (both from memory).
    growth: of a wave on the jet, over that of the parallel inviscid jet. The most doubtful: it stands in an exponent.
        The two go together. At its playing pressure a jet 4 to 6 heights long moves at the labium 5.7 to 6.1 times as
        far as h v/U with 3 and 0.4; 5.0 to 6.0 with 1 and 1, the parallel jet; 3 to 20 with 1 and the growth that
        de la Cuadra 2005 measured (0.3 to 0.5 per height, from memory). 0.4 by itself is below that growth (0.12 to
        0.16 per height). With 1 and 1 the bare jet's edge tone sounds beside the upper notes, with 1 and 0.8 an
        octave and a half falls silent at its top; neither is common practice (no source). The signs of all trends
        are the same for these pairs, which the tests hold.
    convection: speed of that wave, over that of the parallel inviscid jet. 1.15 makes its 0.35 U at the frequencies
        of play the measured 0.4 U (de la Cuadra 2005, from memory). Sets the playing pressure: p ~ 1/convection^2.
    dipole: strength of the source at the labium, over that of a thin labium in an endless slit.
    window_contraction, hole_contraction: of air torn off at edges, dp = (rho/2) (v/contraction)^2. 0.6 is a sharp
        thin edge (Fabre, Hirschberg & Wijnands 1996 from memory); a duct with sharp rims loses 1.5 velocity heads
        and has 0.82, so holes get 0.7, between. These set the amplitude, and so how far breath bends the note.
    windway_loss: friction in the windway, over that of smooth parallel walls and laminar flow.
    """

    half_width: float = 0.4
    receptivity: float = 3.0
    growth: float = 0.4
    convection: float = 1.15
    dipole: float = 1.0
    window_contraction: float = 0.6
    hole_contraction: float = 0.7
    windway_loss: float = 1.0

    def __post_init__(self) -> None:
        for each in fields(self):
            value = getattr(self, each.name)
            if not (value > 0 and math.isfinite(value)):
                raise InputError([Fault("jet constants", f"jet.{each.name}", value, "a number more than 0")])

    def contractions(self, openings: int) -> np.ndarray:
        """Contraction of the air torn off at each opening's edges, the window first: (openings,)."""
        return np.r_[self.window_contraction, np.full(openings - 1, self.hole_contraction)]

    @classmethod
    def from_table(cls, table: Mapping[str, float], source: str = "design") -> JetConstants:
        """The constants with those of a `[jet]` table in place of the usual ones; every wrong name is reported.

        >>> JetConstants.from_table({"growth": 0.8}).growth
        0.8
        """
        names = [each.name for each in fields(cls)]
        unknown = {key: f"one of {', '.join(names)}{did_you_mean(key, names)}" for key in table if key not in names}
        beyond = [key for key, value in table.items() if key in names and not LEAST <= value <= MOST]
        allowed = unknown | dict.fromkeys(beyond, f"a number from {LEAST:g} to {MOST:g}")
        faults = [Fault(source, f"jet.{key}", table[key], text) for key, text in allowed.items()]
        if faults:
            raise InputError(faults)
        return cls(**table)
