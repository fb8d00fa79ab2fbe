"""The same meshes under another shape: the change of the port field with a wall's, without meshing anew.

Wall nodes go straight to the new wall and nodes in the air follow smoothly, so the port field is a smooth function of
the shape and small differences give its derivatives. (A mesh made anew would differ by some tenth of a cent.)

Whatever can be asked of a design on trial can be asked of it perturbed a little each way it may move: the sound of
these is to first order in the port field and exact in the openings' ducts, without solving anything anew but a port
field on moved meshes where a wall moves. So differences give the slopes of any aim.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial
from weakref import WeakKeyDictionary

import numpy as np
from scipy.sparse import csr_matrix, diags
from scipy.sparse.linalg import splu

from simkit.body import AirMesh, Body
from simkit.body.meshes.curved import offset_points
from simkit.body.walls.wall import project
from simkit.field import BodyAir, port_solution
from simkit.field.fem.quadrature import volume_rule
from simkit.field.reduced.boundary import AirSurface
from simkit.field.reduced.inside import InsideAir
from simkit.field.reduced.outside import OutsideAir
from simkit.optimisation.problem.perturbations import OpeningMoves, aperture_beside, duct_beside, voicing_of
from simkit.optimisation.problem.trial import Neighbour, Trial
from simkit.sound.elements.openings import Aperture
from simkit.sound.models.circuit import Circuit
from simkit.sound.models.port_solutions import wall_loss


class MovedAir:
    """Circuits of a trial's chambers in designs a small step beside it that have other walls, clay or air."""

    def __init__(self, trial: Trial):
        self.trial = trial

    def circuits(self, neighbour: Neighbour) -> tuple[Circuit, ...]:
        """The circuit of each chamber that has notes, in the neighbour's body and air."""
        apertures = self._apertures(neighbour)
        if neighbour.has_walls_of(self.trial):
            # Other air, or another windway: all is asked anew but the window's relief, which would jump.
            return tuple(
                _with(v.resonator.circuit, apertures, neighbour)
                for v in Trial.alone(neighbour.vessel, self.trial.setting).voices
            )
        air = self._moved(neighbour.body)
        solution = port_solution(air, [chamber.all_openings for chamber in neighbour.body.chambers])
        circuits = []
        for voice in self.trial.voices:
            was = voice.resonator.circuit
            loss = was.loss if was.lossless else wall_loss(air, neighbour.body, voice.case.airs.chamber)
            circuits.append(replace(_with(was, apertures, neighbour), field=solution.field, loss=loss))
        return tuple(circuits)

    def _apertures(self, neighbour: Neighbour) -> list[Aperture]:
        """Every opening's aperture in the neighbour's body, beside its own in the trial's."""
        rest = [duct.aperture for duct in self.trial.voices[0].resonator.circuit.ducts]
        each = zip(self.trial.body.openings, neighbour.body.openings, rest, strict=True)
        return [aperture_beside(old, new, a) for old, new, a in each]

    @cached_property
    def _air(self) -> BodyAir:
        return self.trial.voices[0].resonator.solution.air

    @cached_property
    def _inside(self) -> tuple[Mover, ...]:
        chambers = zip(self._air.chambers, self.trial.body.chambers, strict=True)
        return tuple(Mover(air.mesh, partial(project, solid.wall)) for air, solid in chambers)

    @cached_property
    def _outside(self) -> Mover:
        coat = self.trial.body.coat
        return Mover(self._air.outside.mesh, partial(offset_points, coat.walls, coat.offset))

    def _moved(self, body: Body) -> BodyAir:
        """The air of a body a little different, on the meshes of this one."""
        old = self._air
        walls = tuple(chamber.wall for chamber in body.chambers)
        chambers = tuple(
            # A chamber whose wall stays keeps its field. As many modes as before, so that derivatives compare like
            # with like.
            was if wall == solid.wall else InsideAir.of(mover.to(partial(project, wall)), wall, len(was.modes.k2))
            for mover, wall, was, solid in zip(self._inside, walls, old.chambers, self.trial.body.chambers, strict=True)
        )
        coat = body.coat
        if coat.figure and body.figure == self.trial.body.figure:
            return replace(old, body=body, chambers=chambers)
        mesh = self._outside.to(partial(offset_points, coat.walls, coat.offset))
        far = old.outside.far  # the sphere stays where it is, and so does the mesh on it
        outside = OutsideAir.of(mesh, AirSurface(coat.walls, coat.offset, outside=True), far.center, far.radius)
        return replace(old, body=body, chambers=chambers, outside=outside)


def _with(circuit: Circuit, apertures: Sequence[Aperture], neighbour: Neighbour) -> Circuit:
    """A circuit with these apertures in its ducts, and the clay under a windway as a neighbour's window bends."""
    found = zip(circuit.ducts, neighbour.body.openings, apertures, strict=True)
    return replace(circuit, ducts=tuple(duct_beside(d, o, a, voicing_of(neighbour, o)) for d, o, a in found))


Onto = Callable[[np.ndarray], np.ndarray]  # points (n, 3) to the nearest of a surface


@dataclass(frozen=True)
class Mover:
    """Moves the nodes on a mesh's wall; a node in the air goes as its neighbours do on average, the far ones stay.

    A few nodes lie beside the wall `onto` which the mesh was made (elements that folded were straightened); they stay
    as far beside it.
    """

    mesh: AirMesh
    onto: Onto

    def to(self, new_onto: Onto) -> AirMesh:
        """The mesh for another wall near by."""
        wall, within, solve, pull = self._pulls
        points = self.mesh.points.copy()
        # The feet's way, not the nodes': those beside the wall keep their distance.
        moved = new_onto(points[wall]) - self._feet
        points[wall] += moved
        # Linear in the wall's displacement, so the mesh at rest is met exactly and differences stay smooth.
        points[within] += solve(pull @ moved)
        mesh = replace(self.mesh, points=points)
        return replace(mesh, volume=float(volume_rule(mesh).weights.sum()))

    @cached_property
    def _feet(self) -> np.ndarray:
        return self.onto(self.mesh.points[self._pulls[0]])

    @cached_property
    def _pulls(self) -> tuple[np.ndarray, np.ndarray, Onto, csr_matrix]:
        count = len(self.mesh.points)
        wall = np.unique(self.mesh.facets)
        within = np.setdiff1d(np.arange(count), np.concatenate([wall, self.mesh.outer.ravel()]))
        tets = self.mesh.tets
        # All pairs of nodes that share a tetrahedron, each as often as they do.
        one, other = np.repeat(tets, tets.shape[1], axis=1).ravel(), np.tile(tets, tets.shape[1]).ravel()
        joined = csr_matrix((np.ones(len(one)), (one, other)), shape=(count, count))
        joined.data[:] = 1.0  # once, however many tetrahedra share the pair
        laplacian = (diags(np.asarray(joined.sum(axis=1)).ravel()) - joined).tocsr()
        # Each node moves as the mean of its neighbours (the graph's Laplace equation), given on the wall and 0 far out.
        factor = splu(laplacian[within][:, within].tocsc())
        return wall, within, factor.solve, joined[within][:, wall]


SHARE = 0.02  # of a clear change: the step of these differences


_PERTURBED: WeakKeyDictionary[Trial, tuple[Trial, ...]] = WeakKeyDictionary()


def perturbed_trials(trial: Trial) -> tuple[Trial, ...]:
    """For each free number the design with that number `SHARE` of a clear change further.

    Kept as long as the trial is there, which holds meshes and fields.
    """
    if trial not in _PERTURBED:
        _PERTURBED[trial] = _perturbed(trial)
    return _PERTURBED[trial]


def _perturbed(trial: Trial) -> tuple[Trial, ...]:
    freedom = trial.freedom
    steps = [SHARE * number.reach for number in freedom.numbers]
    beside = [trial.beside(freedom.beside(trial.vessel, n, step), step) for n, step in enumerate(steps)]
    by_openings = [n for n, neighbour in enumerate(beside) if neighbour.moves_openings_only(trial)]
    # One solve for the rows of all openings together.
    moves = OpeningMoves.of(trial, [beside[n] for n in by_openings], exact=False)
    air = MovedAir(trial)
    found = []
    for n, neighbour in enumerate(beside):
        if n in by_openings:
            place = by_openings.index(n)
            circuits: tuple[Circuit, ...] = tuple(moves.circuit(voice, place) for voice in trial.voices)
        else:
            circuits = air.circuits(neighbour)
        x = trial.x + steps[n] * (np.arange(len(steps)) == n)  # one number moves
        voices = [
            replace(voice, resonator=replace(voice.resonator, circuit=circuit))
            for voice, circuit in zip(trial.voices, circuits, strict=True)
        ]
        other = Trial(freedom, x, trial.setting, neighbour.vessel, neighbour.body)
        found.append(other.sounding(voices))
    return tuple(found)
