"""Small moves of openings: first-order changes of the port field and of the circuit, without solving anything anew."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from simkit.body import Body, Opening
from simkit.field.reduced.matrices import PortField, RowChanges
from simkit.optimisation.problem.trial import Neighbour, Trial, Voice
from simkit.optimisation.problem.windows import aperture_beside, duct_beside, voicing_of
from simkit.sound.models.circuit import Circuit, Duct, Matrices
from simkit.vessel import Voicing


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
        regular, outer = m.regular.copy(), m.outer.copy()
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
