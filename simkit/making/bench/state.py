"""The state that the bench estimates: everything about a piece that it cannot see, with its prior."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simkit.frozen import frozen
from simkit.making.bench.piece import Cutting, Workpiece
from simkit.making.shrinkage import CENTS, Stage

# The fired piece is the reference: the sizes at these stages relative to it are uncertain.
_BEFORE_FIRING = (Stage.WET, Stage.LEATHER_HARD, Stage.BONE_DRY)


@dataclass(frozen=True)
class Doubts:
    """Prior uncertainties, one standard deviation each: common practice, no source.

    hole_mm: a hole as reported against as cut; step_mm: what each further cut adds to that; changed_mm: a window that
    was changed on purpose; unreported: share of the diameter of a hole whose size nobody reported; model_cents: error
    of the model itself, for each open hole; breath: share by which a player misses the breath, where playing lowers Q
    to 1/playing_q of that of a faint tone.
    """

    volume: float = 0.03
    water_ml: float = 0.5
    cut_up_mm: float = 0.3
    wall_mm: float = 0.3
    calliper_mm: float = 0.1
    own_wall_mm: float = 0.2
    hole_mm: float = 0.1
    step_mm: float = 0.03
    unreported: float = 0.15
    changed_mm: float = 1.0
    model_cents: float = 4.0
    breath: float = 0.05
    playing_q: float = 3.5

    def breath_cents(self, q: np.ndarray) -> np.ndarray:
        """Bend of a note by a missed breath, cents: d ln f / d ln p = pi/(8 Q) where the jet drives it best."""
        return CENTS * self.breath * np.pi * self.playing_q / (8 * q)


@frozen
class StateVector:
    """Layout of the state: names of its numbers, their prior standard deviations, and those that belong to each hole.

    volume (log), cut_up and wall (mm), wet, leather-hard, bone dry (log of the size before firing); what each later
    change of the window added to cut_up (mm); then of each hole its own wall (mm), the model's error (cents), and what
    each of its cuts missed by (mm). All are differences from the design, with prior mean 0.
    """

    names: tuple[str, ...]
    sd: np.ndarray
    windows: np.ndarray
    own_wall: np.ndarray
    model: np.ndarray
    cuts: tuple[tuple[int, ...], ...]

    @staticmethod
    def of(piece: Workpiece, doubts: Doubts) -> StateVector:
        """The state of a piece with the cuts and window changes that it has had so far."""
        given = [("volume", doubts.volume), ("cut_up", doubts.cut_up_mm), ("wall", doubts.wall_mm)]
        # A shrinkage that is known for sure has doubt 0, which has no inverse.
        given += [(stage.value, max(piece.shrinkage.doubt(stage), 1e-9)) for stage in _BEFORE_FIRING]
        windows = np.array([1, *range(len(given), len(given) + piece.windows)])  # 1 is the place of cut_up
        given += [(f"cut_up, change {n + 1}", doubts.changed_mm) for n in range(piece.windows)]
        first = len(given)
        given += [(f"hole {hole} wall", doubts.own_wall_mm) for hole in piece.holes]
        given += [(f"hole {hole} model", doubts.model_cents) for hole in piece.holes]
        places: list[tuple[int, ...]] = []
        for hole, cutting in zip(piece.holes, piece.cutting, strict=True):
            places.append(
                tuple(range(len(given), len(given) + cutting.cuts))
            )  # filled ones too: older notes were read with them
            given += [(f"hole {hole} cut {k + 1}", _cut_doubt(cutting, k, doubts)) for k in range(cutting.cuts)]
        # Own walls of all holes, then the model's errors of all: two runs of numbers, so slices do.
        count = len(piece.holes)
        names, sd = zip(*given, strict=True)
        return StateVector(
            names,
            np.array(sd),
            windows,
            np.arange(first, first + count),
            np.arange(first + count, first + 2 * count),
            tuple(places),
        )

    def __len__(self) -> int:
        return len(self.names)

    def index(self, name: str) -> int:
        """The place of a number in the state."""
        return self.names.index(name)


def _cut_doubt(cutting: Cutting, k: int, doubts: Doubts) -> float:
    if k > cutting.first:
        return doubts.step_mm  # a further cut adds the error of what it took off, no more
    # Of cuts that were filled again nothing better is known than of a first one.
    return doubts.hole_mm if cutting.reported or k < cutting.first else doubts.unreported * cutting.mm
