"""Frequency of each note of a design, its deviation from the target, and its uncertainty."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import field, replace
from typing import Any

import numpy as np

from simkit.air import Air
from simkit.columns import cell, column, finite, text_table
from simkit.errors import Fault, InputError
from simkit.frozen import frozen
from simkit.pitch import cents
from simkit.sound import models
from simkit.sound.answers.chords import Chord, chords, chosen_chambers
from simkit.sound.answers.over_chambers import Joined, OverChambers, PerRow
from simkit.sound.answers.playing_parts import PlayedNotes, played_notes
from simkit.sound.catalogue import able, chosen, model_of
from simkit.sound.models.resonator import Case, Coupled, Resonance, Resonator, openness_of_all
from simkit.vessel import Chamber, Vessel, target_of


@frozen
class Answer:
    """One model's answer for one note, by its lowest resonance; q is linear, as if barely blown.

    frequency_hz, cents (above the target) and q are None where nothing rings, cents also without a target, q where
    nothing is lost. uncertainty_cents: half width of its band against the other notes of the chamber.
    parts_cents: what each part of playing moves it from the still note, by name; None where it is still.
    neighbours_cents: its shift by the body's other chambers while they are silent, their windows open and their
    holes covered, and neighbours_open_cents with their holes open too.
    """

    model: str
    frequency_hz: float | None
    cents: float | None
    q: float | None
    uncertainty_cents: float
    cautions: tuple[str, ...] = ()
    parts_cents: Mapping[str, float] | None = None
    neighbours_cents: float | None = None
    neighbours_open_cents: float | None = None

    def as_dict(self) -> dict[str, Any]:
        """The answer under the keys of the command line's JSON."""
        shown = {name: getattr(self, name) for name in ("frequency_hz", "cents", "q", "uncertainty_cents")}
        parts = {} if self.parts_cents is None else {"parts_cents": dict(self.parts_cents)}
        moved = {name: getattr(self, name) for name in ("neighbours_cents", "neighbours_open_cents")}
        return shown | parts | {key: cents for key, cents in moved.items() if cents is not None}


@frozen
class PredictedNote:
    """A note of the design with each model's answer; pitch and target are None where the design has no notes."""

    pitch: str | None
    open: tuple[str, ...]
    target_hz: float | None
    answers: tuple[Answer, ...]

    def by(self, model: str) -> Answer:
        """The answer of one model; a KeyError if it was not asked."""
        for answer in self.answers:
            if answer.model == model:
                return answer
        raise KeyError(f"{model} was not asked")

    @property
    def answer(self) -> Answer:
        """The answer of the last model asked, the most careful one."""
        return self.answers[-1]

    @property
    def cells(self) -> tuple[str, ...]:
        """The note as a row of a table: pitch, open holes, target, and of each model Hz, cents, doubt and Q."""
        texts = [self.pitch or ("open" if self.open else "covered"), " ".join(self.open), cell(self.target_hz)]
        for each in self.answers:
            texts += [cell(each.frequency_hz), cell(each.cents), cell(each.uncertainty_cents), cell(each.q, 0)]
        return tuple(texts)

    def as_dict(self) -> dict[str, Any]:
        """The note under the keys of the command line's JSON, one more for each model."""
        own = {"pitch": self.pitch, "open": list(self.open), "target_hz": self.target_hz}
        return own | {answer.model: answer.as_dict() for answer in self.answers}


@frozen
class PredictedChamber:
    """One chamber: its air in m3, and its notes.

    piece_cents: by model, uncertainty common to all notes, beside that of each against the others.
    """

    name: str
    volume: float
    notes: tuple[PredictedNote, ...]
    piece_cents: Mapping[str, float] = field(default_factory=dict)

    frequencies_hz = PerRow(
        "notes.answer.frequency_hz",
        "Frequency of each note (notes,), Hz, by the last model asked; nan where nothing rings.",
    )
    cents = PerRow("notes.answer.cents", "Deviation of each note from its target, cents (notes,); nan without one.")

    @property
    def q(self) -> np.ndarray:
        """Linear Q of each note (notes,): inf where nothing is lost, nan where nothing rings."""
        return column(math.inf if (a := n.answer).q is None and a.frequency_hz else a.q for n in self.notes)

    uncertainties_cents = PerRow(
        "notes.answer.uncertainty_cents", "Uncertainty of each note by the model, half width in cents (notes,)."
    )

    def __repr__(self) -> str:
        return f"PredictedChamber({self.name!r}, {len(self.notes)} notes)"

    def __str__(self) -> str:
        models = [answer.model for answer in self.notes[0].answers]
        headings = ["note", "open", "target Hz", *(f"{m} {what}" for m in models for what in ("Hz", "cents", "±", "Q"))]
        return text_table(headings, (note.cells for note in self.notes))

    def as_dict(self) -> dict[str, Any]:
        """The chamber under the keys of the command line's JSON."""
        return {
            "name": self.name,
            "volume_ml": 1e6 * self.volume,
            "piece_uncertainty_cents": dict(self.piece_cents),
            "notes": [each.as_dict() for each in self.notes],
        }


@frozen
class Prediction(OverChambers):
    """Notes of a vessel, by one model or several side by side; chords where several chambers are blown at once."""

    models: tuple[str, ...]
    state: str
    air: Air
    chambers: tuple[PredictedChamber, ...]
    cautions: tuple[str, ...] = ()
    chords: tuple[Chord, ...] = ()

    @property
    def notes(self) -> tuple[PredictedNote, ...]:
        """The notes of all chambers, one after the other."""
        return tuple(each for chamber in self.chambers for each in chamber.notes)

    frequencies_hz = Joined(PredictedChamber.frequencies_hz)
    cents = Joined(PredictedChamber.cents)
    q = Joined(PredictedChamber.q)
    uncertainties_cents = Joined(PredictedChamber.uncertainties_cents)

    def by(self, model: str) -> Prediction:
        """Prediction by one of the models that were asked alone; a KeyError for another."""
        chambers = tuple(
            replace(
                chamber,
                notes=tuple(replace(note, answers=(note.by(model),)) for note in chamber.notes),
                piece_cents={model: chamber.piece_cents[model]},
            )
            for chamber in self.chambers
        )
        mine, every = (
            {text for note in notes for answer in note.answers for text in answer.cautions}
            for notes in ([note for chamber in chambers for note in chamber.notes], self.notes)
        )
        cautions = tuple(text for text in self.cautions if text in mine or text not in every)
        return replace(self, models=(model,), chambers=chambers, cautions=cautions)

    def __repr__(self) -> str:
        return f"Prediction(by {', '.join(self.models)}, {len(self.notes)} notes)"


def predict(
    vessel: Vessel,
    model: str | Iterable[str] = "ports",
    *,
    lossless: bool = False,
    state: str = "played",
    blown: str | Iterable[str] | None = None,
    mesh: float = 1.0,
) -> Prediction:
    """Predict each note of a design: frequency, deviation from its target in cents, Q, and the uncertainty in cents.

    model: one name or several. lossless leaves out friction and heat. state: "played", as a tuner hears the note at the
    breath that drives it best, or "still", with the windway shut, the room's air and nobody near. A chamber without
    notes is answered with all its holes covered, or, where it has no window either, with all of them open. blown:
    chambers by name, one or several, or "all"; only these are answered, and of several also every chord (by the model
    that knows them). Without it every chamber by itself, the others silent. mesh: the cells' size over the standard.
    """
    names = chosen(model)
    asked = chosen_chambers(vessel, blown)
    together = blown is not None and len(asked) > 1
    if together and not any(model_of(name).coupled for name in names):
        knows = " or ".join(able("coupled"))
        raise InputError([Fault.of("blown", ",".join(asked), f"together with the model {knows}, which knows chords")])
    cases = tuple(
        case for case in models.cases(vessel, lossless=lossless, state=state, mesh=mesh) if case.chamber.name in asked
    )
    chambers = tuple(_chamber(names, case) for case in cases)
    cautions = [*vessel.cautions, *(text for case in cases for text in case.airs.cautions)]
    cautions += [text for c in chambers for n in c.notes for answer in n.answers for text in answer.cautions]
    sounding: tuple[Chord, ...] = ()
    if together:
        # The most careful of them: models stand quickest first.
        coupled = next(name for name in reversed(names) if model_of(name).coupled)
        sounding = chords(vessel, asked, coupled, lossless=lossless, state=state)
    return Prediction(names, state, cases[0].airs.room, chambers, tuple(dict.fromkeys(cautions)), sounding)


def _chamber(names: tuple[str, ...], case: Case) -> PredictedChamber:
    chamber: Chamber = case.vessel.chamber(case.chamber.name)
    asked: list[tuple[str | None, tuple[str, ...], float | None]] = [
        (each.pitch, each.open, target_of(case.vessel, each))
        for each in chamber.notes
        # No notes: covered, but without a window open, or nothing would ring.
    ] or [(None, () if chamber.voicing else tuple(hole.name for hole in chamber.holes), None)]
    fingerings = [opened for _, opened, _ in asked]
    answers, piece = [], {}
    for name in names:
        resonator = models.resonator(name, case)
        played = played_notes(name, resonator, case, fingerings)
        beside = _beside(resonator, fingerings) if model_of(name).coupled else [()] * len(fingerings)
        answers.append(
            [_answer(resonator, played, n, beside[n], opened, target) for n, (_, opened, target) in enumerate(asked)]
        )
        piece[name] = played.piece_cents
    notes = tuple(
        PredictedNote(pitch, opened, target, tuple(by_model[n] for by_model in answers))
        for n, (pitch, opened, target) in enumerate(asked)
    )
    return PredictedChamber(chamber.name, case.chamber.volume, notes, piece)


def _beside(resonator: Coupled, fingerings: list[tuple[str, ...]]) -> list[tuple[float, ...]]:
    """Hz of each fingering with all openings of the other chambers covered, and with all of them open.

    Nothing where there are no others.
    """
    if resonator.rows.all():
        return [()] * len(fingerings)
    openness = openness_of_all(resonator.holes, fingerings)
    both = (resonator.beside_others(np.full(len(resonator.rows), share)) for share in (0.0, 1.0))
    hz = [each.lowest(openness).real / (2 * np.pi) for each in both]
    return [tuple(map(float, pair)) for pair in zip(*hz, strict=True)]


def _answer(
    resonator: Resonator,
    played: PlayedNotes,
    n: int,
    beside: tuple[float, ...],
    opened: tuple[str, ...],
    target: float | None,
) -> Answer:
    evidence = resonator.evidence(opened)
    cautions = (*evidence.cautions, *played.cautions)
    omega = complex(played.omega[n])
    doubt = float(np.hypot(evidence.uncertainty_cents, played.scale_cents[n]))
    if not omega:
        return Answer(resonator.model, None, None, None, evidence.uncertainty_cents, cautions)
    frequency = Resonance(omega).frequency_hz
    return Answer(
        resonator.model,
        frequency,
        None if target is None else cents(frequency, target),
        finite(Resonance(omega).q),
        doubt,
        cautions,
        {part: float(moved[n]) for part, moved in played.parts_cents.items()} if played.parts_cents else None,
        # Pull of silent neighbours with their holes covered, then open: both against the note without any.
        *(cents(hz, beside[0]) for hz in ((frequency, beside[1]) if beside else ())),
    )
