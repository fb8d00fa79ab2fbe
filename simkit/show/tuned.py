"""The bench's answer as text."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
from rich.table import Table
from rich.text import Text

from simkit.making.bench.aim import BY_HAND, FINE_MM, NextCut
from simkit.making.bench.estimate import calibration
from simkit.making.bench.notes import NoteNow
from simkit.making.drills import in_inches
from simkit.making.shrinkage import CENTS, Stage
from simkit.pitch import in_cents
from simkit.show.lines import IN_TUNE_CENTS, fingering, in_options, signed
from simkit.show.terminal import ACCENT, numbers, plain_table, titled
from simkit.tuning import Tuned
from simkit.vessel import Hole

DOUBTFUL_SD = 3.0  # from which a reading is reported as doubtful; from OUTLIER_SD it is refused
_FLAT_CENTS, _FIRST_STEP = 15.0, 0.67  # from how flat it is worth touching the window, and how far to go at once
_FAR_CENTS = 10.0  # an end further off than this is worth a word

Part = Table | Text | str


def tuned_text(tuned: Tuned) -> str:
    """The estimate of the piece, the notes, and the next cut."""
    piece, vessel = tuned.piece, tuned.vessel
    title = f"{vessel.title}, " if vessel.title else ""
    several = f"{tuned.chamber.name}, " if len(vessel.chambers) > 1 else ""
    head = f"{title}{several}{piece.stage.value}, {piece.temperature_c:g} °C{_to_come(tuned)}"
    parts: list[Part] = [head, "", *_believed(tuned), ""]
    parts += [_table(tuned), "", *_table_words(piece.stage), ""]
    parts += [*map(in_options, tuned.taken), *_doubtful(tuned), *map(str, tuned.past)]
    parts += [*(f"  {way}" for way in tuned.ways), ""]  # of several empty lines one is kept
    parts += _next(tuned)
    return titled("", parts, map(in_options, tuned.cautions))


def _to_come(tuned: Tuned) -> str:
    """Rise of the pitch still to come in the kiln, in words."""
    stage, shrinkage = tuned.piece.stage, tuned.piece.shrinkage
    if stage is Stage.FIRED:
        return ""
    rise, sd = shrinkage.to_come_cents(stage), CENTS * tuned.estimate.of(stage.value)[1]
    return f", pitch still to rise by {rise:.0f} ± {in_cents(sd)} (from {shrinkage.basis})"


def _believed(tuned: Tuned) -> list[str]:
    """The calibration in words."""
    estimate, voicing = tuned.estimate, tuned.chamber.voicing
    assert voicing is not None  # only what is blown comes to the bench
    estimates = {name: (mean, sd) for name, mean, sd in calibration(estimate)}
    (cut_up, cut_up_sd), (wall, wall_sd), (volume, volume_sd) = (
        estimates[name] for name in ("cut_up_mm", "wall_mm", "volume_percent")
    )
    lines = [
        f"window: speaks like a cut-up of {voicing.cut_up_mm + cut_up:.2f} ± {cut_up_sd:.2f} mm when fired "
        f"(designed {voicing.cut_up_mm:g})",
        f"walls: {signed(wall, 2)} ± {wall_sd:.2f} mm from the design; air: {signed(volume)} ± {volume_sd:.1f} %",
    ]
    if "shrinkage_to_come_percent" in estimates:
        mean, sd = estimates["shrinkage_to_come_percent"]
        lines.append(f"shrinkage to come: {signed(mean, 2)} ± {sd:.2f} points of the fired length from the expected")
    offset, written = tuned.aim.pitch_cents, f"A4 = {tuned.vessel.scale.a4_hz:g} Hz"
    if abs(offset) >= 1:
        a4 = tuned.vessel.scale.a4_hz * 2 ** (offset / 1200)
        way = "above" if offset > 0 else "below"
        lines.append(
            f"pitch: fired it stands {in_cents(abs(offset))} {way} {written} (as if A4 = {a4:.1f} Hz); every note is "
            "aimed to match, --pitch written aims at the written pitch"
        )
        lines += _window_words(tuned)
    return lines


def _window_words(tuned: Tuned) -> list[str]:
    """Advice to lengthen the window so that a flat piece comes to its pitch, before its holes are cut."""
    piece, aim = tuned.piece, tuned.aim
    shut = next((n for n, opened in enumerate(piece.openness) if not opened.any()), None)
    if shut is None or piece.cuts.any() or aim.pitch_cents > -_FLAT_CENTS or not piece.blown:
        return []
    slope = aim.now.slopes[shut, tuned.estimate.measurement.state.index("cut_up")]  # cents/mm, as fired
    by = _FIRST_STEP * -aim.pitch_cents / slope * piece.size  # from the fired size to the clay's as it is
    return [
        f"or first bring it up: cut the window's edge back by {by:.2f} mm, which is two thirds of what it lacks, then "
        f"blow {piece.notes[shut]} again and tell it with --window-changed"
    ]


_READINGS = (
    "heard Hz: the last reading as the piece is; fits: by how many cents it is above what all readings together say"
)
_NOW = "now Hz: what it is believed to read now; at marks Hz: what it must read "
_MARKS = ("before the kiln when every hole is at its", "mark (a hole not yet cut, or still small, keeps even the notes")
_END = "fired: cents from the pitch aimed at when all is done, and one standard deviation; judges: the hole it is for"


def _table_words(stage: Stage) -> list[str]:
    """Legend of the table's columns."""
    if stage is Stage.FIRED:
        return [_READINGS, f"{_NOW}when every hole is at its mark", _END]
    return [_READINGS, _NOW + _MARKS[0], f"{_MARKS[1]} that cover it a little high)", _END]


def _table(tuned: Tuned) -> Table:
    readings = numbers("heard Hz", "fits", "now Hz", "at marks Hz", "fired")
    table = plain_table("note", "fingering", *readings, "judges")
    for note in tuned.notes:
        table.add_row(*_cells(note, tuned.chamber.holes))
    return table


def _cells(note: NoteNow, holes: tuple[Hole, ...]) -> list[str | Text]:
    far = abs(note.fired_cents) > _FAR_CENTS
    return [
        note.pitch,
        fingering(holes, note.open),
        "" if note.heard_hz is None else f"{note.heard_hz:.1f}",
        "" if note.off_cents is None else signed(note.off_cents),
        "" if note.now_hz is None else f"{note.now_hz:.1f} ± {note.uncertainty_cents:.0f} c",
        f"{note.wanted_hz:.1f}",
        Text(f"{signed(note.fired_cents, 0)} ± {note.fired_uncertainty_cents:.0f}", style=ACCENT if far else ""),
        "" if note.judges is None else f"hole {note.judges}",
    ]


def _doubtful(tuned: Tuned) -> list[str]:
    """Readings that fit the others badly, but not badly enough to be refused."""
    estimate = tuned.estimate
    found = []
    for blow, off, sd in zip(estimate.piece.blown, estimate.left_out_cents, estimate.left_out_sd, strict=True):
        if abs(off) > DOUBTFUL_SD * sd:
            way = "above" if off > 0 else "below"
            others = "all others say" if len(estimate.piece.blown) > 1 else "the design leads one to expect"
            what = f"it reads {in_cents(abs(off))} {way} what {others}"
            found.append(f"doubt {blow.note}, {blow.stage.value}: {what}; look at the window and blow it again")
    return found


def _next(tuned: Tuned) -> list[Part]:
    shut = next((note for note in tuned.notes if not note.open), None)
    lines: list[Part] = []
    if shut is not None and not tuned.piece.blown:
        first = tuned.first
        read = f": it should read {first[1].frequency_hz:.1f} Hz" if first else ""
        lines.append(f"first blow {shut.pitch} before any hole is cut{read}; it tells what the window came out as")
        if first:
            lines.append(f"(with all holes cut and covered it is to read {shut.wanted_hz:.1f} Hz at this stage)")
    cut = tuned.cut
    if cut is None:
        return [*lines, *_finished(tuned)]
    lines += [Text(_order(cut), style=ACCENT), *_why(cut, tuned)]
    rest = [f"{hole} {mark:.2f}" for hole, _, mark in tuned.plan]
    if rest:
        lines.append(f"marks of all holes still to cut, mm as the clay is now: {', '.join(rest)}")
    if tuned.piece.stage is Stage.FIRED:
        lines.append("fired clay is ground wet, with a mask: its dust scars lungs")
    return lines


def _order(cut: NextCut) -> str:
    if cut.drill and cut.own_drill:
        way = (
            "by hand, as your drills are thicker" if cut.own_drill == BY_HAND else f"with the drill of {cut.own_drill}"
        )
        what = f"next cut: open hole {cut.hole} to {cut.to_mm:.2f} mm {way}"
    elif cut.drill:
        what = f"next cut: drill hole {cut.hole} at {cut.to_mm:.2f} mm, or {_inch_drill(cut)}"
    else:
        what = f"next cut: ream hole {cut.hole} from {cut.from_mm:.2f} to {cut.to_mm:.2f} mm"
        if cut.to_mm - cut.from_mm < FINE_MM:
            what += ", a turn at a time, blowing between"
    if cut.reamer_depth_mm is not None and not cut.drill:
        what += f", the reamer {cut.reamer_depth_mm:.1f} mm past the outside"
    return what


def _inch_drill(cut: NextCut) -> str:
    """The next smaller drill of those sold in inches, and how to report it to the log."""
    inches = in_inches(cut.to_mm)
    size = 25.4 * float(sum(Fraction(part) for part in inches.split()))  # "1 1/8" as well
    return f"{inches} in ({size:.2f} mm; then tell --cut {cut.hole}={size:.2f})"


def _why(cut: NextCut, tuned: Tuned) -> list[str]:
    name = cut.note or f"with {'+'.join(cut.open)} open it"
    lines = [f"then {name} should read {cut.expect_hz:.1f} Hz: blow it three times, and the covered note once more"]
    if cut.reamer_stops and not cut.drill:
        lines.append(f"but {cut.reamer_stops}")  # a first cut is the drill's
    if cut.held_back_mm > 0.005:  # mm: less would read 0.00
        lines.append(
            f"held back: {cut.held_back_mm:.2f} mm ({in_cents(cut.held_back_cents)}) of the mark {cut.mark_mm:.2f} mm; "
            f"the note is known to ± {in_cents(cut.doubt_cents)}, and what is cut away does not come back"
        )
    judge = next((note for note in tuned.notes if note.judges == cut.hole), None)
    if judge is not None:
        others = [hole for hole in judge.open if hole != cut.hole]
        what = f"beside it only {', '.join(others)} open" if others else "no other hole is open in it"
        lines.append(f"trust {judge.pitch} for this hole: {what}")
    return lines


def _finished(tuned: Tuned) -> list[str]:
    """Text for a piece with nothing left to cut: what can still be done about notes that are off."""
    worst = max(tuned.notes, key=lambda note: abs(note.fired_cents))
    said = (
        f"no cut is left to make: the worst note, {worst.pitch}, is believed to end {signed(worst.fired_cents, 0)} ± "
        f"{in_cents(worst.fired_uncertainty_cents)} from the pitch aimed at"
    )
    off = [note for note in tuned.notes if abs(note.fired_cents) > IN_TUNE_CENTS]
    return [said, *(f"  {note.pitch}: {_touch(note, tuned)}" for note in off)]


def _touch(note: NoteNow, tuned: Tuned) -> str:
    """The smallest change that brings one note to its pitch, measured in the clay as it is."""
    piece, aim = tuned.piece, tuned.aim
    n = tuned.notes.index(note)
    by, fired = in_cents(abs(note.fired_cents)), piece.stage is Stage.FIRED
    grind = "grind it wet, with a mask" if fired else "cut or ream it"
    if not note.open:
        slope = aim.at_marks.slopes[n, tuned.estimate.measurement.state.index("cut_up")]
        back = abs(note.fired_cents) / max(float(slope), 1e-9) * piece.size  # a longer cut-up raises every note
        if note.fired_cents < 0:
            way = f"take {back:.2f} mm off the window's edge ({grind}), then --window-changed"
        else:
            way = f"make the window {back:.2f} mm shorter, with {'wax or epoxy' if fired else 'clay'} on the edge"
        return f"{by} {'flat' if note.fired_cents < 0 else 'sharp'}: {way}; every note moves with it"
    # Only holes that are open in the note move it much.
    slopes = np.where(piece.openness[n] > 0, aim.at_marks.by_mm[n], 0.0)
    hole = piece.holes.index(note.judges) if note.judges else int(slopes.argmax())
    mm = abs(note.fired_cents) / max(float(slopes[hole]), 1e-9) * piece.size
    others = [other.pitch for other in tuned.notes if other is not note and piece.holes[hole] in other.open]
    too = f"; {', '.join(others)} {'moves' if len(others) == 1 else 'move'} with it" if others else ""
    if note.fired_cents < 0:
        return f"{by} flat: hole {piece.holes[hole]} wider by {mm:.2f} mm, or its inner rim undercut ({grind}){too}"
    fill = "wax or epoxy putty" if fired else "slip of the same clay"
    return f"{by} sharp: hole {piece.holes[hole]} narrower by {mm:.2f} mm, with {fill} at the rim{too}"
