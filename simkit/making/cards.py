"""The inside form on paper: its two views, and cards to carve or to press it against, at stations.

What lies inside a card's line is a rib to build on; what lies outside, cut apart along the dashed line, is a pair of
gauges to hold against the form. Stations are counted from the mouth end of the form, in mm of its wet size.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simkit.body.assembly import placed_wall
from simkit.body.walls.placed import PlacedWall
from simkit.body.walls.wall import Wall
from simkit.frozen import frozen
from simkit.making.paper import Drawing, Ink, Mark, Pen, Text, polygon, rectangle, stroke, width_of
from simkit.making.shrinkage import Shrinkage, Stage
from simkit.making.slices import Frame, Inside, Plane, cut, silhouette
from simkit.vessel import Lump, Vessel
from simkit.vessel.figure import ClayShape

MARGIN = 7.0  # mm from the line to the card's edge: all that a gauge has left at its narrowest
# Round numbers of millimetres between two cards.
SPACINGS = (2, 3, 4, 5, 6, 8, 10, 12, 15, 20, 25, 30, 40, 50, 60, 80, 100, 150, 200)
MOST_CARDS = 7


@frozen
class Slice:
    """A cut through a form at one size: closed lines in mm, where it is, and what it is called."""

    name: str
    place_mm: float
    lines: tuple[np.ndarray, ...]

    @property
    def low(self) -> np.ndarray:
        return np.min([line.min(axis=0) for line in self.lines], axis=0)

    @property
    def high(self) -> np.ndarray:
        return np.max([line.max(axis=0) for line in self.lines], axis=0)

    @property
    def size(self) -> np.ndarray:
        """Width and height (2,), mm."""
        return self.high - self.low


@dataclass(frozen=True)
class Form:
    """A chamber's inside form at one size: seen from the right and from above, its cuts across and lengthwise, mm.

    start_mm: where the form begins on the chamber's own scale of along; middle_mm: the height of its axis.
    `mirrored`: the left half is the mirror of the right, so that lengthwise cards serve both sides.
    """

    side: Slice
    above: Slice
    across: tuple[Slice, ...]
    lengthwise: tuple[Slice, ...]
    start_mm: float
    mirrored: bool


def form_of(wall: Wall, size: float) -> Form:
    """All views and cuts of a chamber's form, or of a solid of clay by itself, `size` times as large as fired."""
    frame, surface = Frame.of(wall), Inside(wall)
    box = wall.box
    scale = 1e3 * size

    def sliced(name: str, place_mm: float, plane: Plane) -> Slice:
        return Slice(name, place_mm, tuple(scale * line for line in cut(surface, plane, box)))

    # Outlines, not cuts: where the form bulges above or below the cut, they are wider.
    outline = silhouette([wall], frame.level(), frame.up, box)
    above = Slice("from above", 0.0, tuple(scale * line for line in outline))
    profile = silhouette([wall], frame.upright_at(0.0), frame.right, box)
    side = Slice("from the right", 0.0, tuple(scale * line for line in profile))
    # Along, in mm of the wet form: stations are counted from its first end.
    ends = scale * frame.coordinates(np.concatenate([s.points.reshape(-1, 3) for s in wall.sheets(2)]))[:, 0]
    start, length = float(ends.min()), float(np.ptp(ends))
    across = tuple(
        sliced(str(number), place, frame.across_at((start + place) / scale))
        for number, place in enumerate(stations(length), 1)
    )
    mirrored = _is_mirrored(wall, frame)
    lengthwise = tuple(
        sliced(_side_name(place, mirrored), place, frame.upright_at(place / scale))
        for place in _offsets(above, mirrored)
    )
    return Form(side, above, _kept(across), _kept(lengthwise), start, mirrored)


@dataclass(frozen=True)
class ClayForm:
    """A solid of clay at wet size: its name, or those of all that are alike, its form, what its first end is called."""

    names: str
    form: Form
    near: str


def clay_forms(vessel: Vessel, shrinkage: Shrinkage) -> tuple[ClayForm, ...]:
    """The outside, where a figure has one, then its parts; of parts of the same shape only one."""
    size = shrinkage.size(Stage.WET)
    alike: dict[object, list[Lump]] = {}
    for lump in vessel.parts:
        alike.setdefault(lump.shape, []).append(lump)  # four equal legs are carved by one set of cards
    solids: list[tuple[str, ClayShape, str]] = [("outside", vessel.outside, "mouth end")] if vessel.outside else []
    solids += [(", ".join(lump.name for lump in some), some[0], "near end") for some in alike.values()]
    found = []
    for names, solid, near in solids:
        wall = placed_wall(vessel, solid)
        own = wall.wall if isinstance(wall, PlacedWall) else wall  # as carved, before it is turned and put in its place
        found.append(ClayForm(names, form_of(own, size), near))
    return tuple(found)


def stations(length_mm: float) -> list[float]:
    """Places of the cards along a form of this length: evenly, in halves of a mm, the first half a step from the end.

    >>> stations(107.9)
    [10.0, 30.0, 50.0, 70.0, 90.0]
    """
    # The finest that needs no more cards than are wanted.
    step = next((s for s in SPACINGS if length_mm / s <= MOST_CARDS), SPACINGS[-1])
    # a card nearer to the end would be a mere dot
    return [place for k in range(200) if (place := step * (k + 0.5)) < length_mm - 0.2 * step]


def _offsets(above: Slice, mirrored: bool) -> list[float]:
    """Places of the lengthwise cards: the middle, and half way out, in whole mm."""
    low, high = float(above.low[0]), float(above.high[0])
    # a little beyond half way, where a form bends more than at its middle
    out = [float(round(0.55 * high))] if mirrored else [float(round(0.55 * low)), float(round(0.55 * high))]
    return [0.0, *(place for place in out if abs(place) >= 3)]  # nearer the middle they tell nothing new


def _side_name(place: float, mirrored: bool) -> str:
    if place == 0:
        return "middle"
    return "both sides" if mirrored else "right" if place > 0 else "left"


def _kept(slices: tuple[Slice, ...]) -> tuple[Slice, ...]:
    return tuple(each for each in slices if each.lines)


def _is_mirrored(wall: Wall, frame: Frame) -> bool:
    """True if mirroring left and right changes the wall by less than 0.02 mm."""
    # a sixth of them will do, without the poles
    points = np.concatenate([s.points[1:-1:2, ::3].reshape(-1, 3) for s in wall.sheets() if not s.flat])
    points = points[np.abs(wall.level(points)) < 1e-9]  # not what of one lobe lies in another
    # Mirrored points lie on the wall too: level over slope is their distance from it, to first order.
    other = points - 2 * ((points - frame.origin) @ frame.right)[:, None] * frame.right
    t = wall.taylor(other)
    return bool((np.abs(t.value) < 2e-5 * np.linalg.norm(t.slope, axis=1)).all())


# --- drawn -----------------------------------------------------------------------------------------


def card(slice_: Slice, label: str, place: str, upright: bool) -> Drawing:
    """One card: the line to cut, the frame, where to part the gauges, and its name on every piece.

    `upright` draws the chamber's own upright through the card, to line up with the one drawn on the form.
    """
    low, size = slice_.low, slice_.size
    width, height = size + 2 * MARGIN
    shift = MARGIN - low
    lines = [line + shift for line in slice_.lines]  # the card's own frame: its lower left corner is zero
    marks: list[Mark] = [rectangle(0, 0, width, height, name=f"card {label}")]
    marks += _axes(lines, shift, height if upright else 0.0)
    marks += [polygon(line[:-1], Pen.CUT, name=f"outline {label}") for line in lines]
    marks += _parting(lines, width)
    marks += [
        Text((1.4, y), label, 3.4, level=level, ink=Ink.ACCENT, bold=True)
        for y, level in ((height - 1.2, "top"), (1.2, "base"))
    ]
    words = f"{place}   {size[0]:.1f} × {size[1]:.1f}"
    # on narrow cards in two rows, the lower first: the size, then the place
    rows = [words] if width >= width_of(words, 2.2) + 8 else words.split("   ")[::-1]
    for row, text in enumerate(rows):
        marks.append(Text((width - 1.6, 1.6 + 2.7 * row), text, 2.2, "right", ink=Ink.QUIET))
    big = max(lines, key=len)  # of several pieces the one with most points
    middle = (big.min(axis=0) + big.max(axis=0)) / 2
    marks.append(Text((middle[0] + 1.4, middle[1] + 1.6), label, 3.4, ink=Ink.ACCENT, bold=True))
    return Drawing(float(width), float(height), tuple(marks), f"card {label}")


def _parting(lines: list[np.ndarray], width: float) -> list[Mark]:
    """Dashed, from the widest places to the frame: cut there, and the frame is two gauges."""
    left = min((line[line[:, 0].argmin()] for line in lines), key=lambda p: p[0])
    right = max((line[line[:, 0].argmax()] for line in lines), key=lambda p: p[0])
    return [stroke((0, left[1]), left, pen=Pen.HIDDEN), stroke(right, (width, right[1]), pen=Pen.HIDDEN)]


def _axes(lines: list[np.ndarray], shift: np.ndarray, height: float) -> list[Mark]:
    """The chamber's axis as a level, and where `height` is given as an upright, too."""
    x, y = float(shift[0]), float(shift[1])
    low, high = min(line[:, 0].min() for line in lines), max(line[:, 0].max() for line in lines)
    # only where the axis runs through the card
    marks: list[Mark] = [stroke((low, y), (high, y), pen=Pen.GUIDE)] if y > 0 else []
    under = min(line[:, 1].min() for line in lines) - 2.5
    return [*marks, stroke((x, under), (x, height), pen=Pen.GUIDE)] if height and low < x < high else marks


def cross_cards(form: Form) -> list[Drawing]:
    """The cards square to the axis, from the mouth end on, as seen from there."""
    return [card(each, each.name, f"at {each.place_mm:g}", upright=True) for each in form.across]


def long_cards(form: Form) -> list[Drawing]:
    """The lengthwise cards, as seen from the right: the mouth end is at the left."""
    found = []
    for number, each in enumerate(form.lengthwise):
        where = each.name if each.place_mm == 0 else f"{abs(each.place_mm):g} out, {each.name}"
        found.append(card(each, "abcdef"[number], where, upright=False))
    return found


def views(form: Form, upright: bool, near: str = "mouth end") -> Drawing:
    """The form from the right and from above, side by side, the stations of the cards running through both.

    upright: the piece runs up the paper, its mouth end below; else it runs to the right. near: what that end is called.
    """
    start, length = form.start_mm, float(form.above.size[1])
    # Both in (along, other): seen from above with along to the right, the right side lies below.
    seen = [list(form.side.lines), [np.stack([line[:, 1], -line[:, 0]], axis=1) for line in form.above.lines]]
    names = (
        f"from the right   {length:.1f} × {form.side.size[1]:.1f}",
        f"from above   {length:.1f} × {form.above.size[0]:.1f}",
    )
    base, marks, axes = BELOW, [], []  # from the foot of the paper up
    for lines, name in zip(reversed(seen), reversed(names), strict=True):
        low, high = (getattr(np.concatenate(lines)[:, 1], end)() for end in ("min", "max"))
        shift = np.array([BEFORE - start, base - low])
        marks += [_turned(line + shift, upright) for line in lines]
        axes.append((base - low, base, base + high - low, name))
        top = base + high - low
        base = max(top + BETWEEN, base + NAMED if upright else 0.0)
    width, height = BEFORE + length + 4.0, top + 9.0
    drawn: list[Mark] = [polygon(line[:-1], Pen.CUT, name="view") for line in marks]
    drawn += _stations(form, height, upright) + _view_words(axes, length, upright, near)
    if upright:
        drawn = [mark.moved(height, 0) for mark in drawn]  # turned about the corner they lie left of the paper
        width, height = height, width
    return Drawing(width, height, tuple(drawn), "views")


BEFORE, BELOW, BETWEEN = 14.0, 9.0, 12.0  # room before the mouth end, under the first view, between the views
NAMED = 37.0  # from one view to the next: their names stand side by side under slim ones


def _turned(points: np.ndarray, upright: bool) -> np.ndarray:
    """Points (n, 2) a quarter turn against the clock for an upright sheet."""
    points = np.atleast_2d(points)
    return np.stack([-points[:, 1], points[:, 0]], axis=1) if upright else points


def _stations(form: Form, height: float, upright: bool) -> list[Mark]:
    """Lines through both views where the cards are, with their numbers."""
    marks: list[Mark] = []
    for each in form.across:
        x = BEFORE + each.place_mm
        marks.append(stroke(*_turned(np.array([[x, BELOW - 3], [x, height - 5.5]]), upright)))
        label = _turned(np.array([x, height - 4.8]), upright)[0]
        align, level = ("right", "middle") if upright else ("center", "base")
        marks.append(Text((label[0], label[1]), each.name, 2.8, align, level, ink=Ink.ACCENT, bold=True))
    return marks


def _view_words(axes: list[tuple[float, float, float, str]], length: float, upright: bool, near: str) -> list[Mark]:
    """For each view its axis, its name, its mouth end, and which side is the top or the right."""
    marks: list[Mark] = []
    # The view from above lies lowest; its lower edge is the right side.
    for (axis, low, high, name), sides in zip(axes, (("right", "left"), ("under", "top")), strict=True):
        marks.append(
            stroke(*_turned(np.array([[BEFORE - 2.5, axis], [BEFORE + length + 2.5, axis]]), upright), pen=Pen.GUIDE)
        )
        turn = 0.0 if upright else 90.0
        mouth = _turned(np.array([BEFORE - 5.0, axis]), upright)[0]
        marks.append(Text((mouth[0], mouth[1]), near, 2.1, "center", "middle", turn, Ink.QUIET))
        under = _turned(np.array([3.0, axis]) if upright else np.array([BEFORE, low - 5.6]), upright)[0]
        marks.append(Text((under[0], under[1]), name, 2.4, "center" if upright else "left"))
        for side, at in zip(sides, (low, high), strict=True):
            inward = 2.6 if at == low else -2.6  # mm: the word stands inside the outline, as far from either edge
            spot = _turned(np.array([BEFORE + length / 2 + 2.0, at + inward]), upright)[0]
            marks.append(Text((spot[0], spot[1]), side, 2.0, "center", "middle", 90.0 if upright else 0.0, Ink.QUIET))
    return marks
