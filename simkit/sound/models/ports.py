"""The working model: the chamber's own field, every opening a duct with its wall, the air outside shared by all.

One coarse mesh and one factorisation a side serve every fingering, temperature and place of the holes
(`simkit.field`); a fingering costs a small matrix equation (`circuit`, `roots`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property, lru_cache

import numpy as np

from simkit.air import Air
from simkit.body.chambers import Opening
from simkit.body.meshes.curved import AirMesh
from simkit.errors import OutOfReach
from simkit.field import PortField, PortSolution
from simkit.field.fem.probes import Swing
from simkit.field.reduced.inside import InsideAir, InsideAnswer
from simkit.frozen import frozen
from simkit.sound.elements.airs import Airs
from simkit.sound.elements.floor import NO_FLOOR, Floor, floor_of
from simkit.sound.elements.nearby import Thing
from simkit.sound.elements.openings import aperture_of
from simkit.sound.elements.touch import Touch
from simkit.sound.elements.windway import AT_FACE, Windway, junction_of
from simkit.sound.models import port_states
from simkit.sound.models.circuit import Circuit, Duct, WallLoss, opened
from simkit.sound.models.modal import circuit_motion
from simkit.sound.models.neighbours import coupling, members
from simkit.sound.models.playing import STILL, Playing, nearby_of
from simkit.sound.models.port_solutions import solved, wall_loss
from simkit.sound.models.resonator import Case, Evidence, Fingering, Motion, Oscillation, Resonance, openness_of
from simkit.sound.models.roots import lowest, resonances
from simkit.sound.models.uncertainty import trusted

_junction = lru_cache(maxsize=256)(junction_of)
_CIRCLE = 8  # points about a resonance


@frozen
class PortsResonator:
    """One chamber of a body by its port field; see `Resonator` for what it answers.

    rows: which ports are this chamber's, window first; the openings of other chambers are there too. beside (n,) or,
    for each fingering, (f, n): the openness of those; without it the others are silent, windows open, holes covered.
    """

    circuit: Circuit
    solution: PortSolution
    rows: np.ndarray
    airs: Airs
    holes: tuple[str, ...]
    windowed: bool
    beside: np.ndarray | None = None
    playing: Playing = STILL

    model = "ports"

    @property
    def field(self) -> PortField:
        """The port field behind it."""
        return self.circuit.field

    @property
    def air(self) -> Air:
        """The air in the chamber."""
        return self.airs.chamber

    @cached_property
    def conductivities(self) -> np.ndarray:
        """Each port's own conductivity as if alone in a flat wall, m: (n,)."""
        return np.array([float(duct.aperture.conductivity) for duct in self.circuit.ducts])

    def states(self, openness: np.ndarray) -> np.ndarray:
        """Fingerings (f, holes) as openness of all ports of the body (f, n)."""
        openness = np.atleast_2d(np.asarray(openness, float))
        full = np.zeros((len(openness), len(self.rows)))
        if self.beside is None:
            full[:, self.field.windows] = 1.0
        else:
            full[:] = self.beside
            full[:, self.rows & self.field.windows] = 1.0
        own = np.flatnonzero(self.rows)
        full[:, own[len(own) - len(self.holes) :]] = openness  # the window, if there is one, comes first
        return full

    def lowest(self, openness: np.ndarray) -> np.ndarray:
        """Complex omega (f,), rad/s, of the lowest resonance for fingerings (f, holes); 0 where nothing is open."""
        return self.in_one_air(openness) * self.drift(openness)

    def drift(self, openness: np.ndarray) -> np.ndarray:
        """Factor (f,) by which the breath left in the air of each fingering raises it over the airs of the circuit."""
        breath, openness = self.playing.breath, np.atleast_2d(np.asarray(openness, float))
        return np.ones(len(openness)) if breath is None else breath.drift(openness, self.conductivities[self.rows])

    def in_one_air(self, openness: np.ndarray) -> np.ndarray:
        """Complex omega (f,), rad/s, as by `lowest`, with the airs of the circuit for every fingering."""
        states = self.states(openness)
        found = np.zeros(len(states), complex)
        some = (states * self.rows).any(axis=1)
        partly = ((states > 0) & (states < 1)).any(axis=1)
        if not some.any():
            return found
        start = self.near_lowest(states)
        whole = some & ~partly  # all with one circuit; partly covered holes have other ducts, each state its own
        if whole.any():
            found[whole] = lowest(self.circuit, self.rows, states[whole], start[whole])
        for i in np.flatnonzero(some & partly):
            fingered = self.circuit.fingered(states[i])
            found[i] = lowest(fingered, self.rows, states[i : i + 1], start[i : i + 1])[0]
        return found

    def near_lowest(self, states: np.ndarray) -> np.ndarray:
        """Omega (f,) by Helmholtz's rule for states (f, n) of the openings, rad/s."""
        volume = self.field.volumes[self.rows][0]
        return np.asarray(self.air.sound_speed * np.sqrt(states * self.rows @ self.conductivities / volume))

    def motion(self, openness: np.ndarray, count: int) -> Motion:
        """The motion of the air in the openings for fingerings (F, holes) of 0 and 1, `count` resonances each."""
        if not self.windowed:
            raise OutOfReach("this chamber has no window to blow at")
        states = self.states(openness)
        omega, drift = self.in_one_air(openness), self.drift(openness)
        found = circuit_motion(self.circuit, self.rows, states, omega, self.airs.window, count)
        return replace(found, omega=found.omega * drift[:, None])

    def alone(self) -> PortsResonator:
        """Copy with every opening of the other chambers covered, so that they stand aside."""
        return self.beside_others(np.zeros(len(self.rows)))

    def beside_others(self, states: np.ndarray) -> PortsResonator:
        """Copy with the openings of the other chambers as `states` say, (n,) or for each fingering (f, n)."""
        return replace(self, beside=states)

    def resonances(self, fingering: Fingering = (), count: int = 1) -> tuple[Resonance, ...]:
        """The lowest `count` resonances, the body's other chambers ringing along where there are any."""
        openness = openness_of(self.holes, fingering)
        state = self.states(openness)[0]
        if count < 1 or not (state * self.rows).any():
            return ()
        # The lowest alone is quicker by its fixed point than among the modes.
        if count == 1:
            return (Resonance(complex(self.lowest(openness)[0])),)
        found = resonances(self.circuit.fingered(state), state, count, self.rows)
        return tuple(Resonance(complex(omega)) for omega in found * self.drift(openness)[0])

    @property
    def mesh(self) -> AirMesh:
        """The mesh of this chamber's air."""
        return self._within[0].mesh

    @property
    def _place(self) -> int:
        """Number of this chamber in the body."""
        names = [chamber.name for chamber in self.solution.air.body.chambers]
        return names.index(self.field.names[int(np.flatnonzero(self.rows)[0])][0])

    def pressure(self, fingering: Fingering, ringing: Resonance) -> np.ndarray:
        """The chamber's pressure (nodes,) at `mesh` in one of its resonances, real, 1 where it is largest.

        What swings out of phase is left out.
        """
        k, strengths = self._strengths(fingering, ringing)
        air, inside = self._within
        swing = air.pressure(inside, k, strengths)
        return np.real(swing / swing[np.abs(swing).argmax()])

    def oscillation(self, fingering: Fingering, n: int) -> Oscillation | None:
        """Resonance `n`, from 0, with the chamber's field at `mesh`; None where there is none.

        Of the walls' losses the field knows what they do to the resonance, not the layers themselves.
        """
        found = self.resonances(fingering, n + 1)
        if len(found) <= n:
            return None
        return Oscillation(found[n], self.mesh, np.zeros(len(self.mesh.tets), bool), self.swing(fingering, found[n]))

    def swing(self, fingering: Fingering, ringing: Resonance) -> Swing:
        """The chamber's complex field at `mesh` in one of its resonances, of any amplitude."""
        k, strengths = self._strengths(fingering, ringing)
        names = [self.field.names[row][1] for row in np.flatnonzero(self.rows)]
        flux = dict(zip(names, strengths, strict=True))
        air, inside = self._within
        return Swing(k, air.pressure(inside, k, strengths), air.gradient(inside, k, strengths), flux)

    @property
    def _within(self) -> tuple[InsideAir, InsideAnswer]:
        """The chamber's air, and its answer for the openings."""
        return self.solution.air.chambers[self._place], self.solution.inside[self._place]

    def _strengths(self, fingering: Fingering, ringing: Resonance) -> tuple[complex, np.ndarray]:
        """k of a resonance, 1/m, and the strength of each of the chamber's ports into its air (n,), of any amplitude.

        The flows are the null vector of the circuit at the resonance.
        """
        state = self.states(openness_of(self.holes, fingering))[0]
        omega = np.array([ringing.omega]) / self.drift(openness_of(self.holes, fingering))  # in the circuit's airs
        m = self.circuit.fingered(state).at(omega)
        T, R = opened(m, state[None])
        inside = m.regular - self.field.shared * (m.uniform / m.k[:, None] ** 2)[:, None, :]  # Z_in whole
        flow = np.linalg.svd((inside @ T + R)[0])[2][-1].conj()  # of the least singular value
        return complex(m.k[0]), -(T[0] @ flow)[self.rows]

    def admittance(self, fingering: Fingering, frequency: np.ndarray) -> np.ndarray:
        """Flow into the chamber through the window for unit pressure driving it there, m3/(s Pa), at Hz (...)."""
        omega = 2 * np.pi * np.atleast_1d(np.asarray(frequency, float)).ravel().astype(complex)
        return self._admitted(fingering, omega).reshape(np.shape(frequency))

    def drives(self, fingering: Fingering, rings: Sequence[Resonance]) -> np.ndarray:
        """Residue of the window's admittance at each resonance (n,), m4/kg: the window's part in it.

        Near a resonance Y = a / (i (omega - omega_n)), and 1/(2 a) is the mass over area squared that the drive has to
        move. By Cauchy's formula on a small circle about it; resonances closer than that share one.
        """
        omega = np.array([ring.omega for ring in rings])
        # Infinite to itself: no resonance is its own neighbour.
        spacing = np.abs(omega[:, None] - omega) + np.where(np.eye(len(omega), dtype=bool), np.inf, 0.0)
        # Off every other pole, wide enough for rounding, narrow enough for the rest of Y to be even.
        radius = np.clip(spacing.min(axis=1) / 4, 1e-6 * np.abs(omega), 1e-3 * np.abs(omega))
        # The trapezoid rule on a circle: exact but for what is 8 turns fast.
        turns = np.exp(2j * np.pi * np.arange(_CIRCLE) / _CIRCLE)
        around = omega[:, None] + radius[:, None] * turns
        admitted = self._admitted(fingering, around.ravel()).reshape(around.shape)
        return np.abs((admitted * turns).mean(axis=1) * radius)  # (1/2 pi i) times the integral of Y d omega

    def _admitted(self, fingering: Fingering, omega: np.ndarray) -> np.ndarray:
        """The admittance at the window at complex omega (m,)."""
        if not self.windowed:
            raise OutOfReach("this chamber has no window to be driven at")
        openness = openness_of(self.holes, fingering)
        state = self.states(openness)[0]
        omega = omega / self.drift(openness)
        m = self.circuit.fingered(state).at(omega)
        T, R = opened(m, np.broadcast_to(state, (len(omega), len(state))))
        window = int(np.flatnonzero(self.rows)[0])
        inside = m.regular - self.field.shared * (m.uniform / m.k[:, None] ** 2)[:, None, :]
        # A pressure beyond the window's outer end adds to p2 in both equations of its two-port.
        push = inside[..., window] * m.C[:, window, None]
        push[:, window] += m.A[:, window]
        flow = np.linalg.solve(inside @ T + R, push[..., None])[:, window, 0]
        return np.asarray(flow / (1j * omega * self.air.density))  # the circuit's pressures are over i omega rho

    def near(self, things: Sequence[Thing]) -> PortsResonator:
        """Copy with rigid things near the piece: a face, hands, a table."""
        nearby = nearby_of(self.solution.air.body, tuple(things))
        return replace(self, circuit=replace(self.circuit, nearby=nearby))

    def heavier(self, by_cents: float) -> PortsResonator:
        """Copy with all openings' air so much heavier that the note would fall by so many cents."""
        more = 2 * by_cents * np.log(2) / 1200  # f^2 goes as the conductivity

        def heavy(duct: Duct) -> Duct:
            a = duct.aperture
            # 1/K goes as the whole length, ends included.
            return replace(duct, aperture=replace(a, outer=a.outer + more * (a.length + a.inner + a.outer)))

        return replace(self, circuit=replace(self.circuit, ducts=tuple(heavy(duct) for duct in self.circuit.ducts)))

    def merging(self, other: PortsResonator, omega: np.ndarray, states: np.ndarray) -> np.ndarray:
        """Largest difference (f,), rad/s, at which another chamber still falls into one pitch with this: 2 |Im c|.

        At omega (f,), rad/s, between the two, for states (f, n); c is the coupling of `neighbours`.
        """
        a, b = (int(members(self.field)[each.rows].sum(axis=0).argmax()) for each in (self, other))
        return np.asarray(2 * np.abs(coupling(self.circuit, omega, states)[:, a, b].imag))

    def evidence(self, fingering: Fingering = ()) -> Evidence:
        """Uncertainty from the field's own evidence for this fingering; see `simkit.sound.models.uncertainty`."""
        state = self.states(openness_of(self.holes, fingering))[0]
        return trusted(self.circuit, self.rows, state, self.airs)


lowest_in_states = port_states.lowest_in_states


@lru_cache(maxsize=1024)
def _duct(
    opening: Opening, air: Air, touch: Touch | None = None, windway: Windway | None = None, floor: Floor = NO_FLOOR
) -> Duct:
    """Kept: the many states in which one piece is asked share most of theirs."""
    junction = AT_FACE if windway is None else _junction(windway.shut, opening)
    return Duct(aperture_of(opening), air, windway, junction, floor, touch)


def resonator(case: Case) -> PortsResonator:
    """The port model of one chamber of a body."""
    body = case.body
    solution = solved(body, case.mesh)
    ducts: list[Duct] = []
    rows: list[bool] = []
    for chamber in body.chambers:
        own = chamber.name == case.chamber.name
        for opening in chamber.all_openings:
            if not own:
                duct = _duct(opening, case.airs.room)
            elif opening is chamber.window:
                floor = NO_FLOOR
                if case.playing.floor is not None:
                    floor = floor_of(case.voicing, opening, case.playing.floor)
                duct = _duct(opening, case.airs.window, None, case.playing.windway, floor)
            else:
                duct = _duct(opening, case.airs.of_hole(opening.name), case.playing.fingers)
            ducts.append(duct)
            rows.append(own)
    if case.lossless:
        loss = WallLoss.none(len(rows), len(solution.field.k2))
    else:
        gas = case.airs.chamber
        (loss,) = solution.kept.of([("loss", gas)], lambda _: [wall_loss(solution.air, body, gas)])
    near = nearby_of(body, case.playing.player or ())
    circuit = Circuit(solution.field, tuple(ducts), case.airs.chamber, case.airs.room, loss, case.lossless, near)
    holes = tuple(opening.name for opening in case.chamber.openings)
    return PortsResonator(
        circuit,
        solution,
        np.array(rows, bool),
        case.airs,
        holes,
        case.chamber.window is not None,
        playing=case.playing,
    )
