"""Sheets for the bench from a design: all figures once, then pages for any paper."""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from simkit.body import Body, ChamberBody, body_of
from simkit.body.clay import clay_volume
from simkit.body.inspection import without_further_ducts
from simkit.errors import Fault, InputError
from simkit.frozen import frozen
from simkit.making import cards, holes, overview, sticks, strips, voicing
from simkit.making.clay_rules import weights_g
from simkit.making.drills import Drill, Reamer
from simkit.making.layout import Flow, Heading
from simkit.making.paper import Drawing, Page, Paper
from simkit.making.readings import RULE_DOUBT_CENTS, StageReading, air_ratio, readings
from simkit.making.shrinkage import Shrinkage, Stage, shrinkage_of
from simkit.making.sizes import Size, sizes_of
from simkit.making.wraps import Places, places_of
from simkit.vessel import AirState, Chamber, Note, Vessel, target_of, tuning_of

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class ChamberWork:
    """All that the sheets say of one chamber; lengths in mm, at the stage that their sheet names."""

    name: str
    volume: float
    sizes: tuple[Size, ...]
    notes: tuple[overview.NoteReadings, ...]
    form: cards.Form
    places: Places
    voicing: voicing.VoicingPlan | None
    cuts: tuple[holes.PlannedHole, ...]
    first: tuple[str, tuple[StageReading, ...]] | None = None  # the covered note before any hole is cut


@frozen
class Work:
    """All that the sheets say of a piece: forms for wet clay, openings at the stage when they are cut."""

    vessel: Vessel
    body: Body
    shrinkage: Shrinkage
    cut_at: Stage
    reamers: tuple[Reamer, ...]
    drills: tuple[Drill, ...]
    today: AirState | None
    chambers: tuple[ChamberWork, ...]
    clay: tuple[cards.ClayForm, ...] = ()
    still: Mapping[str, Sequence[float]] | None = None  # as of `work_of`; None where readings are of a piece blown

    @property
    def state(self) -> str:
        """State of the piece that is read, "played" or "still"."""
        return "played" if self.still is None else "still"


def work_of(
    vessel: Vessel,
    *,
    body: Body | None = None,
    shrinkage: Shrinkage | None = None,
    cut_at: Stage = Stage.LEATHER_HARD,
    reamers: Sequence[Reamer] = (),
    drills: Sequence[Drill] = (),
    today: AirState | None = None,
    still: Mapping[str, Sequence[float]] | None = None,
) -> Work:
    """Every figure of the sheets; InputError for a design that cannot be made in clay.

    shrinkage: the maker's own (a test bar's), else the design's; drills: the maker's own, else a set in halves of a mm;
    today: the air on the bench, if it is not that of the design; still: readings are taken of the piece by itself, and
    each note of each chamber is then so many times the note as played (`simkit.tuning.still_over_played`).
    """
    if vessel.clay.wall_mm == 0:
        allowed = "more than 0: there is nothing to make without a wall"
        raise InputError([Fault(vessel.source, "clay.wall_mm", 0, allowed)])
    without_further_ducts(vessel, "sheets and solids know how to cut plain ducts alone")
    body = body or body_of(vessel)
    shrinkage = shrinkage or shrinkage_of(vessel)
    tools = (tuple(reamers), tuple(drills))  # frozen like the rest of the work
    work = Work(vessel, body, shrinkage, cut_at, *tools, today, (), still=still)
    chambers = []
    for chamber, solid in zip(vessel.chambers, body.chambers, strict=True):
        log.info("drawing %s", chamber.name)
        chambers.append(_chamber_work(work, chamber, solid))
    return replace(work, chambers=tuple(chambers), clay=cards.clay_forms(vessel, shrinkage))


def _chamber_work(work: Work, chamber: Chamber, solid: ChamberBody) -> ChamberWork:
    """Every figure of one chamber; of the piece only what concerns all."""
    vessel, shrinkage, cut_at, blown = work.vessel, work.shrinkage, work.cut_at, chamber.voicing
    # Holes without a named finger leave their cell empty.
    fingers = {hole.name: hole.finger for hole in chamber.holes if hole.finger}
    size = shrinkage.size(cut_at)
    cuts = holes.cuts(solid, fingers, shrinkage, cut_at, work.reamers, work.drills)  # first: a reamer may not fit
    return ChamberWork(
        chamber.name,
        solid.volume,
        sizes_of(vessel, chamber, solid),
        tuple(_read(work, chamber, n) for n in range(len(chamber.notes))),
        cards.form_of(solid.wall, shrinkage.size(Stage.WET)),
        places_of(work.body, solid),
        voicing.plan_of(work.body, solid, blown, size, chamber.mouthpiece) if blown else None,
        cuts,
    )


def _read(work: Work, chamber: Chamber, n: int) -> overview.NoteReadings:
    """Name of a note, its fingering, and what it must read at each stage."""
    note, ratio = chamber.notes[n], air_ratio(work.vessel.air, work.today)
    opened = tuple(hole.name in note.open for hole in chamber.holes)
    stages = readings(_fired_hz(work, chamber, n), work.shrinkage, tuning_of(work.vessel), air_ratio=ratio)
    return _note_name(note), opened, stages


def _fired_hz(work: Work, chamber: Chamber, n: int) -> float:
    """Frequency of a note, Hz, as it reads when fired and in tune."""
    target = target_of(work.vessel, chamber.notes[n])
    # Of the piece by itself it reads otherwise than when blown.
    return target if work.still is None else target * work.still[chamber.name][n]


def with_first_blow(work: Work, uncut: Mapping[str, Mapping[Stage, float]]) -> Work:
    """Work with what each chamber must read before any hole is cut.

    uncut: for each chamber of which it is known by how many cents its covered note then reads higher at each stage
    (`simkit.tuning.before_holes`).
    """
    ratio = air_ratio(work.vessel.air, work.today)
    chambers = []
    for chamber in work.chambers:
        designed = work.vessel.chamber(chamber.name)
        n = next((n for n, note in enumerate(designed.notes) if not note.open), None)  # the first note with all covered
        if n is not None and chamber.name in uncut:
            hz, tuning = _fired_hz(work, designed, n), tuning_of(work.vessel)
            read = readings(hz, work.shrinkage, tuning, air_ratio=ratio, higher_cents=uncut[chamber.name])
            chamber = replace(chamber, first=(_note_name(designed.notes[n]), read))
        chambers.append(chamber)
    return replace(work, chambers=tuple(chambers))


def _note_name(note: Note) -> str:
    return note.pitch + (f" {note.cents:+g}" if note.cents else "")


# --- pages -------------------------------------------------------------------------------------------


def pages(work: Work, paper: Paper) -> tuple[Page, ...]:
    """All sheets for one paper: the overview, then for each chamber form, cards, strips, voicing and holes."""
    flows = [_overview(work, paper)]
    for chamber in work.chambers:
        form, lengthwise = _form(work, chamber, paper)  # cards that found no room there go on with the others
        flows += [form, _cards(work, chamber, paper, lengthwise)]
        if chamber.places.wraps:
            flows.append(_strips(work, chamber, paper))
        if chamber.voicing:
            flows.append(_voicing(work, chamber, paper))
        if chamber.cuts:
            flows.append(_holes(work, chamber, paper))
    if work.clay:
        flows.append(_clay_cards(work, paper))
    count = sum(len(flow.done) for flow in flows)  # all sheets are laid out before any is numbered
    numbered: list[Page] = []
    for flow in flows:
        numbered += flow.pages(len(numbered) + 1, count)  # numbered through all sheets
    return tuple(numbered)


def _heading(work: Work, purpose: str, stage: str, chamber: ChamberWork | None = None) -> Heading:
    piece = work.vessel.title or "untitled"
    if chamber and len(work.chambers) > 1:
        piece = f"{piece}: {chamber.name}"
    return Heading(piece, purpose, stage, f"shrinks {100 * work.shrinkage.total:.1f} % from wet to fired")


def _overview(work: Work, paper: Paper) -> Flow:
    heading = _heading(work, "", "")
    # The piece's name in large type, this once.
    flow = Flow(paper, replace(heading, purpose=heading.piece, piece="sizes and readings"))
    flow.put(overview.facts(_facts(work), flow.width))
    for chamber in work.chambers:
        if len(work.chambers) > 1:
            flow.put(overview.caption(chamber.name))  # of one chamber alone the title says enough
        flow.put(*overview.size_tables(chamber.sizes, chamber.volume, work.shrinkage, work.cut_at))
        if chamber.notes:
            flow.put(*overview.reading_tables(chamber.notes, chamber.first))
    _remark(flow, *_remarks(work))
    flow.put(overview.cautions(flow.width))
    return flow


def _facts(work: Work) -> list[tuple[str, str]]:
    clay, air = work.shrinkage, work.today or work.vessel.air
    doubt = 100 * clay.wet_doubt * (1 - clay.total)  # of S_t = 1 - 1/wet, its relative doubt over wet
    wet, fired = weights_g(clay_volume(work.body), clay.size(Stage.WET))
    return [
        (
            "shrinkage",
            f"{100 * clay.total:.2f} ± {doubt:.2f} % of the wet length, from {clay.basis or 'what you gave'}: drying "
            f"{100 * clay.drying:.2f} %, then firing {100 * clay.firing:.2f} % of the dry length",
        ),
        ("weight", f"about {wet:.0f} g of wet clay, {fired:.0f} g fired, openings not counted"),
        ("tuning", f"A4 = {work.vessel.scale.a4_hz:g} Hz, {work.vessel.scale.temperament}"),
        ("air", f"{air.temperature_c:g} °C, {air.humidity_percent:g} % humidity" + (" (today)" if work.today else "")),
        ("cut at", f"{work.cut_at}: strips, voicing and holes; forms and cards are for wet clay; bold, each when made"),
    ]


def _remarks(work: Work) -> list[str]:
    tell = "simkit tune" if work.still is None else "simkit tune, as one of the piece by itself"
    first = (
        "No hole cut: what the covered note reads at the first blow, when only the window is cut; the holes' own air "
        f"then lowers it. Tell that reading to {tell}."
    )
    by_itself = (
        "Readings are of the piece by itself, its windway shut, a loudspeaker at its window: what each note then reads "
        "when it is in tune as it is blown, by the design. The columns' cents are from that, not from the note's name."
    )
    return [
        *([] if work.still is None else [by_itself]),
        *([first] if any(chamber.first for chamber in work.chambers) else []),
        f"Readings: f goes as 1/size, so every note is flat by the same cents until it is fired. The doubt is one "
        f"standard deviation of the shrinkage and {RULE_DOUBT_CENTS:g} cents for the slow air at the walls, which does "
        "not scale. They say what an unfired piece must read to be in tune after the kiln.",
        "Your own clay: mark two lines 100 mm apart on a wet bar, fire it with the piece, measure: what is lost is the "
        "shrinkage in percent. Hole sizes are ends: start with the drill, stop short, and listen.",
    ]


def _form(work: Work, chamber: ChamberWork, paper: Paper) -> tuple[Flow, list[Drawing]]:
    """The views, and the lengthwise cards too if there is room; else they are handed on."""
    flow = Flow(paper, _heading(work, "Inside form", Stage.WET, chamber))
    _remark(flow, "Trace both views on the block and carve across; draw the stations; true it with the cards.")
    flow.put(_views(flow, chamber.form, "mouth end"))
    lengthwise = cards.long_cards(chamber.form)
    if flow.has_room(*lengthwise):  # all or none: a set of cards is not torn apart
        flow.put(*lengthwise)
        lengthwise = []
    return flow, lengthwise


def _cards(work: Work, chamber: ChamberWork, paper: Paper, lengthwise: list[Drawing]) -> Flow:
    flow = Flow(paper, _heading(work, "Section cards", Stage.WET, chamber))
    _remark(
        flow,
        "Glue on card and cut the line: the inside is a rib, the outside a gauge. Part a gauge along the dashed line "
        "to hold it against the form. Numbers: stations from the mouth end, seen from there. Letters: lengthwise, seen "
        "from the right, mouth end at the left.",
    )
    flow.put(*cards.cross_cards(chamber.form))
    flow.put(*lengthwise, break_row=False)  # right after the last card, as far as its row has room
    return flow


def _clay_cards(work: Work, paper: Paper) -> Flow:
    flow = Flow(paper, _heading(work, "Outside and parts", Stage.WET))
    _remark(
        flow,
        "The outside of the body and each part of clay by itself, before they are joined; of parts that are alike one. "
        "Where they sink into one another their cards run on through both.",
    )
    for solid in work.clay:  # a part may be carved without the piece at hand: each has all that it needs
        flow.put(overview.caption(solid.names))
        flow.put(_views(flow, solid.form, solid.near))
        flow.put(*cards.cross_cards(solid.form))
        flow.put(*cards.long_cards(solid.form), break_row=False)
    return flow


def _remark(flow: Flow, *lines: str) -> None:
    """Put what to do on a sheet, in small print."""
    flow.put(overview.small_print(lines, flow.width))


def _views(flow: Flow, form: cards.Form, near: str) -> Drawing:
    """The views of a form, up the paper if they fit so."""
    upright = cards.views(form, upright=True, near=near)
    # lying, a long piece may still be laid over several sheets.
    return upright if upright.width <= flow.width else cards.views(form, upright=False, near=near)


def _strips(work: Work, chamber: ChamberWork, paper: Paper) -> Flow:
    flow = Flow(paper.lying, _heading(work, "Strips to place the openings", work.cut_at, chamber), gap=4.0)
    scale = 1e3 * work.shrinkage.size(work.cut_at)
    table = strips.place_table(chamber.places, scale)
    # Instructions speak of such strips only where there are some.
    steep = any(wrap.steep for wrap in chamber.places.wraps)
    joined = any(wrap.stretch for wrap in chamber.places.wraps)
    flow.put(strips.how_to(max(100.0, flow.width - table.width - 8), steep, joined), table)
    flow.put(*strips.line_strips(chamber.places, scale))  # first along the piece, then round it: the order of use
    flow.put(*(strips.wrap_strip(wrap, scale) for wrap in chamber.places.wraps))
    return flow


def _voicing(work: Work, chamber: ChamberWork, paper: Paper) -> Flow:
    flow = Flow(paper, _heading(work, "Window, windway and edge", work.cut_at, chamber))
    plan = chamber.voicing
    assert plan is not None
    flow.put(voicing.section(plan))
    flow.put(voicing.detail(plan), sticks.outside_cuts(plan))  # side by side where both fit
    flow.put(sticks.windway_stick(plan))
    flow.put(sticks.window_stick(plan), break_row=False)
    return flow


DISCS = (
    "Outer line: the finished hole. Inner line: the drill to start with; simkit tune may ask for a smaller one, never "
    "for a larger."
)


def _holes(work: Work, chamber: ChamberWork, paper: Paper) -> Flow:
    flow = Flow(paper, _heading(work, "Holes", work.cut_at, chamber))
    flow.put(holes.hole_table(chamber.cuts, work.cut_at, work.reamers, bool(work.drills)))
    by_hand = [f"Hole {cut.hole}, by hand: {cut.remark}." for cut in chamber.cuts if cut.remark]
    by_hand = [*holes.slanting(work.body.chamber(chamber.name).all_openings), *by_hand]
    if by_hand:
        _remark(flow, *by_hand)
    _remark(flow, DISCS)
    for row in holes.rows_of(holes.discs(chamber.cuts), flow.width):
        flow.put(row)
    for rule in holes.reamer_rules(chamber.cuts, work.reamers):
        flow.put(rule)
    return flow
