"""The bench's estimate of a piece: mean and covariance of everything that it cannot see, from what was measured.

The state x (volume, cut-up, walls, shrinkage still to come, what each cut missed by) has a Gaussian prior of mean 0 and
covariance P; readings are y = h(x) + noise of standard deviation s, with h from the model that the bench is given. The
posterior is found by Gauss-Newton on

    sum ((y - h(x))/s)^2 + x' P^-1 x,        covariance C = (H' S^-2 H + P^-1)^-1,   H = dh/dx

(least squares with a prior: Rodgers 2000, Inverse Methods for Atmospheric Sounding, eqs 5.8 to 5.13 [from memory]).
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np

from simkit.frozen import frozen
from simkit.making.bench.piece import BenchModel, Measurement, Workpiece
from simkit.making.bench.predicted import Configurations, MeasurementModel
from simkit.making.bench.state import Doubts, StateVector
from simkit.making.shrinkage import Stage

_CONVERGED = 0.02  # of a prior standard deviation: a smaller step changes no answer
_STEPS = 8  # of Gauss-Newton, at most; h is nearly linear


@frozen
class Estimate:
    """Mean (p,) and covariance (p, p) of the state after all measurements, and how each reading (n) fits.

    residual_cents: reading less h(mean); left_out_cents: reading less what all the other readings predict (the
    leave-one-out residual), and left_out_sd its standard deviation.
    """

    measurement: MeasurementModel
    doubts: Doubts
    mean: np.ndarray
    cov: np.ndarray
    residual_cents: np.ndarray
    left_out_cents: np.ndarray
    left_out_sd: np.ndarray

    @property
    def piece(self) -> Workpiece:
        """The piece that it is about."""
        return self.measurement.piece

    @cached_property
    def sd(self) -> np.ndarray:
        """Standard deviation of every number of the state (p,)."""
        return np.sqrt(np.diag(self.cov))

    def of(self, name: str) -> tuple[float, float]:
        """Mean and standard deviation of one number of the state."""
        n = self.measurement.state.index(name)
        return float(self.mean[n]), float(self.sd[n])

    @property
    def cut_up_mm(self) -> tuple[float, float]:
        """Excess of the window's cut-up as it is now over the design's, mm, and one standard deviation."""
        own = self.measurement.state.windows
        return float(self.mean[own].sum()), float(np.sqrt(self.cov[np.ix_(own, own)].sum()))

    @property
    def diameters_mm(self) -> np.ndarray:
        """Estimated diameters, counted as fired, mm (holes,); 0 where not cut."""
        piece = self.piece
        # Errors of the cuts since it was last filled add up in what the hole is now.
        missed = [
            float(self.mean[list(own[hole.first :])].sum())
            for own, hole in zip(self.measurement.state.cuts, piece.cutting, strict=True)
        ]
        return np.where(piece.reported_mm > 0, piece.reported_mm + np.array(missed).reshape(-1), 0.0)


def estimated(model: BenchModel, piece: Workpiece, doubts: Doubts | None = None) -> Estimate:
    """The posterior of a piece after all that was measured and every note that was read."""
    doubts = doubts or Doubts()
    measurement = MeasurementModel(model, piece, StateVector.of(piece, doubts))
    # P^-1: the numbers are independent before anything is read.
    precision = np.diag(1 / np.square(measurement.state.sd))
    rows, values, sds = _direct_measurements(measurement, doubts)
    # The prior's mean: the piece as designed.
    x = np.zeros(len(measurement.state))
    y = np.array([each.cents for each in piece.blown])
    for _ in range(_STEPS):
        h, slopes, s = _predicted(measurement, x, piece.blown, doubts)
        # What is linear, water and calliper, stands above the notes.
        H, residual = np.concatenate([rows, slopes]), np.concatenate([values - rows @ x, y - h])
        weight = 1 / np.square(np.concatenate([sds, s]))
        cov = np.linalg.inv(H.T @ (H * weight[:, None]) + precision)
        # The gradient's two parts: readings, and the prior's pull to 0.
        step = cov @ (H.T @ (weight * residual) - precision @ x)
        x = x + step
        # Water and calliper are linear in the state: without a note the first step is exact.
        if not len(piece.blown) or (np.abs(step) <= _CONVERGED * measurement.state.sd).all():
            break
    residual = (residual - H @ step)[len(rows) :]  # after the last step, which is too small to ask the model again
    # Leaving one reading out of a linear fit divides its residual by 1 - leverage (Cook & Weisberg 1982 [from memory]).
    leverage = ((H @ cov) * H).sum(axis=1)[len(rows) :] / np.square(s)
    left = np.maximum(1 - leverage, 1e-9)
    return Estimate(measurement, doubts, x, cov, residual, residual / left, s / np.sqrt(left))


def _direct_measurements(measurement: MeasurementModel, doubts: Doubts) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Water and calliper as rows (m, p) over the state, what they measured, and its standard deviation."""
    u, piece, model = measurement.state, measurement.piece, measurement.model
    rows, values, sds = [], [], []
    for ml, stage in piece.water:
        row = np.zeros(len(u))
        row[u.index("volume")] = 1.0
        if stage is not Stage.FIRED:
            row[u.index(stage.value)] = 3.0  # a volume goes as the cube of the size
        rows.append(row)
        values.append(np.log(1e-6 * ml / (model.volume * piece.shrinkage.size(stage) ** 3)))
        sds.append(doubts.water_ml / ml)  # of the logarithm: the relative doubt
    for thicker in piece.walls:
        row = np.zeros(len(u))
        row[u.index("wall")] = 1.0
        rows.append(row)
        values.append(thicker)
        sds.append(doubts.calliper_mm)
    return np.array(rows).reshape(-1, len(u)), np.array(values), np.array(sds)


def _predicted(
    measurement: MeasurementModel, x: np.ndarray, measurements: Sequence[Measurement], doubts: Doubts
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """h(x) of the readings (n,), its slopes (n, p), and the readings' standard deviations (n,)."""
    if not measurements:
        return np.zeros(0), np.zeros((0, len(x))), np.zeros(0)
    found = measurement.predict(x, Configurations.blown(measurements))
    # The tuner's doubt and the player's breath; both are less for the mean of several readings.
    one = np.hypot([each.doubt_cents for each in measurements], doubts.breath_cents(found.q))
    return found.cents, found.slopes, one / np.sqrt([each.count for each in measurements])


def innovation(estimate: Estimate, measurements: Sequence[Measurement]) -> tuple[np.ndarray, np.ndarray]:
    """New readings less what is predicted without them, and the standard deviation of that, cents (n,)."""
    h, H, s = _predicted(estimate.measurement, estimate.mean, measurements, estimate.doubts)
    y = np.array([each.cents for each in measurements])
    return y - h, np.sqrt(np.einsum("np,pq,nq->n", H, estimate.cov, H) + np.square(s))  # S = H C H' + s^2


def calibration(estimate: Estimate) -> list[tuple[str, float, float]]:
    """Estimates of volume (%), cut-up and wall (mm), and of the shrinkage to come (%): off the design, and one sd."""
    found = []
    for name, key, unit in (
        ("volume_percent", "volume", 100.0),
        ("cut_up_mm", "", 1.0),
        ("wall_mm", "wall", 1.0),
        ("shrinkage_to_come_percent", estimate.piece.stage.value, 100.0),
    ):
        if key != Stage.FIRED.value:
            mean, sd = estimate.of(key) if key else estimate.cut_up_mm
            found.append((name, unit * mean, unit * sd))
    return found
