"""One chamber as it stands on the bench: holes of any size or not cut yet, walls and window as they came out.

The port field is solved for the design and three times more with all holes narrower or wider; between, each mouth's
own share of its field runs through these four as a cubic of its radius. What the mouths are to each other hardly
depends on their radii (some a^2/(6 s^2) of a part that is itself a tenth) and is kept. A hole that is not cut is a
port through which nothing flows. So every state of the bench costs one small matrix equation, and many go at once.

Before the kiln the whole piece is larger by a factor: fields, ducts and volumes are taken at that size, the layers of
slow air at the size that they have.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.polynomial.polynomial import polyval

from simkit.air import Air
from simkit.body.chambers import Body, Opening
from simkit.body.deviations import Made, MadeSlopes
from simkit.errors import OutOfReach
from simkit.field import PortField
from simkit.frozen import frozen
from simkit.sound.elements.openings import Aperture, air_of_hole, partly_covered
from simkit.sound.elements.secant import fixed_point
from simkit.sound.models.circuit import Circuit, Duct, Matrices, opened
from simkit.sound.models.neighbours import stiffness
from simkit.sound.models.playing import STILL, Playing
from simkit.sound.models.port_solutions import solved
from simkit.sound.models.ports import PortsResonator, resonator
from simkit.sound.models.resonator import Case

SHARES = (0.45, 0.7, 1.0, 1.25)  # of the design's radii: where the field is solved
_GRID = (0.8, 1.0, 1.25)  # of the window's sizes: where its aperture is asked
_NOT_CUT = 1e9  # of the flow's resistance, 1/m: almost none passes
_ENDS = ("inner", "outer", "inner_viscous", "outer_viscous")
_TOLERANCE = 1e-7  # of the frequency: 2e-4 cents
_NUDGE = 1e-6  # of the frequency
_NUDGE_SIZE = 1e-5  # of a size

Beside = Callable[[Opening, Opening], Aperture]


@frozen
class AsMade:
    """Resonances of a chamber in any state of its making; the other chambers of the body count as closed clay.

    own (2, openings, 4): what each mouth's own share of the field, inside and outside, is above that of the design,
    1/m, as a cubic of its radius over the design's. window_fit: see `_fit`.
    """

    circuit: Circuit
    holes: tuple[str, ...]
    window: Opening
    openings: tuple[Opening, ...]
    own: np.ndarray
    window_fit: np.ndarray
    playing: Playing = STILL

    @staticmethod
    def of(case: Case, beside: Beside) -> AsMade:
        """The chamber of a case by the port model; `beside` gives the aperture of a window near that of the design."""
        plain, base = AsMade.as_designed(case), resonator(case)
        rows = np.flatnonzero(base.rows)
        fields = [base.field if q == 1 else solved(_widened(case.body, q), case.mesh).field for q in SHARES]
        own = np.array([[np.diag(f.static)[rows], np.diag(f.outside(0.0).real)[rows]] for f in fields])
        own = own - own[SHARES.index(1.0)]  # so that the design's own size takes its own field, to the last digit
        # The cubic through four values, by the inverse of Vandermonde's matrix.
        cubics = np.einsum("pq,qso->sop", np.linalg.inv(np.vander(SHARES, increasing=True)), own)
        return replace(plain, own=cubics, window_fit=_fit(plain.window, beside))

    @staticmethod
    def as_designed(case: Case) -> AsMade:
        """The chamber of a case, good only for holes that are as designed or not cut, and a window that is as designed.

        It takes no field but the design's own, and answers as `of` does, whose cubics and fit meet the design.
        """
        window = case.chamber.window
        if window is None:
            raise OutOfReach(f"{case.chamber.name} has no window: nothing to blow on the bench")
        base = resonator(case)
        rows = np.flatnonzero(base.rows)
        circuit = _alone(base, rows)
        ends = np.zeros((10, len(_ENDS)))
        # The constant alone: right at the design's own window.
        ends[0] = [getattr(circuit.ducts[0].aperture, name) for name in _ENDS]
        own = np.zeros((2, len(rows), len(SHARES)))
        return AsMade(circuit, base.holes, window, case.chamber.openings, own, ends, case.playing)

    @property
    def air(self) -> Air:
        """The air in the chamber."""
        return self.circuit.chamber_air

    @property
    def volume(self) -> float:
        """The chamber's air in the fired piece as designed, m^3."""
        return float(self.circuit.field.volumes[0])

    @property
    def designed(self) -> Made:
        """The one piece that is as the design says."""
        every = (self.window, *self.openings)
        one = np.ones(1)
        return Made(
            np.array([[2 * o.radius for o in self.openings]]),
            np.array([[o.length for o in every]]),
            one * self.window.width,
            one * self.window.height,
            one,
            one,
        )

    def lowest(self, made: Made, openness: np.ndarray) -> np.ndarray:
        """Complex omega (m,) of the lowest resonance of pieces (m) with fingers as `openness` (m, holes) says."""
        return self.in_one_air(made, openness) * self.drift(made, openness)

    def drift(self, made: Made, openness: np.ndarray) -> np.ndarray:
        """Factor (m,) by which the breath left in the air of each fingering raises it over the airs of the circuit."""
        if self.playing.breath is None:
            return np.ones(len(made))
        states = self._states(made, openness)
        return self.playing.breath.drift(states[:, 1:], self._pieces(made, states).conductivities)

    def in_one_air(self, made: Made, openness: np.ndarray) -> np.ndarray:
        """Complex omega (m,), rad/s, with the airs of the circuit for every fingering."""
        states = self._states(made, openness)
        pieces = self._pieces(made, states)
        every = np.ones(states.shape[1], bool)

        def proposed(omega: np.ndarray) -> np.ndarray:
            m = self._matrices(pieces, omega)
            return self.air.sound_speed * np.sqrt(stiffness(self.circuit, m, every, states))

        return fixed_point(proposed, self._start(pieces, states), _TOLERANCE, f"{len(states)} states of the bench")

    def sloped(self, made: Made, openness: np.ndarray) -> tuple[np.ndarray, MadeSlopes]:
        """Complex omega (m,), rad/s, with the airs of the circuit, and the derivatives of its real part by the sizes.

        With k^2 = g = V^-1 1' U1 (`neighbours.stiffness`) and symmetric matrices, dg/ds = -V^-1 y' d(N + R T^-1)/ds y
        takes no solution but the one that gave the flows y; d omega/ds = (dF/ds)/(1 - dF/d omega), F = c sqrt(g).
        """
        states, omega = self._states(made, openness), self.in_one_air(made, openness)
        pieces = self._pieces(made, states)
        m = self._matrices(pieces, omega)
        flows = _Flows.of(m, states)
        step = _NUDGE * np.abs(omega)
        nearby = _Flows.of(self._matrices(pieces, omega + step), states)
        # 1 - dF/d omega: how much less the note gives way than its stiffness.
        give = 1 - self.air.sound_speed * (np.sqrt(nearby.g) - np.sqrt(flows.g)) / step

        def share(dg: np.ndarray) -> np.ndarray:
            change = 0.5 * omega * (dg.T / flows.g) / give
            return (change.real / omega.real).T

        def of_ducts(changed: Made, step: np.ndarray) -> np.ndarray:
            """dg (m, openings) of each duct, per step of its own size (openings,)."""
            new = self._matrices(self._pieces(changed, states), omega)
            return flows.of_duct(m, new) / step

        size = _NUDGE_SIZE * self.designed.walls[0]
        walls = of_ducts(made.but(walls=made.walls + size), size)
        wider = _NUDGE_SIZE * self.designed.diameters[0]
        cut = made.diameters > 0
        changed = made.but(diameters=np.where(cut, made.diameters + wider, 0.0), cut_up=made.cut_up * (1 + _NUDGE_SIZE))
        both = of_ducts(changed, np.append(_NUDGE_SIZE * self.window.height, wider))
        both[:, 0] *= self.window.height / made.cut_up  # its step was a share of the piece's own cut-up
        there = np.column_stack([np.ones(len(made), bool), cut])  # a hole not cut has no slopes
        walls, both = (share(np.where(there, dg, 0.0)) for dg in (walls, both))
        return omega * self.drift(made, openness), MadeSlopes(share(-flows.g), both[:, 0], walls, both[:, 1:])

    @staticmethod
    def _states(made: Made, openness: np.ndarray) -> np.ndarray:
        return np.column_stack([np.ones(len(made)), np.where(made.diameters > 0, openness, 0.0)])

    def _start(self, pieces: _Pieces, states: np.ndarray) -> np.ndarray:
        volume = self.volume * pieces.made.volume * pieces.made.size**3
        return self.air.sound_speed * np.sqrt((pieces.conductivities * states).sum(axis=1) / volume) + 0j

    def _pieces(self, made: Made, states: np.ndarray) -> _Pieces:
        """The ducts of the pieces and their mouths' shares of the field, for fingers as `states` says."""
        apertures = [_of_fit(self.window_fit, self.window, made)]
        own = np.zeros((2, *states.shape))
        for n, opening in enumerate(self.openings, 1):
            cut = made.diameters[:, n - 1] / 2
            radius = np.where(cut > 0, cut, opening.radius)  # a hole not cut yet lets nothing pass: any size will do
            # Outside these ends a cubic through 0.45 to 1.25 is not to be trusted.
            own[:, :, n] = polyval(np.clip(radius / opening.radius, 0.3, 1.5), self.own[:, n].T)
            whole = air_of_hole(opening, radius, made.walls[:, n])
            apertures.append(partly_covered(whole, np.where(states[:, n] > 0, states[:, n], 1.0)))
        scaled = (_scaled(a, made.size) for a in apertures)
        floored = (duct.floor.scaled(made.size) for duct in self.circuit.ducts)
        ducts = [
            replace(duct, aperture=a, floor=floor)
            for duct, a, floor in zip(self.circuit.ducts, scaled, floored, strict=True)
        ]
        return _Pieces(made, ducts, own[0], own[1])

    def _matrices(self, pieces: _Pieces, omega: np.ndarray) -> Matrices:
        """The circuit of each piece at a frequency of its own: as `Circuit.at`, with the field at the piece's size."""
        circuit, made, size = self.circuit, pieces.made, pieces.made.size
        columns = [circuit.column(duct, omega) for duct in pieces.ducts]
        ducts = {name: np.stack([column[name] for column in columns], axis=-1) for name in columns[0]}
        missing = np.column_stack([np.zeros(len(made), bool), made.diameters == 0])
        ducts["stub"] = np.where(missing, _NOT_CUT, ducts["stub"])  # covered as its state has it
        at_size = omega * size  # resonance of the fired piece with the same waves in it
        heat = circuit.loss.uniform / np.sqrt(omega)[:, None] / size[:, None]
        volumes = circuit.field.volumes * (made.volume * size**3)[:, None]
        ratio = circuit.room_air.density / self.air.density
        regular = circuit.regular(at_size) + _diagonal(pieces.inner)
        k = at_size / circuit.room_air.sound_speed
        outer = circuit.field.outside(k) + circuit.nearby(k) + _diagonal(pieces.outer)
        return Matrices(
            circuit.wave_number(omega),
            regular / size[:, None, None],  # 1/m: of a larger piece so much smaller
            1 / (volumes * (1 + (1 - 1j) * heat)),
            outer * ratio / size[:, None, None],
            **ducts,
        )


@dataclass(frozen=True, eq=False)
class _Pieces:
    """Pieces with their ducts, each number an array over them, and what their mouths' own shares of the field differ
    from the design's, inside and outside (m, openings), 1/m."""

    made: Made
    ducts: list[Duct]
    inner: np.ndarray
    outer: np.ndarray

    @property
    def conductivities(self) -> np.ndarray:
        """Each opening's own conductivity, m: (m, openings)."""
        return np.stack([np.broadcast_to(d.aperture.conductivity, len(self.made)) for d in self.ducts], axis=1)


@dataclass(frozen=True, eq=False)
class _Flows:
    """Flows for unit pressure in the chamber: U1 out of it and U on through the openings (m, openings), and g (m,)."""

    out: np.ndarray
    through: np.ndarray
    states: np.ndarray
    uniform: np.ndarray
    g: np.ndarray

    @staticmethod
    def of(m: Matrices, states: np.ndarray) -> _Flows:
        T, R = opened(m, states)
        through = np.linalg.solve(m.regular @ T + R, np.ones((*states.shape, 1), complex))
        out = (T @ through)[..., 0]
        return _Flows(out, through[..., 0], states, m.uniform[:, 0], m.uniform[:, 0] * out.sum(axis=1))

    def of_duct(self, old: Matrices, new: Matrices) -> np.ndarray:
        """dg (m, openings) when each duct, and its mouth's own share of the field, becomes that of `new`.

        U1 (dA p2 + dB U) - p1 (dC p2 + dD U) where open, U1^2 dstub where covered; own shares with U1^2 and U^2.
        """
        free = self.states > 0
        U1, U = self.out, np.where(free, self.through, 0.0)
        p2 = (old.outer @ U[..., None])[..., 0]
        p1 = old.A * p2 + old.B * U
        change = {name: getattr(new, name) - getattr(old, name) for name in "ABCD"}
        flowing = U1 * (change["A"] * p2 + change["B"] * U) - p1 * (change["C"] * p2 + change["D"] * U)
        duct = np.where(free, flowing, np.square(U1) * (new.stub - old.stub))
        inner, outer = (
            np.diagonal(n - o, axis1=1, axis2=2) for n, o in ((new.regular, old.regular), (new.outer, old.outer))
        )
        return -self.uniform[:, None] * (duct + np.square(U1) * inner + np.square(U) * outer)


def _alone(base: PortsResonator, rows: np.ndarray) -> Circuit:
    """The circuit of a resonator's own openings, as if the body had no others."""
    f, circuit = base.field, base.circuit
    pick = np.ix_(rows, rows)  # rows of other chambers are walls here: no flow enters there
    around = replace(f.around, terms=f.around.terms[:, rows][:, :, rows])
    field: PortField = replace(
        f,
        names=tuple(f.names[r] for r in rows),
        windows=f.windows[rows],
        volumes=f.volumes[rows],
        shared=f.shared[pick],
        static=f.static[pick],
        quadratic=f.quadratic[pick],
        modes=f.modes[rows],
        around=around,
    )
    loss = replace(circuit.loss, uniform=circuit.loss.uniform[rows])
    ducts, nearby = tuple(circuit.ducts[r] for r in rows), circuit.nearby.of_rows(rows)
    return replace(circuit, field=field, ducts=ducts, loss=loss, nearby=nearby)


def _widened(body: Body, share: float) -> Body:
    """The body with every hole narrower or wider by a share."""
    return replace(
        body,
        chambers=tuple(
            replace(c, openings=tuple(replace(o, radius=share * o.radius) for o in c.openings)) for c in body.chambers
        ),
    )


def _diagonal(values: np.ndarray) -> np.ndarray:
    """(m, n) as diagonals of (m, n, n)."""
    return values[:, :, None] * np.eye(values.shape[1])


# --- the window ---


def _terms(width: np.ndarray, height: np.ndarray, length: np.ndarray) -> np.ndarray:
    """Terms (m, 10) of a quadratic in the logarithms of a window's sizes over the design's."""
    x = np.log(np.stack([width, height, length], axis=-1))
    pairs = [x[:, i] * x[:, j] for i in range(3) for j in range(i, 3)]
    return np.column_stack([np.ones(len(x)), x, *pairs])


def _fit(window: Opening, beside: Beside) -> np.ndarray:
    """Coefficients (10, 4) of a window's end corrections and viscous lengths, fitted on a grid of sizes around the
    design's own, which it meets."""

    def ends(w: float, h: float, t: float) -> list[float]:
        found = beside(window, replace(window, width=w, height=h, length=t))
        return [float(getattr(found, name)) for name in _ENDS]

    sizes = np.array([window.width, window.height, window.length])
    own, grid = np.array(ends(*sizes)), np.array(list(product(_GRID, repeat=3)))
    # Less the design, whose terms are all 0 but the constant.
    away = np.array([ends(*(row * sizes)) for row in grid]) - own
    return np.vstack([own, np.linalg.lstsq(_terms(*grid.T)[:, 1:], away)[0]])


def _of_fit(fit: np.ndarray, window: Opening, made: Made) -> Aperture:
    """Windows of sizes (m): outline and wall as they are, end corrections and viscous lengths by the fit."""
    w, h, t = made.width, made.cut_up, made.walls[:, 0]
    ends = _terms(w / window.width, h / window.height, t / window.length) @ fit
    return Aperture(w * h, 2 * (w + h), t, *ends.T)


def _scaled(aperture: Aperture, size: np.ndarray) -> Aperture:
    """The opening with every length larger by a factor."""
    lengths = {name: value * size for name, value in vars(aperture).items()}
    return Aperture(**{**lengths, "area": aperture.area * size**2})
