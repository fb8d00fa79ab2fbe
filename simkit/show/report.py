"""A report of a design on one HTML page: one file, no network, readable on a screen, a phone and paper."""

from __future__ import annotations

import base64
import io
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import NamedTuple

import jinja2
import numpy as np
from matplotlib.figure import Figure
from PIL import Image
from rich.table import Table
from rich.text import Text

from simkit.body import body_of
from simkit.errors import OutOfReach
from simkit.files import MARK
from simkit.making.cautions import CAUTIONS, FIRST
from simkit.optimisation.aims.handmade import HandError, hand_error
from simkit.optimisation.problem.trial import Setting
from simkit.provenance import provenance
from simkit.show import look
from simkit.show.as_text import FEELING, air_words
from simkit.show.in_the_round import in_the_round
from simkit.show.plates import blow_panels, chart_panels, ringing_panels
from simkit.show.pocket import pocket
from simkit.show.scale import scale_chart
from simkit.show.terminal import blow_table, combination_table, note_table, numbers, plain_table, ring_table
from simkit.show.thickness import thickness_map
from simkit.show.views import views
from simkit.sound import models
from simkit.sound.answers.chart import chart
from simkit.sound.answers.comparison import Build, reasons_for
from simkit.sound.answers.higher import Ringing, resonances
from simkit.sound.answers.prediction import Prediction, predict
from simkit.sound.blowing.table import BlowTable, blow
from simkit.sound.catalogue import Model, able, catalogue
from simkit.vessel import DesignError, Vessel, tuning_of

RINGS = 4  # higher resonances shown
CHARTED = 10  # holes; the combinations of more make no page to read
LONGEST_TABLE = 64  # combinations listed
RASTER_DPI = 150  # of shaded surfaces; lines stay vectors


class Picture(NamedTuple):
    """A picture in a page: its bytes as a data address, and a description for those who cannot see it."""

    address: str
    shows: str


@dataclass(frozen=True)
class ReportSection:
    """A part of the page: a heading, and under it sentences, pictures and tables in this order."""

    heading: str
    text: tuple[str, ...] = ()
    pictures: tuple[Picture, ...] = ()
    tables: tuple[tuple[str, Table], ...] = ()  # each with its caption
    remarks: tuple[str, ...] = ()
    remarks_lead: str = ""


def report(vessel: Vessel, *, judge: bool = False, sheets: str | None = None, state: str = "played") -> str:
    """The page as one HTML text, pictures included.

    judge: also the air meshed as a whole, about half a minute, then seconds a note. sheets: the address of a folder of
    sheets to link to, as seen from the page. state: what its numbers are of, "played" or "still"; the part to play is
    of the piece as it is played in either.
    """
    names = models.models() if judge else able("quick")  # the judge takes seconds a note, and waits to be asked
    prediction = predict(vessel, names, state=state)
    blown = blow(vessel, state=state) if any(chamber.voicing for chamber in vessel.chambers) else None
    sections = [_looks(vessel), *_scale(vessel, prediction), *_blowing(vessel, blown), *_combinations(vessel, state)]
    ringing = _ringing(vessel, state)
    sections += [*_slips(vessel, state), _higher(vessel, ringing), _evidence(vessel, prediction, ringing, judge)]
    # each once: a design's own may come back with the prediction
    cautions = list(dict.fromkeys([*vessel.cautions, *prediction.cautions]))
    return rendered(
        "report.html.j2",
        title=vessel.title or Path(vessel.source).stem,
        lead=_lead(vessel, prediction),
        sections=sections,
        cautions=cautions,
        care=[*(text for _, text in CAUTIONS), FIRST],
        sheets=sheets,
        design=_design(vessel),
        source=Path(vessel.source).name,
        # whoever taps its holes plays it
        pocket=None if blown is None else pocket(vessel, blown if state == "played" else blow(vessel)),
    )


def rendered(template: str, **shown: object) -> str:
    """A page from one of our templates, its text escaped, our colours in it."""
    folder = jinja2.FunctionLoader(lambda name: files("simkit.show").joinpath(name).read_text(encoding="utf-8"))
    environment = jinja2.Environment(
        loader=folder, autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined
    )
    environment.filters["table"] = html_rows
    colours = {name: getattr(look, name.upper()) for name in look.PAGE}
    return environment.get_template(template).render(colours=colours, mark=MARK, made=provenance(), **shown)


# --- the parts of the page ------------------------------------------------------------------------


def _lead(vessel: Vessel, prediction: Prediction) -> str:
    """The instrument in one sentence."""
    holes = sum(len(chamber.holes) for chamber in vessel.chambers)
    litres = " + ".join(f"{1e6 * chamber.volume:.0f}" for chamber in prediction.chambers)
    played = [note.answer.frequency_hz for note in prediction.notes if note.answer.frequency_hz]
    named = [note.pitch for note in prediction.notes if note.pitch]
    chambers = f" of {len(vessel.chambers)} chambers" if len(vessel.chambers) > 1 else ""
    plays = f", which plays {named[0]} to {named[-1]}" if len(named) > 1 else ""
    spans = f" ({min(played):.0f} to {max(played):.0f} Hz)" if len(played) > 1 else ""
    return (
        f"A vessel flute{chambers} with {litres} ml of air and {holes} hole{'' if holes == 1 else 's'}{plays}"
        f"{spans}, as computed from its written design before there is any clay. Sizes are of the fired piece."
    )


def _looks(vessel: Vessel) -> ReportSection:
    body = body_of(vessel)
    clay = thickness_map(body)
    figure = look.page(views(vessel, body), in_the_round(vessel, body), *([clay] if clay else []))
    sides = "from above, from the right and from the mouth end, in the round and cut open"
    table = plain_table("hole", *numbers("along, mm", "around, °", "diameter, mm"), "finger")
    for chamber in vessel.chambers:
        name = f"{chamber.name} " if len(vessel.chambers) > 1 else ""
        for hole in chamber.holes:
            place = (f"{hole.along_mm:g}", f"{hole.around_deg:g}", f"{hole.diameter_mm:g}")
            table.add_row(name + hole.name, *place, hole.finger or "")
    tables = (("Where the holes are", table),) if table.rows else ()
    return ReportSection(
        "The piece", pictures=(picture(figure, f"{vessel.title or 'The vessel'} {sides}"),), tables=tables
    )


def _scale(vessel: Vessel, prediction: Prediction) -> Iterator[ReportSection]:
    for chamber in prediction.chambers:
        holes = vessel.chamber(chamber.name).holes
        table = note_table(holes, chamber.notes)
        pictures: tuple[Picture, ...] = ()
        if any(note.pitch for note in chamber.notes):
            names = [hole.name for hole in holes]
            panel = scale_chart("", names, chamber.notes, "bars: by how much the model may be wrong", 150)
            shows = "Each note's frequency and its cents off the target, by each model, over its fingering"
            pictures = (picture(look.page(panel), shows),)
        text = (
            f"In air of {air_words(vessel, prediction.state)}; Q is linear, as if barely blown. ● covered, ○ open.",
        )
        yield ReportSection(
            _of(vessel, "What it plays", chamber.name), text, pictures, (("Notes by each model", table),)
        )


def _blowing(vessel: Vessel, table: BlowTable | None) -> Iterator[ReportSection]:
    if table is None:
        return
    tables = tuple(
        (_of(vessel, "Breath", chamber.name), blow_table(vessel.chamber(chamber.name).holes, chamber.notes))
        for chamber in table.chambers
    )
    shows = ("Breath and margin of each note", "Pitch against breath with the regions in which other resonances sound")
    notes = [note for chamber in table.chambers for note in chamber.notes]
    advice = [f"{note.pitch or 'all covered'}: {text}" for note in notes for text in note.advice]
    text = (
        "Pa is the breath at which the jet drives the note best, Hz what sounds then, bend the cents for a tenth more"
        " breath. The margin is how many times its breath a note stands until it jumps (>: none up to 5,000 Pa).",
        _sentence(FEELING),
    )
    pictures = tuple(
        picture(look.page(panel), _of(vessel, what, chamber.name))
        for chamber in table.chambers
        for what, panel in zip(shows, blow_panels(vessel, chamber), strict=True)
    )
    yield ReportSection("How it blows", text, pictures, tables, (*advice, *table.cautions))


def _combinations(vessel: Vessel, state: str) -> Iterator[ReportSection]:
    if not 0 < max(len(chamber.holes) for chamber in vessel.chambers) <= CHARTED:
        return
    found = chart(vessel, state=state)
    shows = "Every combination of holes by its frequency"
    tables = tuple(
        (_of(vessel, "Combinations", chamber.name), combination_table(vessel.chamber(chamber.name).holes, chamber))
        for chamber in found.chambers
        if len(chamber.fingerings) <= LONGEST_TABLE
    )
    pictures = tuple(picture(look.page(panel), shows) for panel in chart_panels(vessel, found))
    yield ReportSection("Every combination of holes", (), pictures, tables)


def _slips(vessel: Vessel, state: str) -> Iterator[ReportSection]:
    """The effect of a tenth of a millimetre, and of hand-made error."""
    if not any(chamber.notes for chamber in vessel.chambers):
        return
    try:
        found = hand_error(vessel, setting=Setting(state=state))
    except DesignError:  # a note that is silent is moved by no hand
        return
    tables = []
    for chamber in vessel.chambers:
        if not chamber.notes:
            continue
        table = plain_table("note", *numbers(*(f"hole {hole.name}" for hole in chamber.holes), "by hand"))
        for pitch, slopes, total in _rows(found, chamber.name, [hole.name for hole in chamber.holes]):
            table.add_row(pitch, *(_signed(cents) for cents in slopes), f"± {total:.0f}")
        tables.append((_of(vessel, "Cents for 0.1 mm more diameter", chamber.name), table))
    yield ReportSection("What a slip of the hand does", (_sentence(found.words),), (), tuple(tables))


def _rows(found: HandError, chamber: str, holes: Sequence[str]) -> Iterator[tuple[str, np.ndarray, float]]:
    columns = [found.causes.index(f"{chamber}.hole.{hole}.diameter_mm") for hole in holes]
    for (name, pitch), cents, total in zip(found.notes, found.cents, found.total, strict=True):
        if name == chamber:
            yield pitch, 0.1 * cents[columns] / found.hands.hole_mm, float(total)  # slopes: the errors are small


def _ringing(vessel: Vessel, state: str) -> Ringing:
    try:
        return resonances(vessel, RINGS, state=state)
    except OutOfReach:  # nothing is open: then as a closed chamber
        return resonances(vessel, RINGS, closed=True, state=state)


def _higher(vessel: Vessel, ringing: Ringing) -> ReportSection:
    state = "closed" if ringing.closed else "with its window open and all holes covered"
    shows = f"Pressure on the wall in the next {RINGS} resonances, red and blue of opposite sign"
    tuning = tuning_of(vessel)
    head = "Resonances above the note"
    tables = tuple((_of(vessel, head, c.name), ring_table(c.rings, tuning, c.note)) for c in ringing.chambers)
    text = (f"The chamber {state}. The nearer the next resonance, the sooner a note jumps to it.",)
    pictures = tuple(picture(look.page(each), shows, raster=True) for each in ringing_panels(vessel, ringing))
    return ReportSection("How it rings above", text, pictures, tables)


def _evidence(vessel: Vessel, prediction: Prediction, ringing: Ringing, judge: bool) -> ReportSection:
    """The evidence: meshes, the models' own uncertainty, why they differ."""
    quick, slow = ([model for model in catalogue() if model.quick is wanted] for wanted in (True, False))
    table = plain_table("chamber", *numbers("mesh, nodes", "elements", "mesh volume, ml", "exact, ml"))
    remarks = []
    cases = models.cases(vessel, state=prediction.state)
    for case, chamber, ringing_chamber in zip(cases, prediction.chambers, ringing.chambers, strict=True):
        resonators = [models.resonator(name, case) for name in able("quick")]
        mesh, build = ringing_chamber.mesh, Build.of(case.chamber)
        assert mesh is not None  # ports was asked, which has one
        sizes = f"{len(mesh.points)}", f"{len(mesh.tets)}"
        table.add_row(chamber.name, *sizes, f"{1e6 * mesh.volume:.2f}", f"{1e6 * case.chamber.volume:.2f}")
        for note in chamber.notes:
            remarks += [f"{note.pitch or 'all covered'}: {why}" for why in reasons_for(resonators, build, note)]
    text = (
        f"{len(quick)} models answer for every note: {'; '.join(_said(model) for model in quick)}."
        " Each says by how many cents it may be wrong.",
        f"Beside these {'; '.join(_said(model) for model in slow)}."
        + ("" if judge else " It was not asked here (simkit report --judge)."),
    )
    tables = (("The mesh behind ports", table),)
    return ReportSection("Why to believe it", text, (), tables, tuple(remarks), "Where models part, this is why:")


def _said(model: Model) -> str:
    return f"{model.name}, {model.says}" if model.says else model.name


def _of(vessel: Vessel, what: str, chamber: str) -> str:
    return f"{what}: {chamber}" if len(vessel.chambers) > 1 else what


def _signed(cents: float) -> str:
    """Cents with their sign; nothing where they round to none."""
    return "" if abs(cents) < 0.05 else f"{cents:+.1f}"


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."


def _design(vessel: Vessel) -> str:
    """The design file itself, where there is one."""
    try:
        return Path(vessel.source).read_text(encoding="utf-8-sig")
    except OSError:
        return ""


# --- pictures and tables as HTML ------------------------------------------------------------------


def picture(figure: Figure, shows: str, raster: bool = False) -> Picture:
    """A figure as a picture of a page: lines as SVG, shaded surfaces as WebP, a tenth of what PNG makes of them."""
    out = io.BytesIO()
    with look.styled():
        if raster:
            figure.savefig(out, format="webp", dpi=RASTER_DPI, pil_kwargs={"quality": 90})
        else:
            figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    drawn = out.getvalue() if raster else _smaller(out.getvalue())
    kind = "webp" if raster else "svg+xml"
    return Picture(f"data:image/{kind};base64,{base64.b64encode(drawn).decode()}", shows)


def _smaller(svg: bytes) -> bytes:
    """The same picture, lines to a hundredth of a point and shaded parts as WebP: half of the file."""
    # Only within path data: a size elsewhere keeps its digits.
    lines = _OUTLINE.sub(lambda outline: _BEYOND.sub(rb"\1", outline[0]), svg)
    return _SHADED.sub(lambda png: b"data:image/webp;base64," + base64.b64encode(_webp(png[1])), lines)


def _webp(png: bytes) -> bytes:
    out = io.BytesIO()
    Image.open(io.BytesIO(base64.b64decode(png))).save(out, format="webp", quality=90)
    return out.getvalue()


_OUTLINE = re.compile(rb'(?<= d=")[^"]+')
_BEYOND = re.compile(rb"(\.\d\d)\d+")
_SHADED = re.compile(rb"data:image/png;base64,([^\"]+)")


class Cell(NamedTuple):
    """A cell of an HTML table."""

    text: str
    right: bool
    accent: bool


def html_rows(table: Table) -> tuple[list[Cell], list[list[Cell]]]:
    """The head and the rows of a table made for a terminal."""
    columns = [(str(c.header), c.justify == "right", list(c.cells)) for c in table.columns]
    head = [Cell(name, right, False) for name, right, _ in columns]
    rows = [
        [Cell(str(cells[n]), right, _is_marked(cells[n])) for _, right, cells in columns]
        for n in range(table.row_count)
    ]
    return head, rows


def _is_marked(cell: object) -> bool:
    return isinstance(cell, Text) and bool(cell.style)
