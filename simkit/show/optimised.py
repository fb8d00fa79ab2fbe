"""The result of an optimisation as text: before and after, what moved, which limits it meets, how certain it is."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from rich.table import Table
from rich.text import Text

from simkit.optimisation.compromises import TradeOff
from simkit.optimisation.outcome import ChamberSlopes, ChangedNumber, Outcome
from simkit.show.lines import fingering, in_options, signed, word
from simkit.show.terminal import ACCENT, chamber_head, numbers, plain_table, titled
from simkit.sound.answers.prediction import PredictedChamber, PredictedNote
from simkit.vessel import Hole, Vessel


def optimised_text(outcome: Outcome) -> str:
    """Verdict, tables of notes and of what moved, limits, evidence, cautions."""
    vessel = outcome.vessel
    parts: list[Table | Text | str] = [in_options(outcome.verdict), ""]
    for n, chamber in enumerate(outcome.after.chambers):
        before = outcome.before.chambers[n] if outcome.before else None  # a start that is no design has no notes
        holes = vessel.chamber(chamber.name).holes
        parts += [chamber_head(chamber, outcome.after.chambers), "", _notes(outcome, chamber, before, holes), ""]
    parts += [_moved(outcome.moved), ""] if outcome.moved else ["nothing moved", ""]
    for slopes in outcome.evidence.slopes:
        parts += ["cents for 0.1 mm of a hole's diameter:", _slopes(slopes), ""]
    parts += [*_sentences(outcome), ""]
    return titled(vessel.title, parts, outcome.after.cautions)


def trade_off_text(vessel: Vessel, curve: TradeOff) -> str:
    """Every compromise on a line, the one in the middle marked."""
    table = plain_table(*numbers("weight of the first", curve.one, curve.other, "worst note, cents"), "")
    for point in curve.points:
        found = (f"{point.balance:.2g}", f"{point.one:.3g}", f"{point.other:.3g}", f"{point.worst_cents:.1f}")
        table.add_row(*found, "written" if point is curve.middle else "")  # the one that goes into the file
    parts: list[Table | Text | str] = [f"{curve.one} against {curve.other}", "", table]
    if curve.alike:
        parts += ["", "all come out alike: what is free, or its limits, leaves nothing to weigh"]
    return titled(vessel.title, parts)


def _notes(
    outcome: Outcome, chamber: PredictedChamber, before: PredictedChamber | None, holes: Sequence[Hole]
) -> Table:
    table = plain_table("note", "fingering", *numbers("target Hz", "before", "after, cents", "by hand"), "")
    by_hand = outcome.evidence.hand.of(chamber.name)
    for n, note in enumerate(chamber.notes):
        # all covered, of a chamber without notes: nothing to be in tune with
        if note.pitch is None or note.target_hz is None:
            continue
        answer, said = note.answer, word(note.answer.cents)
        table.add_row(
            note.pitch,
            fingering(holes, note.open),
            f"{note.target_hz:.1f}",
            _cents(before.notes[n]) if before else "",
            f"{_cents(note)} ± {answer.uncertainty_cents:<3.0f}",
            f"± {by_hand[n]:.0f}",
            Text(said, style="" if said == "in tune" else ACCENT),
        )
    return table


def _cents(note: PredictedNote) -> str:
    return "" if note.answer.cents is None else signed(note.answer.cents)


def _moved(moved: Sequence[ChangedNumber]) -> Table:
    table = plain_table("moved", *numbers("from", "to", "by", "free from", "to"), "asked by")
    for change in moved:
        # It follows another number, which has the bounds.
        bounds = ("", "") if change.low is None else (f"{change.low:.4g}", f"{change.high:.4g}")
        by = f"{signed(change.by, 2 if change.unit == 'mm' else 1)} {change.unit}".rstrip()
        table.add_row(change.said, f"{change.before:g}", f"{change.after:g}", by, *bounds, "; ".join(change.because))
    return table


def _slopes(slopes: ChamberSlopes) -> Table:
    table = plain_table("note", *numbers(*slopes.holes))
    for pitch, row in zip(slopes.pitches, slopes.per_tenth_mm, strict=True):
        table.add_row(pitch, *(signed(cents) for cents in row))
    return table


def _sentences(outcome: Outcome) -> Iterator[str]:
    """Limits that were broken, limits that the design meets exactly, and how it was found."""
    yield from outcome.start_breaks  # first what was wrong before anything moved
    yield from (f"stands at: {limit}" for limit in outcome.active)
    evidence = outcome.evidence
    for measured, value in evidence.aims.items():  # before the judge: these are by ports
        yield f"{measured}: {value:.2f}"
    for judged in evidence.judged:
        yield f"{judged.pitch} by the air meshed as a whole: {signed(judged.resolved_cents)} cents"
    if len(evidence.starts) > 1:
        worst = ", ".join(f"{start.worst_cents:.1f}" for start in evidence.starts)
        yield f"{len(evidence.starts)} starts (seed {evidence.seed}); worst note of each, cents: {worst}"
    yield f"{evidence.steps} steps, {evidence.looked_at} designs looked at, {evidence.seconds:.1f} s of one core"
    yield evidence.hand.words
