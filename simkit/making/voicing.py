"""The voicing on paper: sizes at a stage, and a section through window, windway and edge.

The edge lies at the inner face of the wall. `edge_offset_mm` is how far the edge lies towards the chamber from the
middle of the jet: at 0 the windway's middle runs straight on to the edge. The cut-up runs to the finished edge, which
is rounded a little; what is cut first is sharp and nearer to the windway.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from scipy.optimize import bisect

from simkit.body import Body, ChamberBody
from simkit.body.mouthpiece import MM, USUAL_FLOOR
from simkit.frozen import frozen
from simkit.making.layout import windowed
from simkit.making.paper import (
    Drawing,
    Fill,
    Ink,
    Line,
    Mark,
    Pen,
    Point,
    Text,
    polygon,
    stroke,
    width_of,
)  # fmt: skip
from simkit.making.slices import Inside, Outside, Plane, cut
from simkit.vessel import Mouthpiece, Voicing

ENLARGED = 4.0  # times, of the detail


@frozen
class VoicingPlan:
    """Sizes in mm at one stage, and the section: u along the breath, v out of the air, zero at the window's middle.

    nose: radius of the finished edge; edge: where it is cut, sharp; middle: v of the windway's middle.
    under: clay that stays under its end; lips: the windway's width and height there, if it tapers; slope_deg: by how
    much it comes down towards the window.
    """

    width: float
    cut_up: float
    height: float
    length: float
    wall: float
    edge_deg: float
    nose: float
    edge: Point
    middle: float
    inner: tuple[np.ndarray, ...]
    outer: tuple[np.ndarray, ...]
    under: float
    lips: tuple[float, float] | None = None
    slope_deg: float = 0.0

    @property
    def back(self) -> float:
        """Place of the windway's beginning at the lips, u."""
        return self.exit - self.length * math.cos(math.radians(self.slope_deg))

    def floor(self, u: float) -> float:
        """Height of the windway's floor, v."""
        return self._level(u, -self.height / 2)

    def roof(self, u: float) -> float:
        """Height of the windway's roof, v."""
        return self._level(u, self.height / 2)

    def _level(self, u: float, aside: float) -> float:
        slope = math.radians(self.slope_deg)
        # Measured upright, not square to the slope.
        return self.middle + aside / math.cos(slope) + (self.exit - u) * math.tan(slope)

    @property
    def exit(self) -> float:
        """Place of the windway's exit, u."""
        return -self.cut_up / 2

    @property
    def sharp(self) -> float:
        """Distance from the windway's end to the edge as it is cut: rounding it by `nose` takes it back to the cut-up.

        A circle of radius r in a wedge of the angle a reaches to r (1/tan(a/2) - 1) from the wedge's tip.
        """
        return self.edge[0] - self.exit


def plan_of(
    body: Body, chamber: ChamberBody, voicing: Voicing, size: float, mouthpiece: Mouthpiece | None = None
) -> VoicingPlan | None:
    """The voicing `size` times as large as fired; None without a window."""
    window = chamber.window
    if window is None:
        return None
    plane = Plane(window.center, window.forward, window.axis)
    scale = 1e3 * size
    # The plane may cut neighbours too.
    own_first = [chamber, *(other for other in body.chambers if other is not chamber)]
    inner = tuple(scale * line for each in own_first for line in cut(Inside(each.wall), plane, each.wall.box))
    outer = tuple(scale * line for line in cut(Outside(body), plane, body.coat.box))
    nose = scale * window.rim  # the window's rim is rounded all round, its far side too: that is the edge
    # sharp, before it is rounded: see `sharp`
    tip = voicing.cut_up_mm * size / 2 - nose * (1 / math.tan(math.radians(voicing.edge_deg) / 2) - 1)
    edge = (tip, _height_at(inner, tip))  # on the inside wall, as it bends there
    return VoicingPlan(
        voicing.window_width_mm * size,
        voicing.cut_up_mm * size,
        voicing.windway_height_mm * size,
        voicing.windway_length_mm * size,
        scale * window.length,
        voicing.edge_deg,
        nose,
        edge,
        edge[1] + voicing.exit_rise_mm * size,
        inner,
        outer,
        size * (USUAL_FLOOR / MM if mouthpiece is None else mouthpiece.floor_mm),
        _lips(voicing, mouthpiece, size),
        voicing.windway_slope_deg,
    )


def _lips(voicing: Voicing, piece: Mouthpiece | None, size: float) -> tuple[float, float] | None:
    """Width and height of a windway at the lips, None of one that does not taper."""
    if piece is None or (piece.lips_width_mm is None and piece.lips_height_mm is None):
        return None
    wide, high = piece.lips(voicing)
    return wide * size, high * size


def _height_at(lines: tuple[np.ndarray, ...], u: float) -> float:
    """Height at which the lines cross the upright at u, nearest to zero."""
    return min((v for line in lines for v in _crossings(line, u)), key=abs, default=0.0)


# --- the section -----------------------------------------------------------------------------------


def section(plan: VoicingPlan) -> Drawing:
    """The whole section at 1:1: the piece cut along the breath through the middle of the window."""
    back, cheek = plan.back, max(3.0, 0.8 * plan.wall)
    # The far wall, straight below the window.
    across = min((v for line in plan.inner for v in _crossings(line, 0.0) if v < -1.0), default=-3 * plan.wall)
    out = slope_end(plan)
    marks: list[Mark] = [
        *_solid(plan),
        Text((back + 0.6, plan.roof(back) + cheek + 1.4), "breath →", 2.3, ink=Ink.QUIET),
        Text((out[0] + 2.0, out[1] + 1.4), "outside", 2.3, ink=Ink.QUIET),
        Text((0.0, across / 2), "inside", 2.3, "center", "middle", ink=Ink.QUIET),
    ]
    words = "section along the breath, window up, 1 : 1"
    # Into a frame of its own, words below.
    tops = [(mark.at[0], mark.at[1] + mark.size) for mark in marks if isinstance(mark, Text)]
    corners = np.array([*tops, *(p for mark in marks if isinstance(mark, Line) for p in mark.points)])
    low, high = corners.min(axis=0), corners.max(axis=0)
    moved = [mark.moved(-low[0] + 1, -low[1] + 8) for mark in marks]
    width = max(high[0] - low[0] + 2, width_of(words, 2.4))
    return Drawing(float(width), float(high[1] - low[1] + 9), (*moved, Text((0, 1.6), words, 2.4)), "section")


def detail(plan: VoicingPlan) -> Drawing:
    """The neighbourhood of the window, enlarged, with its figures: to look at, not to measure on."""
    back, ahead = plan.exit - 5.0 - plan.height, plan.edge[0] + max(foot_of(plan), 2.0) + 4.0
    back = max(back, plan.back)
    # The lowest of what is to be seen.
    below = min(plan.edge[1], plan.floor(plan.exit), plan.floor(back)) - plan.under - 4.0
    above = max(plan.wall, plan.roof(back)) + 4.0
    window = _enlarged(_solid(plan), back, below, ahead - back, above - below)
    base = 10.5
    marks: list[Mark] = [mark.moved(0, base) for mark in window]
    width, height = ENLARGED * (ahead - back), ENLARGED * (above - below)

    def at(u: float, v: float) -> Point:
        return (ENLARGED * (u - back), base + ENLARGED * (v - below))

    floor, at_back = plan.floor(plan.exit), (plan.floor(back + 1.6), plan.roof(back + 1.6))
    marks += _between(
        at(plan.exit, floor - plan.under - 1.6), at(plan.edge[0], floor - plan.under - 1.6), f"cut to {plan.sharp:.2f}"
    )
    words = f"windway {plan.height:.2f}" + (f", {slope_words(plan)}" if plan.slope_deg else "")
    marks += _between(at(back + 1.6, at_back[0]), at(back + 1.6, at_back[1]), words, upright=True)
    marks += _between(
        at(ahead - 1.2, plan.edge[1]), at(ahead - 1.2, plan.wall), f"wall {plan.wall:.2f}", upright=True, left=True
    )
    tip = at(*plan.edge)
    marks.append(Text((tip[0] + 11, tip[1] + 2.4), f"{plan.edge_deg:g}°", 2.6, ink=Ink.INK))
    marks.append(Text((tip[0] + 1.5, tip[1] - 3.4), "edge", 2.3, ink=Ink.QUIET))
    marks.append(Text(at((plan.exit + plan.edge[0]) / 2, plan.middle), "breath →", 2.4, "center", "middle"))
    marks.append(Text(at((plan.exit + plan.edge[0]) / 2, plan.wall + 2.4), "outside", 2.3, "center", ink=Ink.QUIET))
    marks.append(Text(at(ahead - 0.5, below + 0.5), "inside", 2.3, "right", ink=Ink.QUIET))
    if plan.nose:
        words = f"soften the edge to a radius of {plan.nose:.2f}: the cut-up is then {plan.cut_up:.2f}"
        marks.append(Text((0, 5.6), words, 2.3, ink=Ink.QUIET))
    marks.append(Text((0, 1.6), f"the same, {ENLARGED:g} : 1, to look at and not to measure on", 2.4))
    return Drawing(width, height + base, tuple(marks), "detail")


def _solid(plan: VoicingPlan) -> list[Mark]:
    """Clay, air, windway, window and edge, painted one over the other, in the section's own coordinates."""
    floor, roof, back = plan.floor(plan.exit), plan.roof(plan.exit), plan.back
    cheek = max(3.0, 0.8 * plan.wall)
    floors, roofs = ((back, plan.floor(back)), (plan.exit, floor)), ((plan.exit, roof), (back, plan.roof(back)))
    block = (*((u, v - cheek) for u, v in floors), *((u, v + cheek) for u, v in roofs))
    marks: list[Mark] = [polygon(block, Pen.HIDDEN, Fill.CLAY, name="mouthpiece")]
    marks += [polygon(line[:-1], Pen.OUTLINE, Fill.CLAY, name="outside") for line in plan.outer]
    marks += [polygon(line[:-1], Pen.OUTLINE, Fill.PAPER, name="inside") for line in plan.inner]
    lip = _lip(plan)
    marks.append(polygon(lip, Pen.NONE, Fill.CLAY, name="clay under the windway"))
    marks.append(polygon((*floors, *roofs), Pen.NONE, Fill.PAPER))
    marks += [stroke(*line, pen=Pen.CUT) for line in (floors, roofs)]
    return [*marks, *_window_and_edge(plan, roof), stroke(lip[0], lip[1], lip[2], pen=Pen.OUTLINE)]


def slope_words(plan: VoicingPlan) -> str:
    """The slope of a windway, as a maker says it."""
    return f"{'down' if plan.slope_deg > 0 else 'up'} at {abs(plan.slope_deg):g}°"


def _lip(plan: VoicingPlan) -> tuple[Point, ...]:
    """The clay that must stay under the windway's end where that reaches into the air."""
    steps = np.linspace(plan.exit, plan.back, 200).tolist()
    # From the exit back until the wall has come up to the clay that carries the windway.
    clear = next((u for u in steps if _height_at(plan.inner, u) < plan.floor(u) - plan.under), plan.back)
    ends = [(u, plan.floor(u)) for u in (plan.exit, clear)]
    return ends[0], (plan.exit, ends[0][1] - plan.under), (clear, ends[1][1] - plan.under), ends[1]


def _window_and_edge(plan: VoicingPlan, roof: float) -> list[Mark]:
    """The opening from the windway's end to the slope, up through the outside."""
    slope = 1 / math.tan(math.radians(plan.edge_deg))  # along the breath for each mm outward
    u, v = plan.edge
    # painted from well inside the air to well outside, so that no line of clay is left
    over = max(_height_at_outside(plan, plan.exit), plan.wall, roof) + 0.8
    below = min(v, plan.floor(plan.exit)) - 0.6
    hole = ((plan.exit, below), (u, below), (u, v), (u + slope * (over - v), over), (plan.exit, over))
    top = _height_at_outside(plan, plan.exit)
    return [
        polygon(hole, Pen.NONE, Fill.PAPER),
        stroke((plan.exit, roof), (plan.exit, max(top, roof)), pen=Pen.CUT),
        stroke(plan.edge, slope_end(plan), pen=Pen.CUT, name="slope"),
        # The inside of the wall just past the edge, where the opening's paint has covered its line.
        stroke(plan.edge, *((u + k * 0.4, _height_at(plan.inner, u + k * 0.4)) for k in range(1, 4)), pen=Pen.OUTLINE),
    ]


def _height_at_outside(plan: VoicingPlan, u: float) -> float:
    """The outside above a place of the section, v."""
    return min((v for line in plan.outer for v in _crossings(line, u) if v > 0), default=plan.wall)


def _crossings(line: np.ndarray, u: float) -> list[float]:
    """Heights at which a line meets the upright at u; of a piece that lies on it its start."""
    a, b = line[:-1], line[1:]
    through = np.flatnonzero((a[:, 0] - u) * (b[:, 0] - u) <= 0)  # ends on either side of it
    step = b[through, 0] - a[through, 0]
    share = np.where(step == 0, 0.0, (u - a[through, 0]) / np.where(step == 0, 1.0, step))
    return (a[through, 1] + share * (b - a)[through, 1]).tolist()


def slope_end(plan: VoicingPlan) -> Point:
    """Point where the slope of the edge comes out of the clay."""
    slope = 1 / math.tan(math.radians(plan.edge_deg))
    u, v = plan.edge

    def over(rise: float) -> float:
        return v + rise - _height_at_outside(plan, u + slope * rise)

    # the first crossing counts: the outside may bulge and be met again
    steps = np.linspace(0.0, 3 * plan.wall, 91).tolist()
    found = next((pair for pair in pairwise(steps) if over(pair[1]) >= 0), None)
    if found is None:  # the outside never meets the slope
        return (u + slope * plan.wall, v + plan.wall)
    rise = float(bisect(over, *found)) if over(found[0]) < 0 else found[0]  # bisect wants a change of sign
    return (u + slope * rise, v + rise)


def foot_of(plan: VoicingPlan) -> float:
    """Reach of the edge's slope back along the outside, from the edge."""
    return slope_end(plan)[0] - plan.edge[0]


def _enlarged(marks: list[Mark], left: float, bottom: float, width: float, height: float) -> list[Mark]:
    """The marks inside a window, `ENLARGED` times as large, without names: they are not true to size."""
    kept: list[Mark] = []
    for mark in marks:
        moved = mark.moved(-left, -bottom)
        if isinstance(moved, Line):
            larger = tuple((ENLARGED * x, ENLARGED * y) for x, y in moved.points)
            area = Line(larger, Pen.NONE, True, moved.fill)
            # Paper reaches a hair farther than clay, so that no thread of clay shows along the window's border.
            over = 0.3 if moved.fill is Fill.PAPER else 0.0
            inside = windowed([area.moved(over, over)], ENLARGED * width + 2 * over, ENLARGED * height + 2 * over)
            kept += [each.moved(-over, -over) for each in inside if moved.fill]
            kept += windowed([Line(larger, moved.pen, moved.closed)], ENLARGED * width, ENLARGED * height)
    return kept


def _between(a: Point, b: Point, words: str, upright: bool = False, left: bool = False) -> list[Mark]:
    """A dimension: a line from a to b with ticks, and its figure beside it."""
    t = 1.2
    ends = [stroke((x - t, y), (x + t, y)) if upright else stroke((x, y - t), (x, y + t)) for x, y in (a, b)]
    middle = ((a[0] + b[0]) / 2, (a[1] + b[1]) / 2)
    if upright:
        text = Text((middle[0] + (-1.2 if left else 1.2), middle[1]), words, 2.3, "right" if left else "left", "middle")
    else:
        text = Text((middle[0], middle[1] - 1.0), words, 2.3, "center", "top")
    return [stroke(a, b), *ends, text]
