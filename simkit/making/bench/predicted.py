"""Measurement model of a tuner's reading: h(x), from the resonator model and the state of a piece."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from simkit.body import Made
from simkit.frozen import frozen
from simkit.making.bench.piece import BenchModel, Measurement, Workpiece
from simkit.making.bench.state import StateVector
from simkit.making.shrinkage import CENTS, Shrinkage, Stage

MM = 1e-3
_NARROWEST_MM, _LEAST_SHARE = 0.2, 0.2  # floors of a diameter, and of wall and cut-up, which a far step may undercut


@frozen
class PredictedReadings:
    """h(x) for some configurations (r): cents above 1 Hz and Q (r,), slopes of the cents by the state, H (r, p), and by
    the reported diameters, counted as fired, in mm (r, holes)."""

    cents: np.ndarray
    q: np.ndarray
    slopes: np.ndarray
    by_mm: np.ndarray


@frozen
class Configurations:
    """States of a piece when notes are blown: reported diameters, counted as fired, mm, and which cuts made them,
    from `first` to before `cuts`, and openness (r, holes); stages and changes of the window so far (r).
    """

    reported_mm: np.ndarray
    first: np.ndarray
    cuts: np.ndarray
    openness: np.ndarray
    stages: tuple[Stage, ...]
    windows: np.ndarray

    def __len__(self) -> int:
        return len(self.openness)

    @staticmethod
    def of(piece: Workpiece, reported_mm: np.ndarray, openness: np.ndarray, stage: Stage) -> Configurations:
        """Fingerings (r, holes) of a piece at one stage with holes of these reported diameters (holes,)."""
        r = len(openness)
        first, cuts = (np.tile([getattr(hole, of) for hole in piece.cutting], (r, 1)) for of in ("first", "cuts"))
        return Configurations(
            np.tile(reported_mm, (r, 1)), first, cuts, openness, (stage,) * r, np.full(r, piece.windows)
        )

    @staticmethod
    def blown(measurements: Sequence[Measurement]) -> Configurations:
        """Configurations in which notes were measured."""
        reported, first, cuts = (
            np.array([[getattr(hole, of) for hole in each.cutting] for each in measurements])
            for of in ("mm", "first", "cuts")
        )
        openness = np.array([each.openness for each in measurements])
        windows = np.array([each.windows for each in measurements])
        return Configurations(reported, first, cuts, openness, tuple(each.stage for each in measurements), windows)


@dataclass(frozen=True)
class MeasurementModel:
    """h of a piece: what a tuner should read, from the resonator model and the state."""

    model: BenchModel
    piece: Workpiece
    state: StateVector

    def sizes(self, x: np.ndarray, configurations: Configurations) -> Made:
        """The sizes of the piece in each configuration, for a state x (p,)."""
        u, designed, r = self.state, self.model.designed, len(configurations)
        missed = np.einsum("rhp,p->rh", self._cuts_so_far(configurations), x)  # mm
        reported = configurations.reported_mm
        diameters = np.where(reported > 0, np.maximum(reported + missed, _NARROWEST_MM), 0.0) * MM
        # The window's first: it has no wall of its own.
        walls = designed.walls[0] + MM * (x[u.index("wall")] + np.append(0.0, x[u.own_wall]))
        cut_up = designed.cut_up[0] + MM * self._window_changes(configurations) @ x[u.windows]
        return Made(
            diameters,
            np.tile(np.maximum(walls, _LEAST_SHARE * designed.walls[0]), (r, 1)),
            np.full(r, designed.width[0]),
            np.maximum(cut_up, _LEAST_SHARE * designed.cut_up[0]),
            np.full(r, np.exp(x[u.index("volume")])),
            np.array([self._size(x, stage) for stage in configurations.stages]),
        )

    def predict(self, x: np.ndarray, configurations: Configurations) -> PredictedReadings:
        """h(x) and its slopes; the model's own error of each open hole is added to the cents.

        For the slopes pitch before firing is taken to go as one over size: what the boundary layers at the walls add is
        less than a per cent of them.
        """
        u = self.state
        omega, slopes = self.model.sloped(self.sizes(x, configurations), configurations.openness)
        H = np.zeros((len(configurations), len(u)))
        H[:, u.index("volume")] = slopes.volume
        H[:, u.windows] = MM * slopes.cut_up[:, None] * self._window_changes(configurations)
        H[:, u.index("wall")] = MM * slopes.walls.sum(axis=1)
        H[:, u.own_wall] = MM * slopes.walls[:, 1:]
        by_mm = MM * slopes.diameters
        H += np.einsum("rh,rhp->rp", by_mm, self._cuts_so_far(configurations))
        for n, stage in enumerate(configurations.stages):
            if stage is not Stage.FIRED:
                H[n, u.index(stage.value)] -= 1.0  # d ln f / d ln size
        H *= CENTS  # from d ln f; the model's own error is in cents already
        H[:, u.model] = configurations.openness
        return PredictedReadings(self._cents(x, omega, configurations), omega.real / (2 * omega.imag), H, CENTS * by_mm)

    def cents(self, x: np.ndarray, configurations: Configurations) -> np.ndarray:
        """The cents alone (r,)."""
        omega = self.model.lowest(self.sizes(x, configurations), configurations.openness)
        return self._cents(x, omega, configurations)

    def _cents(self, x: np.ndarray, omega: np.ndarray, configurations: Configurations) -> np.ndarray:
        return 1200 * np.log2(omega.real / (2 * np.pi)) + configurations.openness @ x[self.state.model]

    def _cuts_so_far(self, configurations: Configurations) -> np.ndarray:
        """Incidence (r, holes, p), 1 or 0, of the state's numbers in each hole's diameter: the errors of its cuts."""
        counted = np.zeros((*configurations.reported_mm.shape, len(self.state)))
        for hole, own in enumerate(self.state.cuts):
            for k, place in enumerate(own):
                # Cuts since it was last filled, up to that reading.
                counted[:, hole, place] = (configurations.first[:, hole] <= k) & (k < configurations.cuts[:, hole])
        return counted

    def _window_changes(self, configurations: Configurations) -> np.ndarray:
        """Changes of the window that had been made: (r, windows), 1 or 0."""
        # The first is the window as cut.
        return (np.arange(len(self.state.windows)) <= configurations.windows[:, None]).astype(float)

    def _size(self, x: np.ndarray, stage: Stage) -> float:
        off = 0.0 if stage is Stage.FIRED else x[self.state.index(stage.value)]
        return float(self.piece.shrinkage.size(stage) * np.exp(off))  # the state has logarithms


def uncut_cents(model: BenchModel, shrinkage: Shrinkage) -> dict[Stage, float]:
    """Excess of the covered note's reading at each stage while no hole is cut, cents: at the first blow.

    A covered hole keeps the air of its chimney, which is not there before it is cut:

        cents = 1200 log2(f(no hole, at a stage) (size at that stage) / f(all holes covered, fired))

    so that target/size, the reading with all holes covered, times 2^(cents/1200) is the reading with none. The layers
    of slow air at the walls, which the rule of scaling leaves out, are in it.
    """
    stages = tuple(Stage)
    count, designed = len(stages), model.designed
    # One state for each stage with no hole, and last the fired piece with all holes, covered.
    sizes = np.array([*(shrinkage.size(stage) for stage in stages), 1.0])
    every = designed.rows(np.zeros(count + 1, int))
    cut = np.append(np.zeros(count), 1.0)[:, None]  # 0: no hole is there yet
    pieces: Made = every.but(size=sizes, diameters=every.diameters * cut)
    hz = model.lowest(pieces, np.zeros_like(pieces.diameters)).real
    return {stage: float(1200 * np.log2(hz[n] * sizes[n] / hz[count])) for n, stage in enumerate(stages)}
