"""Derivatives of every note by a free number: exact, of first order, in cents per unit of the number.

A note's omega is the fixed point of F(omega) = c sqrt(g), g the stiffness of the chamber's air with the flows as they
are at omega (`sound.models.roots`), so d omega/dx = dF/dx / (1 - dF/d omega). What dF/dx takes depends on what the
number changes:

- an opening (its place, its size, its duct): its row of the port field, from the fields of the others;
- a wall or the clay's thickness: the port field on the same meshes, their nodes moved to the new walls (`morphing`);
- anything else, the air say: the resonator anew, on the same meshes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from simkit.optimisation.problem.perturbations import OpeningMoves
from simkit.optimisation.problem.trial import Neighbour, Trial, Voice
from simkit.sound.models.circuit import Circuit, Matrices
from simkit.sound.models.neighbours import stiffness

CENTS = 1200 / np.log(2)  # of an e-fold
_STEP = 1e-6  # of the frequency, for dF/d omega
_WIDE = 10.0  # small steps to either side: a field solved anew is known to some 1e-11, too little for one itself


def cents_slopes(trial: Trial, exact: bool = True) -> np.ndarray:
    """d cents/dx (f, n) of all notes of all chambers by every free number, per mm, degree or unit of a factor.

    They are those of the numbers that the port model gives, by central differences of everything that a step changes;
    as played, but for the mixture of breath and room air and the waves from face and hands, which are held as they are:
    some tenths of a percent of a diameter's slope, a percent or two of a place's.
    Without `exact` a place's slope is read from the fields at rest, which is as true as the port matrix is symmetric
    (some thousandths), and an opening's share of its own field moves a few percent too much or too little (the mesh is
    coarser than the mouth), for a fifth of the time: good enough for a descent.
    """
    if not exact:
        return slopes_beside(trial, trial.neighbours, exact=False)
    steps = _WIDE * np.array([number.step for number in trial.freedom.numbers])
    onward, back = (
        slopes_beside(trial, [trial.perturbed(n, sign * step) for n, step in enumerate(steps)]) for sign in (1, -1)
    )
    return (onward + back) / 2  # each is per its own step, so the mean is the central difference


def slopes_beside(trial: Trial, neighbours: Sequence[Neighbour], exact: bool = True, field: bool = True) -> np.ndarray:
    """Derivatives (f, n), cents, by any designs a small step beside the one on trial, per unit of their steps.

    Without `field` only what their openings' ducts change counts: some nine tenths of a diameter's slope, in no time.
    """
    voices = [FixedPoint(voice) for voice in trial.voices]
    by_openings = [n for n, neighbour in enumerate(neighbours) if neighbour.moves_openings_only(trial)]
    slopes = np.empty((len(trial.cents), len(neighbours)))
    moves = OpeningMoves.of(trial, [neighbours[n] for n in by_openings], exact, field)
    for place, n in enumerate(by_openings):
        cents = [v.moved(v.circuit, moves.matrices(v.voice, v.matrices, place)) for v in voices]
        slopes[:, n] = np.concatenate(cents) / neighbours[n].step
    others = sorted(set(range(len(neighbours))) - set(by_openings))
    if others:
        from simkit.optimisation.problem.morphing import MovedAir  # here: hand-made errors move openings alone

        air = MovedAir(trial)
    for n in others:
        circuits = air.circuits(neighbours[n])
        cents = [v.moved(circuit) for v, circuit in zip(voices, circuits, strict=True)]
        slopes[:, n] = np.concatenate(cents) / neighbours[n].step
    return slopes


@dataclass(frozen=True)
class FixedPoint:
    """A chamber's notes at their resonances, each the fixed point of F(omega)."""

    voice: Voice

    @property
    def circuit(self) -> Circuit:
        """Openings and air of the whole body as this chamber is played."""
        return self.voice.resonator.circuit

    @cached_property
    def states(self) -> np.ndarray:
        """Openness of every port of the body in each note (f, ports)."""
        return self.voice.resonator.states(self.voice.openness)

    @cached_property
    def matrices(self) -> Matrices:
        """The circuit at the notes' own frequencies."""
        return self.circuit.at(self.voice.omega)

    def F(self, circuit: Circuit, m: Matrices) -> np.ndarray:
        """c sqrt(g): the frequency (f,) that flows as in these matrices would give, rad/s."""
        return circuit.chamber_air.sound_speed * np.sqrt(stiffness(circuit, m, self.voice.resonator.rows, self.states))

    @cached_property
    def _before(self) -> np.ndarray:
        return self.F(self.circuit, self.matrices)

    @cached_property
    def _one_less_slope(self) -> np.ndarray:
        """1 - dF/d omega (f,)."""
        step = _STEP * np.abs(self.voice.omega)
        onward, back = (self.F(self.circuit, self.circuit.at(self.voice.omega + s * step)) for s in (1, -1))
        return 1 - (onward - back) / (2 * step)  # central: F is smooth in omega

    def moved(self, circuit: Circuit, m: Matrices | None = None) -> np.ndarray:
        """First-order change of the notes, cents (f,), in another circuit, whose matrices at the notes are m."""
        # Newton's step from the old fixed point to the new one.
        F = self.F(circuit, circuit.at(self.voice.omega) if m is None else m)
        change = (F - self._before) / self._one_less_slope
        return CENTS * change.real / self.voice.omega.real  # a pitch is the real part, damping apart
