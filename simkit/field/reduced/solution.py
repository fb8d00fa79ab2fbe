"""Solving for the port field of a set of openings, and for its changes by small moves of them."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from concurrent.futures import ThreadPoolExecutor, wait
from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import Any

import numpy as np
from scipy.linalg import block_diag
from scipy.sparse import csr_matrix

from simkit.body.chambers import Opening
from simkit.field.fem.factor import threads
from simkit.field.reduced import doubts
from simkit.field.reduced.body_air import BodyAir
from simkit.field.reduced.boundary import air_along
from simkit.field.reduced.doubts import Doubt
from simkit.field.reduced.inside import InsideAir, InsideAnswer, MeshedBoundary
from simkit.field.reduced.matrices import FieldEvidence, Interpolant, PortField, RowChanges
from simkit.field.reduced.memory import Kept
from simkit.field.reduced.mouth import Mouth, averages, mouths
from simkit.field.reduced.outside import OutsideAnswer
from simkit.field.reduced.source import regular_curvature_values, values_in_air

TEST_WAVES = (0.35, 0.85)  # of the largest wave number: where the interpolation is compared with a solution
Groups = tuple[tuple[Opening, ...], ...]


def port_field(air: BodyAir, openings: Sequence[Sequence[Opening]] | None = None) -> PortField:
    """The port field of a body's openings, or of others in the same walls: one sequence for each chamber."""
    return port_solution(air, openings).field


def port_solution(air: BodyAir, openings: Sequence[Sequence[Opening]] | None = None) -> PortSolution:
    """Solve for the port field, with the fields behind it, which answer for small moves too."""
    asked = [c.all_openings for c in air.body.chambers] if openings is None else openings
    groups: Groups = tuple(tuple(group) for group in asked)
    ways = tuple(_Depths.of(c, group) for c, group in zip(air.chambers, groups, strict=True))
    with ThreadPoolExecutor(1) as beside:  # answers for the chambers while the air around them does
        within = [beside.submit(_within, *each) for each in zip(air.chambers, groups, ways, strict=True)]
        if threads() == 1:  # one after the other, then
            wait(within)
        every = [opening for group in groups for opening in group]
        through = _through(air, every, np.concatenate([way.ahead for way in ways]))
        waves = np.concatenate([air.wave_numbers, np.multiply(TEST_WAVES, air.wave_numbers[-1])])
        around = air.outside.answer(air.outside.mouths.of(every, through / 2), waves)
        inside = tuple(task.result() for task in within)
    field = _assembled(air, groups, inside, around, partial(_doubts, air, groups, ways))
    return PortSolution(air, groups, ways, inside, around, field)


def _within(air: InsideAir, group: tuple[Opening, ...], way: _Depths) -> InsideAnswer:
    return air.answer(air.mouths.of(group, way.behind / 2))


@dataclass(frozen=True, eq=False)
class _Depths:
    """Depth of the air ahead of each opening, and distance to it again behind its wall, m: (n,) each."""

    ahead: np.ndarray
    behind: np.ndarray

    @staticmethod
    def of(air: InsideAir, group: tuple[Opening, ...]) -> _Depths:
        surface = air.boundary.surface
        wall = surface.walls[0]

        def make(missing: list[Opening]) -> list[tuple[float, float]]:
            centers, axes = (np.array([getattr(o, of) for o in missing]).reshape(-1, 3) for of in ("center", "normal"))
            return list(zip(*(way.tolist() for way in air_along(wall, centers, axes)), strict=True))

        both = np.array(surface.reaches.of(group, make)).reshape(-1, 2)
        return _Depths(both[:, 0], both[:, 1])


def _through(air: BodyAir, openings: Sequence[Opening], ahead: np.ndarray) -> np.ndarray:
    """Extent of the body straight behind each outside mouth, m, with `ahead` (n,), m, of air before the wall: (n,)."""
    coat = air.body.coat
    if not coat.figure:
        return ahead + 2 * air.body.thickness
    # Of a figure: the clay before the chamber, and then all the way through to the outside behind.
    return np.array([o.through + coat.through(o.center, -o.normal) for o in openings])


def _doubts(air: BodyAir, groups: Groups, ways: tuple[_Depths, ...]) -> tuple[Doubt, ...]:
    found, around, first = [], [], 0
    outside = air.outside.boundary.surface
    for chamber, body, group, way in zip(air.chambers, air.body.chambers, groups, ways, strict=True):
        within, outward = doubts.turns(chamber.boundary.surface, outside, group).tolist()
        found += doubts.edges(within, "inside", first)
        around += outward
        found += doubts.gaps(group, first)
        found += doubts.widths(group, way.ahead, body.wall, first)
        found += doubts.waists(group, body.wall, first)
        first += len(group)
    every = [o for group in groups for o in group]
    return (
        *found,
        *doubts.cuts(every),
        *doubts.collars(every),
        *doubts.edges(around, "outside"),
    )


def _assembled(
    air: BodyAir,
    groups: Groups,
    inside: tuple[InsideAnswer, ...],
    around: OutsideAnswer,
    looked_for: Callable[[], tuple[Doubt, ...]],
) -> PortField:
    chamber = np.repeat(np.arange(len(groups)), [len(group) for group in groups])  # of each row
    solved = len(air.wave_numbers)
    interpolant = Interpolant.through(around.wave_numbers[:solved], around.symmetric[:solved], air.ball)
    # The last wave numbers took no part in the fit.
    misfit = interpolant(around.wave_numbers[solved:]) - around.symmetric[solved:]
    evidence = FieldEvidence(
        sum(len(c.mesh.points) for c in air.chambers),
        len(air.outside.mesh.points),
        max((_skew(answer.matrix) for answer in inside), default=0.0),
        _skew(around.matrices[0]),
        float(np.abs(misfit).max(initial=0.0)),
        _off_wall(air, [opening for group in groups for opening in group]),
        any(c.wall.creased for c in air.body.chambers),
    )
    return PortField(
        tuple((c.name, o.name) for c, group in zip(air.body.chambers, groups, strict=True) for o in group),
        np.array([not o.is_round for group in groups for o in group], bool),
        np.array([c.volume for c in air.chambers])[chamber],
        (chamber[:, None] == chamber[None, :]).astype(float),
        block_diag(*(_symmetric(answer.matrix) for answer in inside)),
        block_diag(*(_symmetric(answer.quadratic) for answer in inside)),
        np.concatenate([c.modes.k2 for c in air.chambers]),
        block_diag(*(answer.ports for answer in inside)),
        interpolant,
        looked_for,
        evidence,
    )


def _off_wall(air: BodyAir, openings: Sequence[Opening]) -> float:
    """Distance of a mesh from its wall, m; of a figure about the openings only, far from them it hardly counts."""
    around, figure = air.outside.mesh, air.body.figure
    if figure is not None:
        from simkit.body.meshes.around_figure import cut_off  # here, as in `body_air`

        # Only what was straightened beside an opening is asked about.
        around = replace(around, straightened=cut_off(around, figure, openings))
    return max(mesh.off_wall for mesh in (around, *(c.mesh for c in air.chambers)))


def _symmetric(matrix: np.ndarray) -> np.ndarray:
    return (matrix + matrix.swapaxes(-1, -2)) / 2


def _skew(matrix: np.ndarray) -> float:
    return float(np.abs(matrix - matrix.swapaxes(-1, -2)).max(initial=0.0))


@dataclass(frozen=True)
class PortSolution:
    """A port field with the fields behind it.

    By reciprocity, what a moved mouth sends is what it receives: its row of the matrix is read from the fields of the
    others, and the change of its own entry is twice that of what it receives of itself. No system is solved.
    """

    air: BodyAir
    openings: Groups
    ways: tuple[_Depths, ...]
    inside: tuple[InsideAnswer, ...]
    around: OutsideAnswer
    field: PortField

    @cached_property
    def kept(self) -> Kept[Hashable, Any]:
        """Further results for these openings, by all else that they depend on; they go when this goes."""
        return Kept()

    def changes(self, moves: Sequence[tuple[int, Opening]], exact: bool = False) -> RowChanges:
        """First-order changes for `moves`: each a row and the opening that takes that port's place.

        Moves should be small (a micrometre, or 1e-4 of the size); dividing by the step gives derivatives by place,
        diameter or whatever made the openings. What is read from the fields of the others is as true as the matrix
        is symmetric: a few thousandths of a place's slope. `exact` solves for the moved mouths too, so that the
        changes are those of the numbers in `field`.
        """
        rows = np.array([row for row, _ in moves], dtype=int)
        shape = len(rows), len(self.field.names)
        static, quadratic, modes = np.zeros(shape), np.zeros(shape), np.zeros((len(rows), len(self.field.k2)))
        first, first_mode = 0, 0  # of each chamber's rows and modes among all
        for chamber, answer in zip(self.air.chambers, self.inside, strict=True):
            stop, stop_mode = first + len(answer.mouths), first_mode + len(chamber.modes.k2)
            mine = np.flatnonzero((first <= rows) & (rows < stop))
            if len(mine):
                moved = tuple(moves[int(v)][1] for v in mine)
                new = mouths(moved, chamber.boundary.surface, _Depths.of(chamber, moved).behind / 2)
                ask = _inside_anew if exact else _inside_changes
                parts = ask(chamber, answer, rows[mine] - first, new)
                static[mine, first:stop], quadratic[mine, first:stop], modes[mine, first_mode:stop_mode] = parts
            first, first_mode = stop, stop_mode
        return RowChanges(self.field, rows, static, quadratic, modes, self._around_changes(rows, moves, exact))

    def _around_changes(self, rows: np.ndarray, moves: Sequence[tuple[int, Opening]], exact: bool) -> Interpolant:
        chamber = np.repeat(np.arange(len(self.openings)), [len(group) for group in self.openings])
        ahead = np.zeros(len(rows))
        for c, within in enumerate(self.air.chambers):
            mine = np.flatnonzero(chamber[rows] == c)
            ahead[mine] = _Depths.of(within, tuple(moves[int(v)][1] for v in mine)).ahead
        through = _through(self.air, [opening for _, opening in moves], ahead)
        new = mouths([opening for _, opening in moves], self.air.outside.boundary.surface, through / 2)
        waves = self.air.wave_numbers
        change = self._outside_anew(rows, new) if exact else self._outside_changes(rows, new)
        return Interpolant.through(waves, change, self.air.ball, radiation=0.0)  # all pairs radiate alike

    def _outside_changes(self, rows: np.ndarray, new: Sequence[Mouth]) -> np.ndarray:
        boundary, answer = self.air.outside.boundary, self.around
        waves = self.air.wave_numbers
        reading = _reading_changes(boundary, answer.mouths, rows, new) @ answer.span
        known, second_order, own, own_second_order = _known_changes(answer.mouths, rows, new)
        square = np.square(waves)[:, None]
        smooth = reading @ answer.fields[: len(waves)]
        each = np.arange(len(rows))
        change = known + square[:, None] * second_order + smooth
        # Its own entry moves as sender and as receiver, by as much: reciprocity.
        change[:, each, rows] = own + square * own_second_order + 2 * smooth[:, each, rows]
        return change

    def _outside_anew(self, rows: np.ndarray, new: Sequence[Mouth]) -> np.ndarray:
        if not new:
            return np.zeros((len(self.air.wave_numbers), 0, len(self.field.names)))
        both = self.air.outside.answer((*self.around.mouths, *new), self.air.wave_numbers)
        return _row_changes(both.symmetric, rows)


def _inside_changes(
    chamber: InsideAir, answer: InsideAnswer, rows: np.ndarray, new: Sequence[Mouth]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    reading = _reading_changes(chamber.boundary, answer.mouths, rows, new)
    known, second_order, own, own_second_order = _known_changes(answer.mouths, rows, new)
    static, second = reading @ answer.static, reading @ answer.second
    each = np.arange(len(rows))
    matrix, quadratic = known + static, second_order + second
    matrix[each, rows] = own + 2 * static[each, rows]
    quadratic[each, rows] = own_second_order + 2 * second[each, rows]
    return matrix, quadratic, reading @ chamber.modes.shapes


def _reading_changes(
    boundary: MeshedBoundary, old: Sequence[Mouth], rows: np.ndarray, new: Sequence[Mouth]
) -> csr_matrix:
    """Rows that average a nodal field over moved mouths, less those before they moved: (v, nodes)."""
    both = boundary.rows([*(old[row] for row in rows), *new])  # in one go: facets are sought once
    return both[len(rows) :] - both[: len(rows)]


def _inside_anew(
    chamber: InsideAir, answer: InsideAnswer, rows: np.ndarray, new: Sequence[Mouth]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    both = chamber.answer((*answer.mouths, *new))
    matrix, quadratic = (_row_changes(_symmetric(whole), rows) for whole in (both.matrix, both.quadratic))
    return matrix, quadratic, both.ports[len(answer.mouths) :] - both.ports[rows]


def _row_changes(matrix: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """Rows (..., v, n) of the moved less those at rest, from a matrix of the n at rest and after them the v moved."""
    rest, each = matrix.shape[-1] - len(rows), np.arange(len(rows))
    change = matrix[..., rest:, :rest] - matrix[..., rows, :rest]
    change[..., each, rows] = matrix[..., rest + each, rest + each] - matrix[..., rows, rows]
    return change


def _known_changes(
    old: Sequence[Mouth], rows: np.ndarray, new: Sequence[Mouth]
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Changes of the closed-form parts: S and R received from the others (v, n), and a mouth's own two numbers (v,).

    S(x; y) is not symmetric in its two points, but S plus its smooth part is: s(w; w') - s(w'; w) = S(w'; w) -
    S(w; w'), which the own number needs beside twice the change of what the moved mouth receives of the field at rest.
    """
    before = [old[row] for row in rows]
    # A mouth by itself is too near to its own points for this; `own` takes the place of that entry.
    known, second_order = averages(values_in_air, new, old) - averages(values_in_air, old, old)[:, rows]
    pairs = list(zip(before, new, strict=True))
    own = np.array([b.own - a.own + _asymmetry(a, b) for a, b in pairs])
    return known, second_order, own, np.array([b.own_second_order - a.own_second_order for a, b in pairs])


def _asymmetry(before: Mouth, after: Mouth) -> float:
    """S(w'; w) - S(w; w') of a mouth before and after a small move: only the curvature terms are not symmetric."""
    rest = averages(regular_curvature_values, [after], [before]) - averages(regular_curvature_values, [before], [after])
    curvatures = [float(m.source_weights @ m.sources.mean_curvature) for m in (before, after)]
    # The logarithm's pole, taken off of both, back in closed form.
    return float(rest[0, 0]) + (curvatures[1] - curvatures[0]) * before.own_log / (4 * np.pi)
