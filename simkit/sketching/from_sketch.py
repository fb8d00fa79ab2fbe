"""A commented design from a sketch: its inside as sections, its window and holes at their marks."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from simkit.body.inspection import inspect
from simkit.errors import Fault, InputError
from simkit.sketching.legs import leg_pairs, leg_text, leg_words
from simkit.sketching.marks import Openings, openings
from simkit.sketching.photograph import SUFFIXES, photo_sketch
from simkit.sketching.section_rows import CLOSE_MM, FittedRows, Profiles, Row, fitted
from simkit.sketching.silhouettes import Profile, profile
from simkit.sketching.strokes import ABOVE, LEGS, SIDE, VIEWS, Sketch
from simkit.sketching.svg_layers import svg_sketch
from simkit.vessel import Vessel, loads
from simkit.vessel.faults import printable
from simkit.vessel.wishes import clay_faults

ALIKE = 0.05  # share of a length by which two views of it may part
_FOLDED = 0.03, 0.2  # share of an outline's area that sections would fill: worth telling, too much
# twice the inside's: notes hardly depend on it
OUTSIDE_MM = 0.3  # of misfit that is asked of the outside
_ASKEW_MM = 2.0  # of misfit: more is no shaking hand
RULER_MM = (1.0, 2000.0)  # of any drawing of a vessel that is held in hands


@dataclass(frozen=True)
class Sketched:
    """The design that a sketch makes: its file's text, the vessel, how far the outlines lie from it, remarks."""

    text: str
    vessel: Vessel
    inside: FittedRows
    outside: FittedRows | None
    said: tuple[str, ...]

    @property
    def misfit_mm(self) -> float:
        """The farthest that a drawn outline of the inside lies from the design's, mm."""
        return self.inside.worst


def sketch(
    path: str | Path, *, ruler_mm: float | None = None, wall_mm: float = 4.0, shrinkage_percent: float = 10.0
) -> Sketched:
    """A design from a drawing: an SVG file with a layer for each outline, or a picture of dark outlines.

    ruler_mm: how long the drawing's ruler is; a picture needs it, an SVG file where its ruler has no label. An
    InputError says what of the drawing cannot be used, and what to do.
    """
    # All at once, before anything is read.
    faults = list(clay_faults(wall_mm=wall_mm, shrinkage_percent=shrinkage_percent))
    low, high = RULER_MM
    if ruler_mm is not None and not low <= ruler_mm <= high:
        faults.append(Fault.of("ruler_mm", ruler_mm, f"a number from {low:g} to {high:g}"))
    if faults:
        raise InputError(faults)
    drawn = _read(path, ruler_mm)
    inside = _profiles(drawn, "inside")
    assert inside is not None  # both readers see to it
    outside = _profiles(drawn, "outside")
    folded, clay = _folded(drawn.source, inside), _clay_in_views(drawn.source, inside, outside)
    marked = openings(replace(drawn, marks=tuple(mark for mark in drawn.marks if mark.layer != LEGS)), inside)
    legs = leg_pairs(drawn, inside, outside, wall_mm)
    rows = fitted(inside, max(CLOSE_MM, 2 * drawn.blur_mm))  # no nearer than the line itself is known
    coat = None if outside is None else OutsideRows(fitted(outside, OUTSIDE_MM), *_offset(inside, outside))
    missing = [*_missing("inside", inside), *(_missing("outside", outside) if outside else ())]
    around = [] if coat is None else [*_askew(coat.rows, "outside"), *coat.said]
    said = (*_askew(rows), *drawn.said, *missing, *folded, *marked.said, *leg_words(legs), *clay, *around)
    text = _text(Path(path), rows, coat, marked, wall_mm, shrinkage_percent, said) + "".join(leg_text(legs))
    vessel = loads(text, str(path))  # read like any design, so that it is one
    geometric = inspect(vessel)
    if geometric:
        raise InputError([*geometric, *folded, *_askew(rows)])  # how the drawing lies may be what is wrong with it
    return Sketched(text, vessel, rows, coat.rows if coat else None, said)


def _read(path: str | Path, ruler_mm: float | None) -> Sketch:
    suffix = Path(path).suffix.lower()
    if suffix == ".svg":
        return svg_sketch(path, ruler_mm)
    if suffix in SUFFIXES:
        return photo_sketch(path, ruler_mm)
    allowed = f"a drawing, .svg, or a picture of one, {', '.join(SUFFIXES)}"
    raise InputError([Fault.of("sketch", None, allowed, file=str(path))])


# --- profiles --------------------------------------------------------------------------------------


def _profiles(drawn: Sketch, what: str) -> Profiles | None:
    """Both views of the inside or the outside; InputError where their lengths part or they are too small."""
    views = {view: profile(line.points) for view in VIEWS if (line := drawn.outlines.get(f"{what} {view}"))}
    faults = []
    for view, each in views.items():
        tall = float((each.high - each.low).max())
        if not (5 <= each.length <= 1000 and 3 <= tall <= 1000):
            allowed = f"sizes from 5 to 1000 mm; by the ruler this outline is {each.length:.4g} long, {tall:.4g} high"
            faults.append(Fault(drawn.source, f"layer {what} {view}", None, allowed))
    if len(views) == 2 and not faults:
        side, above = views[SIDE].length, views[ABOVE].length
        if abs(side - above) > ALIKE * max(side, above):  # less is a hand's, and is stretched away
            allowed = (
                f"about the length of {what} side, {side:.1f} mm; this one is {above:.1f} mm long: draw both views "
                "equally long, mouth end at the left"
            )
            faults.append(Fault(drawn.source, f"layer {what} above", None, allowed))
    if faults:
        raise InputError(faults)
    return Profiles(views.get(SIDE), views.get(ABOVE)) if views else None


def _missing(what: str, drawn: Profiles) -> list[str]:
    if drawn.above is None:
        return [f"the {what} is not drawn from above: its sections are made round, as wide as they are high"]
    if drawn.side is None:
        return [f"the {what} is not drawn from the side: its sections are made round, as high as they are wide"]
    side, above = drawn.side.length, drawn.above.length
    if abs(side - above) > 0.005 * side:
        return [f"from above the {what} is {above:.1f} mm long, from the side {side:.1f}: stretched to the latter"]
    return []


@dataclass(frozen=True)
class OutsideRows:
    """The outside's rows, where its zero lies in the inside's frame (along, across, up, mm), and remarks."""

    rows: FittedRows
    offset_mm: tuple[float, float, float]
    said: tuple[str, ...]


def _offset(inside: Profiles, outside: Profiles) -> tuple[tuple[float, float, float], tuple[str, ...]]:
    """Offset of the outside from the inside (along, across, up), mm, by views in which both are drawn; remarks."""
    along: float | None = None
    across, up = 0.0, 0.0
    said: tuple[str, ...] = ()
    if inside.above and outside.above:
        along = outside.above.left - inside.above.left
        across = inside.above.middle - outside.above.middle  # the drawing's up is the piece's left
    if inside.side and outside.side:
        along = outside.side.left - inside.side.left
        up = outside.zero - inside.zero
    if along is None:
        along = (inside.length - outside.length) / 2
        said = ("inside and outside are drawn in no view together: the outside is put around the inside's middle",)
    return (round(along, 2), round(across, 2), round(up, 2)), said


def _folded(source: str, inside: Profiles) -> list[str]:
    remarked, most = _FOLDED
    faults = [
        Fault(
            source,
            f"layer inside {name}",
            None,
            "an outline that an upright line crosses twice at most; this one leans over itself, and sections would "
            f"fill {100 * each.folded:.0f} % of what they cover: draw it straighter, length from left to right",
        )
        for name, each in inside.views
        if each.folded > most
    ]
    if faults:
        raise InputError(faults)
    return [
        f"inside {name}: the outline leans over itself; sections fill {100 * each.folded:.0f} % of what they cover"
        for name, each in inside.views
        if each.folded > remarked
    ]


def _askew(rows: FittedRows, what: str = "inside") -> list[str]:
    return [
        f"{what} {name}: that is far; sections are straight and alike to both sides: does the drawing lie level, mouth "
        "end at the left?"
        for name, found in rows.misfits
        if found.most > _ASKEW_MM
    ]


def _clay_in_views(source: str, inside: Profiles, outside: Profiles | None) -> list[str]:
    """Thickness of the clay in each view where the outside is drawn, in words; InputError where it cuts the inside."""
    said, faults = [], []
    around = dict(outside.views) if outside else {}
    for view, inner in inside.views:
        outer = around.get(view)
        if outer is None:
            continue
        thin, thick, at = _clay(inner, outer)
        if thin <= 0:
            allowed = (
                f"an outline around the inside's; {at - inner.left:.0f} mm along it cuts {-thin:.1f} mm into the "
                "inside: draw both over one another"
            )
            faults.append(Fault(source, f"layer outside {view}", None, allowed))
        else:
            said.append(f"outside {view}: {thin:.1f} to {thick:.1f} mm of clay around the inside")
    if faults:
        raise InputError(faults)
    return said


def _clay(inner: Profile, outer: Profile) -> tuple[float, float, float]:
    """Least and most clay between two outlines, mm, and where the least is; negative where the outer one cuts in."""
    from scipy.spatial import cKDTree

    from simkit.sketching.strokes import evenly

    points = evenly(inner.points, 400)  # a millimetre apart, about
    away, _ = cKDTree(evenly(outer.points, 8000)).query(points)
    share = (points[:, 0] - outer.left) / outer.length
    low, high = (np.interp(share, outer.share, each) for each in (outer.low, outer.high))
    # Inside's points that the outside encloses.
    within = (share > 0) & (share < 1) & (points[:, 1] > low) & (points[:, 1] < high)
    away = np.where(within, away, -away)
    worst = int(away.argmin())
    return float(away[worst]), float(away.max()), float(points[worst, 0])


# --- the design's text -----------------------------------------------------------------------------

_HEAD = """\
# A design for simkit, traced from {source}. Everything after a # is a remark.
#
# Sizes are those of the AIR INSIDE, in the FIRED piece, in mm. along runs from 0 at the mouth end, the drawing's left;
# up is up in the view from the side, and the piece's right is down in the view from above. around_deg is 0 on top,
# 90 on the right, 180 underneath.
#
{remarks}
title = {title}

[clay]
wall_mm = {wall:g}
shrinkage_percent = {shrinkage:g}      # wet to fired, along a line; measure your own clay

{outside}[[chamber]]
name = "body"
shape = "sections"
# Each row: along, width, height, rise of its middle, squareness (2 is an ellipse, more is squarer).
# A first or last row of width 0 closes round, else flat. Change, add or take away rows as you like.
sections = [
{rows}
]
"""

_OUTSIDE = """\
# The outer surface of the clay, in place of an even wall; rows as those of the inside below. Legs and ears are tables
# [[part]] of their own, yours to write.
[outside]
shape = "sections"
sections = [
{rows}
]
offset_mm = {offset}     # of its own zero: along, across, up

"""

_VOICING = """
# Where breath becomes sound. Without it the chamber is a plain resonator.
[chamber.voicing]
along_mm = {v.along_mm:g}{pad}# middle of the window
around_deg = {v.around_deg:g}
breath_toward_deg = {v.breath_toward_deg:g}     # 0: the breath runs away from the mouth end
window_width_mm = {v.window_width_mm:g}
cut_up_mm = {v.cut_up_mm:g}           # from the windway's exit to the edge
windway_height_mm = {v.windway_height_mm:g}
windway_length_mm = {v.windway_length_mm:g}
edge_deg = 45
"""

_HOLE = """
[[chamber.hole]]
name = {name}
along_mm = {hole.along_mm:g}
around_deg = {hole.around_deg:g}
diameter_mm = {hole.diameter_mm:g}
"""

_NOTES = """
# The notes that it should play, and the holes open for each, are yours to write; [] covers all:
# [[chamber.note]]
# pitch = "C5"
# open = []
"""


def _text(
    path: Path,
    rows: FittedRows,
    coat: OutsideRows | None,
    marked: Openings,
    wall_mm: float,
    shrinkage_percent: float,
    said: tuple[str, ...],
) -> str:
    remarks = [*misfit_words(rows, coat.rows if coat else None), *said]
    text = _HEAD.format(
        source=printable(path.name, 200),
        remarks="\n".join(f"# {printable(each, 200)}" for each in remarks),
        title=json.dumps(printable(path.stem.replace("_", " ").strip().capitalize(), 100), ensure_ascii=False),
        wall=wall_mm,
        shrinkage=shrinkage_percent,
        rows="\n".join(map(_row_text, rows.rows)),
        outside=""
        if coat is None
        else _OUTSIDE.format(
            rows="\n".join(map(_row_text, coat.rows.rows)), offset=[each + 0.0 for each in coat.offset_mm]
        ),
    )
    text += "" if marked.voicing is None else _VOICING.format(v=marked.voicing, pad=" " * 13)
    holes = (_HOLE.format(hole=hole, name=json.dumps(hole.name, ensure_ascii=False)) for hole in marked.holes)
    return "".join([text, *holes, _NOTES])


def misfit_words(rows: FittedRows, outside: FittedRows | None = None) -> list[str]:
    """Distance of each drawn outline from that of the design, in words."""
    views = [(f"inside {name}", found) for name, found in rows.misfits]
    views += [(f"outside {name}", found) for name, found in (outside.misfits if outside else ())]
    return [
        f"{name}: the drawn line lies {found.rms:.2f} mm from the design's, root mean square; at most "
        f"{found.most:.2f} mm, {found.along:.0f} mm along"
        for name, found in views
    ]


def _row_text(row: Row) -> str:
    along, width, height, rise, squareness = row
    return f"    [{along:6.2f}, {width:6.2f}, {height:6.2f}, {rise + 0:6.2f}, {squareness:g}],"  # rise + 0: no "-0.00"
