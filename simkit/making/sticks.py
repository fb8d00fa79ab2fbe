"""Sticks that form the windway, the window and its edge in wet clay, and the cuts to mark on the outside."""

from __future__ import annotations

import math

from simkit.making.paper import (
    Drawing,
    Fill,
    Ink,
    Mark,
    Pen,
    Text,
    polygon,
    rectangle,
    stroke,
    width_of,
)  # fmt: skip
from simkit.making.voicing import VoicingPlan, foot_of, slope_end, slope_words

NOSE_MM = 3.0  # of the window's stick past the inner face


def windway_stick(plan: VoicingPlan) -> Drawing:
    """The flat stick that forms the windway: seen from above, from the side, and its end.

    Where the windway slopes, its end is cut aslant, to stand upright at the window.
    """
    grip = 30.0  # mm, for two fingers
    whole = plan.length + grip  # what is in the clay, and what is held
    w, h = plan.width, plan.height
    side_at, words_at = 12.0, 1.6
    wide, high = plan.lips or (w, h)
    top_at = side_at + max(h, high) + 6.0 + max(wide - w, 0.0) / 2
    height = top_at + max(w, wide) + 2.0
    end_at = whole + 8.0
    words = f"stick for the windway: {w:.2f} wide, {h:.2f} thick{_taper(plan)}"
    if plan.slope_deg:
        words += f"; goes in {slope_words(plan)}"
    aslant = h / 2 * math.tan(math.radians(plan.slope_deg))  # half the stick's height, laid back by the slope
    marks: list[Mark] = [
        _outline(plan.length, whole, top_at, w, wide, "windway stick, width"),
        _outline(plan.length, whole, side_at, h, high, "windway stick, height", aslant),
        rectangle(end_at, top_at, w, h, Pen.CUT, Fill.CLAY, name="windway stick, end"),
        stroke((plan.length, top_at - 1.5), (plan.length, top_at + w + 1.5), pen=Pen.MARK),
        stroke((plan.length, side_at - 1.5), (plan.length, side_at + h + 1.5), pen=Pen.MARK),
        Text(
            (plan.length / 2, top_at + w / 2), f"in the clay {plan.length:.1f}", 2.3, "center", "middle", ink=Ink.QUIET
        ),
        Text((plan.length + grip / 2, top_at + w / 2), "grip", 2.3, "center", "middle", ink=Ink.QUIET),
        Text((end_at, top_at - 3.4), "its end", 2.1, ink=Ink.QUIET),
        Text((0, side_at - 5.0), "from above, and from the side", 2.1, ink=Ink.QUIET),
        Text((0, words_at), words, 2.6, bold=True),
    ]
    return Drawing(max(end_at + max(w, 12.0), 1.2 * width_of(words, 2.6)), height, tuple(marks), "windway stick")


def _outline(length: float, whole: float, low: float, tip: float, lips: float, name: str, aslant: float = 0.0) -> Mark:
    """One side of the stick: a rectangle, or from its tip in the window to the lips a taper, the grip as the lips.

    aslant: by which its tip's upper corner lies further back than its middle.
    """
    if tip == lips and not aslant:
        return rectangle(0, low, whole, tip, Pen.CUT, name=name)
    middle = low + tip / 2
    upper = ((0, middle + tip / 2), (length, middle + lips / 2), (whole, middle + lips / 2))
    # The upper side mirrored; its first corner is moved by the slant.
    (_, y), *lower = ((x, 2 * middle - y) for x, y in upper)
    corners = ((aslant, upper[0][1]), *upper[1:], *reversed(lower), (-aslant, y))
    return polygon(corners, Pen.CUT, name=name)


def _taper(plan: VoicingPlan) -> str:
    if plan.lips is None:
        return ""
    wide, high = plan.lips
    return f" at its tip, {wide:.2f} and {high:.2f} at the lips"


def window_stick(plan: VoicingPlan) -> Drawing:
    """The stick that shapes window and edge in one push, straight in from outside: its side and its end.

    Its nose is as long as the window is cut; behind it the slope of the edge, whose upper corner comes level with the
    outside.
    """
    w, c, foot = plan.width, plan.sharp, foot_of(plan)
    rise = slope_end(plan)[1] - plan.edge[1]  # from the edge to where its slope leaves the clay
    long, base = NOSE_MM + rise + 32.0, 12.0
    # nose, slope, and on straight up to hold it.
    side = ((0, base), (c, base), (c, base + NOSE_MM), (c + foot, base + NOSE_MM + rise), (c + foot, base + long))
    level = base + NOSE_MM + rise
    end = c + foot + 14.0  # the end view stands clear of the side view
    words = f"stick for the window: {w:.2f} wide, nose {c:.2f}, slope {plan.edge_deg:g}°"
    marks: list[Mark] = [
        polygon((*side, (0, base + long)), Pen.CUT, Fill.TINT, name="window stick, side"),
        stroke((-2, level), (c + foot + 2, level), pen=Pen.MARK),
        Text((c + foot + 2.6, level), "outside", 2.1, level="middle", ink=Ink.ACCENT),
        rectangle(end, base, w, c + foot, Pen.CUT, Fill.TINT, name="window stick, end"),
        stroke((end, base + c), (end + w, base + c)),
        Text((0, base - 4.6), "side", 2.1, ink=Ink.QUIET),
        Text((end, base - 4.6), "end", 2.1, ink=Ink.QUIET),
        Text((0, 1.6), words, 2.6, bold=True),
    ]
    moved = tuple(mark.moved(2, 0) for mark in marks)
    return Drawing(max(end + w + 4, 1.2 * width_of(words, 2.6)), base + long + 2, moved, "window stick")


def outside_cuts(plan: VoicingPlan) -> Drawing:
    """Marks on the outside: the window at the inner face, and the start of the edge's slope."""
    w, c = plan.width, plan.sharp
    foot = foot_of(plan)
    base, left = 12.0, 6.0
    marks: list[Mark] = [
        rectangle(left, base, w, c + foot, Pen.CUT, Fill.TINT, name="window outside"),
        rectangle(left, base, w, c, Pen.CUT, Fill.PAPER, name="window"),
        stroke((left + w / 2, base - 3), (left + w / 2, base + c + foot + 3), pen=Pen.GUIDE),
        stroke((left - 3, base + c / 2), (left + w + 3, base + c / 2), pen=Pen.GUIDE),
        Text((left + w + 2.5, base + c / 2 - 1.0), "through", 2.1, level="top", ink=Ink.QUIET),
        Text((left + w + 2.5, base + c + foot / 2), "slope", 2.1, level="middle", ink=Ink.QUIET),
        Text((left + w + 2.5, base - 4.4), "breath ↑", 2.1, ink=Ink.QUIET),
        Text((0, 1.6), "window from outside", 2.6, bold=True),
    ]
    return Drawing(left + w + 18, base + c + foot + 5, tuple(marks), "window outside")
