"""Small moves of openings: first-order changes of the port field and of the circuit, without solving anything anew."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from simkit.body import Body, Opening
from simkit.field.reduced.matrices import PortField, RowChanges
from simkit.field.window import relief
from simkit.optimisation.problem.trial import Neighbour, Trial, Voice
from simkit.sound.elements.floor import floor_of
from simkit.sound.elements.openings import Aperture, aperture_of
from simkit.sound.elements.windway import junction_of
from simkit.sound.models.circuit import Circuit, Duct, Matrices
from simkit.vessel import Voicing

# Exponents of width, height, length, edge_deg and inside_rim in the labium's share of the jet's dipole, to 1.4 %.
_LABIUM = np.array([0.09, -0.19, 0.06, -0.03, 0.05])


def aperture_beside(old: Opening, new: Opening, at_rest: Aperture | None = None) -> Aperture:
    """The aperture of an opening `new` that differs a little from `old`, whose own is `at_rest`.

    Smooth where the duct's own is not: the relief that a sloping edge brings follows a law (`field.window.relief`);
    where that does not hold it is solved on a small mesh of each window, jumps by some half a percent from one mesh to
    the next, and costs two seconds. Beside such a window it is taken to change as the law does, continued straight.
    Where that is itself one beside another, as of a perturbed design, nothing is meshed anew, and nothing jumps.
    """
    # A hole's aperture is a formula, and smooth by itself.
    if new.is_round:
        return aperture_of(new)
    rest = aperture_of(old) if at_rest is None else at_rest
    if _shape(new) == _shape(old):  # nothing that the relief depends on
        return rest
    # The relief is what is over an upright edge; only that part goes by the law, the rest is exact.
    upright, was = aperture_of(replace(new, edge_deg=90.0)), aperture_of(replace(old, edge_deg=90.0))
    grown, smaller = np.exp(_law(new) - _law(old)), old.height / new.height
    # Per area the inertance goes as the law over the height, the friction as the law over its square.
    inertance = (rest.outer - was.outer) / was.area * smaller * float(grown[0])
    friction = (rest.outer_viscous - was.outer_viscous) * was.perimeter / was.area**2 * smaller**2 * float(grown[1])
    within = (rest.inner - was.inner) / was.area * smaller  # of a window that leans
    return replace(
        upright,
        inner=upright.inner + upright.area * within,
        outer=upright.outer + upright.area * inertance,
        outer_viscous=upright.outer_viscous + upright.area**2 / upright.perimeter * friction,
    )


def _law(opening: Opening) -> np.ndarray:
    """The law's logarithms (2,) of a window."""
    o = opening
    wall = max(o.length, relief.LEAST_NOSE)
    cell = relief.window_cell(o.width, o.height, wall, o.edge_deg, o.inside_rim, o.rim)
    return relief.logarithms(relief.place(cell, o.curvatures))


def duct_beside(was: Duct, opening: Opening, aperture: Aperture, voicing: Voicing | None) -> Duct:
    """The duct of an opening that takes the place of another, with its aperture; of a window whose windway is open also
    with the windway of its voicing, None of a hole, the clay under its end, and who blows it as before."""
    duct = replace(was, aperture=aperture)
    if was.floor.clay is not None and voicing is not None:
        duct = replace(duct, floor=floor_of(voicing, opening, was.floor.clay))
    if was.windway is None or voicing is None:  # still: nobody blows
        return duct
    sizes = voicing.window_width_mm, voicing.windway_height_mm, voicing.windway_length_mm
    width, height, length = (1e-3 * size for size in sizes)
    windway = replace(was.windway, width=width, height=height, length=length, level=1e-3 * voicing.exit_rise_mm)
    return replace(duct, windway=windway, junction=junction_of(windway, opening))


def voicing_of(neighbour: Neighbour, opening: Opening) -> Voicing | None:
    """The voicing of the window that an opening is; None of a hole."""
    chambers = neighbour.body.chambers
    name = next((chamber.name for chamber in chambers if chamber.window is opening), None)
    return None if name is None else neighbour.vessel.chamber(name).voicing


def labium_beside(old: Opening, new: Opening) -> float:
    """Ratio of the labium's share of the jet's dipole at a window `new` that differs a little to that at the old."""
    sizes = ("width", "height", "length", "edge_deg", "inside_rim")
    before, after = (np.array([getattr(each, size) for size in sizes]) for each in (old, new))
    # A rim of no radius has no logarithm, and counts as unchanged.
    grown = np.where(before > 0, after / np.where(before > 0, before, 1.0), 1.0)
    return float(np.exp(_LABIUM @ np.log(grown)))  # power law, linear in logarithms


def _shape(opening: Opening) -> tuple[float, ...]:
    """Numbers that a window's relief depends on."""
    o = opening
    return (o.width, o.height, o.length, o.edge_deg, o.inside_rim, o.rim, *(float(k) for k in o.curvatures))


@dataclass(frozen=True, eq=False)
class OpeningMoves:
    """Openings that small steps move, and the change of each one's row of the port field, to first order.

    before: all openings at rest; openings: those moved, each with its row; voicings: of moved windows, None for holes;
    of_step: for each step, its places among
    them; fields: what they change inside and outside (f, v, ports), 1/m, at the frequencies of every chamber's notes.
    """

    before: tuple[Opening, ...]
    openings: tuple[tuple[int, Opening], ...]
    voicings: tuple[Voicing | None, ...]
    of_step: tuple[tuple[int, ...], ...]
    changes: RowChanges | None
    fields: dict[str, tuple[np.ndarray, np.ndarray]]

    @staticmethod
    def of(trial: Trial, neighbours: Sequence[Neighbour], exact: bool, field: bool = True) -> OpeningMoves:
        """The moves that lead from a trial to designs beside it; without `field` only what their ducts change."""
        openings: list[tuple[int, Opening]] = []
        voicings: list[Voicing | None] = []
        of_step = []
        for neighbour in neighbours:
            moves = neighbour.moves(trial.body)
            # One number may move several openings.
            of_step.append(tuple(range(len(openings), len(openings) + len(moves))))
            openings += moves
            voicings += [voicing_of(neighbour, opening) for _, opening in moves]
        before = trial.body.openings
        if not openings or not field:
            return OpeningMoves(before, tuple(openings), tuple(voicings), tuple(of_step), None, {})
        # The body is one, so every chamber's solution is the same.
        changes = trial.voices[0].resonator.solution.changes(openings, exact)
        fields = {}
        for voice in trial.voices:
            circuit, omega = voice.resonator.circuit, voice.omega
            inside = changes.inside(circuit.wave_number(omega), circuit.lossy(omega))
            outside = changes.outside(omega / circuit.room_air.sound_speed)
            fields[voice.chamber] = np.broadcast_to(inside, outside.shape), outside
        return OpeningMoves(before, tuple(openings), tuple(voicings), tuple(of_step), changes, fields)

    def matrices(self, voice: Voice, m: Matrices, step: int) -> Matrices:
        """The circuit's matrices `m` at the chamber's notes with the rows of one step changed."""
        circuit = voice.resonator.circuit
        ratio = circuit.room_air.density / circuit.chamber_air.density
        regular, outer = m.regular.copy(), m.outer.copy()  # the trial's own stay as they are
        # The ducts' own columns are exact; only the field's rows are of first order.
        columns = {name: getattr(m, name).copy() for name in _COLUMNS}
        for place in self.of_step[step]:
            row, duct = self._duct(place, circuit)
            if self.changes is not None:
                inside, outside = self.fields[voice.chamber]
                _add_row(regular, row, inside[:, place])
                _add_row(outer, row, ratio * outside[:, place])  # p = i omega rho Z U, all in the chamber's rho
            for name, values in circuit.column(duct, voice.omega).items():
                columns[name][:, row] = values
        return replace(m, regular=regular, outer=outer, **columns)

    def circuit(self, voice: Voice, step: int) -> Circuit:
        """The circuit of a chamber with the openings of one step where it has them, at any frequency."""
        circuit = voice.resonator.circuit
        ducts, field = list(circuit.ducts), circuit.field
        for place in self.of_step[step]:
            row, ducts[row] = self._duct(place, circuit)
            if self.changes is not None:
                field = _with_row(field, self.changes, place)
        return replace(circuit, field=field, ducts=tuple(ducts))

    def _duct(self, place: int, circuit: Circuit) -> tuple[int, Duct]:
        """The row of a moved opening and its duct, with its windway where that is open."""
        row, opening = self.openings[place]
        was = circuit.ducts[row]
        aperture = aperture_beside(self.before[row], opening, was.aperture)
        return row, duct_beside(was, opening, aperture, self.voicings[place])

    def beside(self, before: Sequence[Opening], neighbours: Sequence[Neighbour], body: Body) -> OpeningMoves:
        """The same moves of openings `before` of another design, whose field is taken to change as it does here."""
        moved = [(neighbour, move) for neighbour in neighbours for move in neighbour.moves(body)]
        voicings = tuple(voicing_of(neighbour, opening) for neighbour, (_, opening) in moved)
        return replace(self, before=tuple(before), openings=tuple(move for _, move in moved), voicings=voicings)

    def far(self, field: PortField, steps: np.ndarray) -> PortField:
        """A field with every move made so many of its steps far, linearly."""
        if self.changes is None:
            return field
        far = np.zeros(len(self.openings))  # in steps; openings that no step moves stay
        for step, places in zip(steps, self.of_step, strict=True):
            far[list(places)] = step
        for place in np.flatnonzero(far).tolist():
            field = _with_row(field, self.changes, place, far[place])
        return field


_COLUMNS = ("A", "B", "C", "D", "stub")


def _add_row(matrices: np.ndarray, row: int, change: np.ndarray) -> None:
    """Add a change (f, n) to a row of symmetric matrices (f, n, n) and to the column alike, the own entry once."""
    matrices[:, row] += change
    matrices[:, :, row] += change
    matrices[:, row, row] -= change[:, row]  # added twice above


def _with_row(field: PortField, changes: RowChanges, place: int, far: float = 1.0) -> PortField:
    """The field with the row of one move, made `far` times, changed."""
    row = int(changes.rows[place])
    # [None]: _add_row wants a leading axis, of frequencies or of terms.
    static, quadratic, terms = field.static[None].copy(), field.quadratic[None].copy(), field.around.terms.copy()
    modes = field.modes.copy()
    _add_row(static, row, far * changes.static[None, place])
    _add_row(quadratic, row, far * changes.quadratic[None, place])
    _add_row(terms, row, far * changes.around.terms[:, place])
    modes[row] += far * changes.modes[place]
    around = replace(field.around, terms=terms)
    return replace(field, static=static[0], quadratic=quadratic[0], modes=modes, around=around)
