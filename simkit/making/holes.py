"""The holes' own sheet: sizes, the drill to start with, how deep the reamer goes, discs to compare with."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from simkit.body import ChamberBody
from simkit.body.chambers import Opening
from simkit.body.walls.wall import clearance
from simkit.errors import Fault, InputError
from simkit.making.drills import Drill, Reamer, in_inches, start_drill
from simkit.making.paper import Drawing, Fill, Ink, Mark, Pen, Text, circle, clipped, polygon, stroke
from simkit.making.shrinkage import Shrinkage, Stage
from simkit.making.sizes import shown
from simkit.making.tables import Column, table


@dataclass(frozen=True)
class PlannedHole:
    """Plan of one hole at the stage of cutting: sizes in mm of that stage, the drill, which reamer, how deep.

    drill: None where all of the maker's own are too thick to start with.
    """

    hole: str
    finger: str
    fired_mm: float
    wet_mm: float
    cut_mm: float
    wall_mm: float
    drill: Drill | None
    reamer: int | None = None
    depth_mm: float | None = None
    remark: str = ""


def cuts(
    chamber: ChamberBody,
    fingers: Mapping[str, str],
    shrinkage: Shrinkage,
    stage: Stage,
    reamers: Sequence[Reamer] = (),
    drills: Sequence[Drill] = (),
) -> tuple[PlannedHole, ...]:
    """Every hole's tools; InputError names each hole for which every reamer is too thick.

    A hole that every reamer stops short of is to be opened by hand; its remark says why.
    """
    size = shrinkage.size(stage)
    planned, faults = [], []
    for opening in chamber.openings:
        diameter, wall = 2e3 * opening.radius * size, 1e3 * opening.length * size
        room = 1e3 * clearance(chamber.wall, opening.center, opening.normal) * size  # straight in, before the far wall
        thick = [reamer.too_thick(diameter, wall) for reamer in reamers]
        if reamers and all(thick):
            known = "; ".join(f"{r.tip_mm:g},{r.wide_mm:g},{r.length_mm:g}" for r in reamers)
            where = f"{chamber.name}.hole.{opening.name}"
            faults.append(Fault.of("reamer", known, f"for {where}, {diameter:.2f} mm when cut, {thick[-1]}"))
        fit = [n for n, reamer in enumerate(reamers) if not thick[n]]  # those that could make the hole at all
        short = {n: reamers[n].stops_short(diameter, wall, room) for n in fit}
        number = next((n for n in fit if not short[n]), None)  # the first that reaches its mark
        fired = 2e3 * opening.radius
        planned.append(
            PlannedHole(
                opening.name,
                fingers.get(opening.name, ""),
                fired,
                fired * shrinkage.size(Stage.WET),
                diameter,
                wall,
                start_drill(diameter, own=drills),
                number,
                None if number is None else reamers[number].depth_mm(diameter, wall),
                "" if number is not None or not fit else str(short[fit[-1]]),  # why the last that fits stops short
            )
        )
    if faults:
        raise InputError(faults)
    return tuple(planned)


_ENDS = (("the left", "the right"), ("the mouth end", "the far end"), ("below", "the top"))  # of x, y, z


def slanting(openings: Sequence[Opening]) -> list[str]:
    """Instructions to hold drill or knife for openings with a direction of their own, in words.

    The angle from square to the wall, and the one or two ways that the tool's outer end leans to.
    """
    found = []
    for o in openings:
        if o.square is None:
            continue
        way = o.axis - (o.axis @ o.normal) * o.normal  # what of its direction lies along the wall
        # One or two of the piece's own ways say it well enough for a hand.
        first, second = np.argsort(-np.abs(way))[:2]
        # tan 22 degrees: less is hardly a second way.
        ways = [first, second] if abs(way[second]) > 0.4 * abs(way[first]) else [first]
        toward = " and ".join(_ENDS[n][int(way[n] > 0)] for n in ways)
        said = f"not cut square to the wall: {np.degrees(o.lean):.0f} degrees towards {toward}"
        window = f"The window is {said}; the windway runs square to it."
        found.append(f"Hole {o.name} is {said}." if o.is_round else window)
    return found


# --- drawn -----------------------------------------------------------------------------------------


def hole_table(planned: Sequence[PlannedHole], stage: Stage, reamers: Sequence[Reamer], own: bool = False) -> Drawing:
    """The figures of all holes; own: that the drills are the maker's own, as they are stamped."""
    fingers = any(cut.finger for cut in planned)
    columns = [
        Column("hole", 14, "left", strong=True),
        *([Column("finger", 26, "left")] if fingers else []),
        Column("fired", 17),
        *([Column("wet", 17)] if stage is not Stage.WET else []),
        Column(stage, 21, strong=True),
        Column("wall\nthere", 15),
        Column("drill to\nstart", 20 if own else 15),
        *([] if own else [Column("in\ninches", 14)]),
        *([Column("reamer\nto depth", 18, strong=True)] if reamers else []),
    ]
    return table(columns, [_row(cut, fingers, stage, reamers, own) for cut in planned], "holes")


def _row(cut: PlannedHole, fingers: bool, stage: Stage, reamers: Sequence[Reamer], own: bool) -> list[str]:
    which = f" ({cut.reamer + 1})" if cut.reamer is not None and len(reamers) > 1 else ""
    return [
        cut.hole,
        *([cut.finger] if fingers else []),
        shown(cut.fired_mm),
        *([shown(cut.wet_mm)] if stage is not Stage.WET else []),
        shown(cut.cut_mm),
        shown(cut.wall_mm),
        cut.drill.name if cut.drill else "by hand",
        *([] if own or not cut.drill else [in_inches(cut.drill.mm)]),
        *([f"{cut.depth_mm:.1f}{which}" if cut.depth_mm is not None else "by hand"] if reamers else []),
    ]


def discs(planned: Sequence[PlannedHole]) -> list[Drawing]:
    """Each hole at its size when cut, to hold a drill or a stick against."""
    found = []
    for cut in planned:
        width = max(13.0, cut.cut_mm + 3)  # room for the name under a small hole
        height = cut.cut_mm + 8.5
        center = (width / 2, height - cut.cut_mm / 2 - 0.5)
        marks: tuple[Mark, ...] = (
            circle(center, cut.cut_mm, Pen.CUT, Fill.CLAY, name=f"disc {cut.hole}"),
            *([circle(center, cut.drill.mm, Pen.THIN, Fill.PAPER)] if cut.drill else []),
            Text((width / 2, 4.2), clipped(cut.hole, 2.8, width), 2.8, "center", ink=Ink.ACCENT, bold=True),
            Text((width / 2, 1.0), shown(cut.cut_mm), 2.1, "center", ink=Ink.QUIET),
        )
        found.append(Drawing(width, height, marks, f"disc {cut.hole}"))
    return found


def reamer_rules(planned: Sequence[PlannedHole], reamers: Sequence[Reamer]) -> list[Drawing]:
    """Each reamer at 1:1 with a mark for every hole: push it in until the outside of the clay is at the mark."""
    found = []
    for number, reamer in enumerate(reamers):
        own = _by_depth([cut for cut in planned if cut.reamer == number])
        if own:
            found.append(_rule(reamer, number, own, len(reamers) > 1))
    return found


def _by_depth(planned: Sequence[PlannedHole]) -> list[tuple[float, str]]:
    """Depths in ascending order with the names of their holes; depths within 0.3 mm share a mark."""
    marks: list[tuple[float, str]] = []
    for cut in sorted(planned, key=lambda cut: cut.depth_mm or 0.0):
        depth = cut.depth_mm or 0.0
        if marks and depth - marks[-1][0] < 0.3:  # nearer than a pencil's line is thick
            marks[-1] = (marks[-1][0], f"{marks[-1][1]}, {cut.hole}")
        else:
            marks.append((depth, cut.hole))
    return marks


def _rule(reamer: Reamer, number: int, own: Sequence[tuple[float, str]], several: bool) -> Drawing:
    """A reamer drawn with its tip at the left; names alternate above and below."""
    left, length, half = 6.0, reamer.length_mm, reamer.wide_mm / 2
    base, tip = half + 14.0, reamer.tip_mm / 2
    marks: list[Mark] = [
        polygon(
            ((left, base - tip), (left + length, base - half), (left + length, base + half), (left, base + tip)),
            Pen.OUTLINE, Fill.TINT, name=f"reamer {number + 1}",
        ),
        stroke((left - 5, base), (left + length + 5, base), pen=Pen.GUIDE),
    ]  # fmt: skip
    for turn, (depth, names) in enumerate(own):
        x, side = left + depth, 1 if turn % 2 == 0 else -1  # neighbours a mm apart do not write over each other
        end = base + side * (half + 2.0)
        marks += [
            stroke((x, base - side * (half + 0.6)), (x, end), pen=Pen.MARK, name=f"depth {names}"),
            Text(
                (x, end + side * 0.7 + (0.0 if side > 0 else -2.0)), clipped(names, 2.7, 22), 2.7, "center", bold=True
            ),
            Text((x, end + side * 4.2 + (0.0 if side > 0 else -1.3)), f"{depth:.1f}", 1.9, "center", ink=Ink.QUIET),
        ]
    name = f"reamer {number + 1}, " if several else "reamer, "
    sizes = f"{reamer.tip_mm:g} to {reamer.wide_mm:g} mm over {reamer.length_mm:g} mm"
    words = f"{name}{sizes}, 1 : 1: push it in until the clay's outside is at the mark"
    marks.append(Text((left, 1.2), words, 2.4))
    return Drawing(left + length + 8, base + half + 9, tuple(marks), f"reamer {number + 1}")


def rows_of(drawings: Sequence[Drawing], width: float) -> list[Drawing]:
    """Small drawings side by side, as many in a row as fit in `width`."""
    rows: list[list[Drawing]] = [[]]
    for drawing in drawings:
        # Without a gap: each disc has its own margin.
        if rows[-1] and sum(d.width for d in rows[-1]) + drawing.width > width:
            rows.append([])
        rows[-1].append(drawing)
    found = []
    for row in rows:
        marks: list[Mark] = []
        left = 0.0
        height = max(d.height for d in row)
        for drawing in row:
            marks += drawing.moved(left, 0)
            left += drawing.width
        found.append(Drawing(left, height, tuple(marks), "discs"))
    return found
