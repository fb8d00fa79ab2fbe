"""What the bench believes of a piece: everything that it cannot see, each with its doubt, updated by what was heard.

Unknowns x have a Gaussian prior; readings are y = h(x) + noise with h from the model that the bench was handed. The
posterior is found by Gauss-Newton on

    sum ((y - h(x))/s)^2 + x' P^-1 x,        covariance (J' S^-2 J + P^-1)^-1

(least squares with a prior: Rodgers 2000, Inverse Methods for Atmospheric Sounding, eqs 5.8 to 5.13 [from memory]).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from simkit.body import Made
from simkit.frozen import frozen
from simkit.making.bench.piece import Cutting, Measurement, Model, Workpiece
from simkit.making.shrinkage import CENTS, Stage

MM = 1e-3
_BEFORE_FIRING = (Stage.WET, Stage.LEATHER_HARD, Stage.BONE_DRY)
_SETTLED = 0.02  # of a standard deviation
_STEPS = 8


@dataclass(frozen=True)
class Doubts:
    """How far things may be off before they are measured, as one standard deviation: common practice, no source.

    hole_mm: a hole as told against as cut; step_mm: what each further cut adds to that; changed_mm: a window that was
    changed on purpose; untold: share of the diameter of a hole that nobody told of; model_cents: what the model itself
    leaves open, a hole; breath: share by which a breath is missed, where playing lowers Q to 1/playing_q of that of a
    faint tone.
    """

    volume: float = 0.03
    water_ml: float = 0.5
    cut_up_mm: float = 0.3
    wall_mm: float = 0.3
    calliper_mm: float = 0.1
    own_wall_mm: float = 0.2
    hole_mm: float = 0.1
    step_mm: float = 0.03
    untold: float = 0.15
    changed_mm: float = 1.0
    model_cents: float = 4.0
    breath: float = 0.05
    playing_q: float = 3.5

    def breath_cents(self, q: np.ndarray) -> np.ndarray:
        """How far a missed breath bends a note: d ln f / d ln p = pi/(8 Q) where the jet drives it best."""
        return CENTS * self.breath * np.pi * self.playing_q / (8 * q)


@frozen
class Unknowns:
    """The unknowns of a piece by name with their prior standard deviations, and where each hole's stand.

    volume (log), cut_up and wall (mm), wet, leather-hard, bone dry (log of the size before firing); what each later
    change of the window added to cut_up (mm); then of each hole its own wall (mm), the model's error (cents), and what
    each of its cuts was off (mm).
    """

    names: tuple[str, ...]
    sd: np.ndarray
    windows: np.ndarray
    own_wall: np.ndarray
    model: np.ndarray
    cuts: tuple[tuple[int, ...], ...]

    @staticmethod
    def of(piece: Workpiece, doubts: Doubts) -> Unknowns:
        """The unknowns that matter for a piece as it is."""
        given = [("volume", doubts.volume), ("cut_up", doubts.cut_up_mm), ("wall", doubts.wall_mm)]
        given += [(stage.value, max(piece.shrinkage.doubt(stage), 1e-9)) for stage in _BEFORE_FIRING]
        windows = np.array([1, *range(len(given), len(given) + piece.windows)])
        given += [(f"cut_up, change {n + 1}", doubts.changed_mm) for n in range(piece.windows)]
        first = len(given)
        given += [(f"hole {hole} wall", doubts.own_wall_mm) for hole in piece.holes]
        given += [(f"hole {hole} model", doubts.model_cents) for hole in piece.holes]
        places: list[tuple[int, ...]] = []
        for hole, cutting in zip(piece.holes, piece.cutting, strict=True):
            places.append(tuple(range(len(given), len(given) + cutting.cuts)))
            given += [(f"hole {hole} cut {k + 1}", _cut_doubt(cutting, k, doubts)) for k in range(cutting.cuts)]
        count = len(piece.holes)
        names, sd = zip(*given, strict=True)
        return Unknowns(
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
        """Where one stands."""
        return self.names.index(name)


def _cut_doubt(cutting: Cutting, k: int, doubts: Doubts) -> float:
    if k > cutting.first:
        return doubts.step_mm
    # Of cuts that were filled again nothing better is known than of a first one.
    return doubts.hole_mm if cutting.told or k < cutting.first else doubts.untold * cutting.mm


@frozen
class Seen:
    """What the model says of some states (r) of a piece: cents above 1 Hz and Q (r,), slopes of the cents by the
    unknowns (r, p) and by the diameters as told, counted as fired, in mm (r, holes)."""

    cents: np.ndarray
    q: np.ndarray
    slopes: np.ndarray
    by_mm: np.ndarray


@frozen
class States:
    """States of a piece that the model can be asked about: diameters as told, counted as fired, mm, which cuts made
    them, from `first` to before `cuts`, and openness (r, holes); stages and changes of the window so far (r)."""

    told_mm: np.ndarray
    first: np.ndarray
    cuts: np.ndarray
    openness: np.ndarray
    stages: tuple[Stage, ...]
    windows: np.ndarray

    def __len__(self) -> int:
        return len(self.openness)

    @staticmethod
    def of(piece: Workpiece, told_mm: np.ndarray, openness: np.ndarray, stage: Stage) -> States:
        """Fingerings (r, holes) of a piece at one stage with its holes told to be this wide (holes,)."""
        r = len(openness)
        first, cuts = (np.tile([getattr(hole, of) for hole in piece.cutting], (r, 1)) for of in ("first", "cuts"))
        return States(np.tile(told_mm, (r, 1)), first, cuts, openness, (stage,) * r, np.full(r, piece.windows))

    @staticmethod
    def blown(heard: Sequence[Measurement]) -> States:
        """Those in which notes were heard."""
        told, first, cuts = (
            np.array([[getattr(hole, of) for hole in blow.cutting] for blow in heard]) for of in ("mm", "first", "cuts")
        )
        openness, windows = np.array([blow.openness for blow in heard]), np.array([blow.windows for blow in heard])
        return States(told, first, cuts, openness, tuple(blow.stage for blow in heard), windows)


@dataclass(frozen=True)
class Sight:
    """A model, the piece that it is asked about, and the unknowns that stand between them."""

    model: Model
    piece: Workpiece
    unknowns: Unknowns

    def made(self, x: np.ndarray, states: States) -> Made:
        """The piece in each state, for values x (p,) of the unknowns."""
        u, designed, r = self.unknowns, self.model.designed, len(states)
        off = np.einsum("rhp,p->rh", self._counted(states), x)
        diameters = np.where(states.told_mm > 0, np.maximum(states.told_mm + off, 0.2), 0.0) * MM
        walls = designed.walls[0] + MM * (x[u.index("wall")] + np.append(0.0, x[u.own_wall]))
        cut_up = designed.cut_up[0] + MM * self._changed(states) @ x[u.windows]
        return Made(
            diameters,
            np.tile(np.maximum(walls, 0.2 * designed.walls[0]), (r, 1)),
            np.full(r, designed.width[0]),
            np.maximum(cut_up, 0.2 * designed.cut_up[0]),
            np.full(r, np.exp(x[u.index("volume")])),
            np.array([self._size(x, stage) for stage in states.stages]),
        )

    def seen(self, x: np.ndarray, states: States) -> Seen:
        """What the model says, the model's own error for each open hole added to the cents.

        Before firing pitch is taken to go as one over size for the slopes: what slow air at the walls adds is less
        than a per cent of them.
        """
        u, made = self.unknowns, self.made(x, states)
        omega, slopes = self.model.sloped(made, states.openness)
        J = np.zeros((len(states), len(u)))
        J[:, u.index("volume")] = slopes.volume
        J[:, u.windows] = MM * slopes.cut_up[:, None] * self._changed(states)
        J[:, u.index("wall")] = MM * slopes.walls.sum(axis=1)
        J[:, u.own_wall] = MM * slopes.walls[:, 1:]
        by_mm = MM * slopes.diameters
        J += np.einsum("rh,rhp->rp", by_mm, self._counted(states))
        for n, stage in enumerate(states.stages):
            if stage is not Stage.FIRED:
                J[n, u.index(stage.value)] -= 1.0
        J *= CENTS
        J[:, u.model] = states.openness
        return Seen(self._cents(x, omega, states), omega.real / (2 * omega.imag), J, CENTS * by_mm)

    def cents(self, x: np.ndarray, states: States) -> np.ndarray:
        """The cents alone (r,)."""
        return self._cents(x, self.model.lowest(self.made(x, states), states.openness), states)

    def _cents(self, x: np.ndarray, omega: np.ndarray, states: States) -> np.ndarray:
        return 1200 * np.log2(omega.real / (2 * np.pi)) + states.openness @ x[self.unknowns.model]

    def _counted(self, states: States) -> np.ndarray:
        """Which unknowns are in each hole's diameter (r, holes, p): its cuts so far."""
        counted = np.zeros((*states.told_mm.shape, len(self.unknowns)))
        for hole, own in enumerate(self.unknowns.cuts):
            for k, place in enumerate(own):
                counted[:, hole, place] = (states.first[:, hole] <= k) & (k < states.cuts[:, hole])
        return counted

    def _changed(self, states: States) -> np.ndarray:
        """Which changes of the window had been made (r, windows): 1 or 0."""
        return (np.arange(len(self.unknowns.windows)) <= states.windows[:, None]).astype(float)

    def _size(self, x: np.ndarray, stage: Stage) -> float:
        off = 0.0 if stage is Stage.FIRED else x[self.unknowns.index(stage.value)]
        return float(self.piece.shrinkage.size(stage) * np.exp(off))


@frozen
class Belief:
    """Mean (p,) and covariance (p, p) of the unknowns, and how each reading (n) fits.

    off_cents: reading less belief; alone_cents, alone_sd: the same against what all the other readings say, and how
    far apart the two may be.
    """

    sight: Sight
    doubts: Doubts
    mean: np.ndarray
    cov: np.ndarray
    off_cents: np.ndarray
    alone_cents: np.ndarray
    alone_sd: np.ndarray

    @property
    def piece(self) -> Workpiece:
        """The piece that it is about."""
        return self.sight.piece

    @cached_property
    def sd(self) -> np.ndarray:
        """Standard deviation of every unknown (p,)."""
        return np.sqrt(np.diag(self.cov))

    def of(self, name: str) -> tuple[float, float]:
        """Mean and standard deviation of one unknown."""
        n = self.sight.unknowns.index(name)
        return float(self.mean[n]), float(self.sd[n])

    @property
    def cut_up_mm(self) -> tuple[float, float]:
        """How far the window's cut-up as it is now is above the design's, mm, and one standard deviation."""
        own = self.sight.unknowns.windows
        return float(self.mean[own].sum()), float(np.sqrt(self.cov[np.ix_(own, own)].sum()))

    @property
    def diameters_mm(self) -> np.ndarray:
        """Believed diameters, counted as fired, mm (holes,); 0 where not cut."""
        piece = self.piece
        off = [
            float(self.mean[list(own[hole.first :])].sum())
            for own, hole in zip(self.sight.unknowns.cuts, piece.cutting, strict=True)
        ]
        return np.where(piece.told_mm > 0, piece.told_mm + np.array(off).reshape(-1), 0.0)


def believed(model: Model, piece: Workpiece, doubts: Doubts | None = None) -> Belief:
    """What is to be believed of a piece after all that was measured and heard."""
    doubts = doubts or Doubts()
    sight = Sight(model, piece, Unknowns.of(piece, doubts))
    precision = np.diag(1 / np.square(sight.unknowns.sd))
    rows, values, sds = _measured(sight, doubts)
    x = np.zeros(len(sight.unknowns))
    heard = piece.blown
    y = np.array([blow.cents for blow in heard])
    for _ in range(_STEPS):
        h, J, s = _heard(sight, x, heard, doubts)
        every, miss = np.concatenate([rows, J]), np.concatenate([values - rows @ x, y - h])
        weight = 1 / np.square(np.concatenate([sds, s]))
        cov = np.linalg.inv(every.T @ (every * weight[:, None]) + precision)
        step = cov @ (every.T @ (weight * miss) - precision @ x)
        x = x + step
        if not len(heard) or (np.abs(step) <= _SETTLED * sight.unknowns.sd).all():
            break
    miss = miss - every @ step
    off, leverage = miss[len(rows) :], ((every @ cov) * every).sum(axis=1)[len(rows) :] / np.square(s)
    alone = off / np.maximum(1 - leverage, 1e-9)
    return Belief(sight, doubts, x, cov, off, alone, s / np.sqrt(np.maximum(1 - leverage, 1e-9)))


def _measured(sight: Sight, doubts: Doubts) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Water and calliper as rows (m, p) of the unknowns, what they read, and how well."""
    u, piece, model = sight.unknowns, sight.piece, sight.model
    rows, values, sds = [], [], []
    for ml, stage in piece.water:
        row = np.zeros(len(u))
        row[u.index("volume")] = 1.0
        if stage is not Stage.FIRED:
            row[u.index(stage.value)] = 3.0
        rows.append(row)
        values.append(np.log(1e-6 * ml / (model.volume * piece.shrinkage.size(stage) ** 3)))
        sds.append(doubts.water_ml / ml)
    for thicker in piece.walls:
        row = np.zeros(len(u))
        row[u.index("wall")] = 1.0
        rows.append(row)
        values.append(thicker)
        sds.append(doubts.calliper_mm)
    return np.array(rows).reshape(-1, len(u)), np.array(values), np.array(sds)


def _heard(
    sight: Sight, x: np.ndarray, heard: Sequence[Measurement], doubts: Doubts
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """What the readings should be (n,), slopes (n, p), and how far readings scatter (n,)."""
    if not heard:
        return np.zeros(0), np.zeros((0, len(x))), np.zeros(0)
    seen = sight.seen(x, States.blown(heard))
    one = np.hypot([blow.doubt_cents for blow in heard], doubts.breath_cents(seen.q))
    return seen.cents, seen.slopes, one / np.sqrt([blow.count for blow in heard])


def foreseen(belief: Belief, blown: Sequence[Measurement]) -> tuple[np.ndarray, np.ndarray]:
    """How far readings are above what is believed without them, and how far apart the two may be, cents (n,)."""
    h, J, s = _heard(belief.sight, belief.mean, blown, belief.doubts)
    off = np.array([blow.cents for blow in blown]) - h
    return off, np.sqrt(np.einsum("np,pq,nq->n", J, belief.cov, J) + np.square(s))
