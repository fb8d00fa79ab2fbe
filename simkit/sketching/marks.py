"""Marks on a sketch as a window with its windway and as holes, placed by along_mm and around_deg.

A mark lies in the view to which it is nearest. From above it shows what is on top, in the view from the side what is
on the right; marks of a layer "... behind" lie opposite.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from simkit.errors import Fault, InputError
from simkit.frozen import frozen
from simkit.sketching.section_rows import Profiles
from simkit.sketching.strokes import ABOVE, SIDE, VIEWS, MarkedStroke, Sketch, Stroke, area
from simkit.vessel.values import is_name

HOLE_MM = 5.0  # a hole marked by a cross or a dot without size
WINDOW_MM = (11.0, 4.2)  # width, cut-up: common practice, no source
WINDWAY_MM = (1.2, 14.0)  # height; how far it opens before the mouth end of the air: common practice, no source
_WINDOW_AT = 0.2  # of the length, where no window is drawn
_LEAST_MM = 0.4  # a mark without size
_FIELD_SHARE = 0.6  # of a view's size: what lies farther off belongs to no view


@frozen
class ViewFrame:
    """Frame of a view in the drawing: its zero of along, its height 0, and its box (2, 2), mm; stretch of along."""

    view: str
    left: float
    zero: float
    box: np.ndarray
    stretch: float = 1.0

    def place(self, points: np.ndarray) -> np.ndarray:
        """Points (n, 2) of the drawing as along and, from the side, up, or, from above, to the right."""
        local = (points - [self.left, self.zero]) * [self.stretch, 1.0]
        return local if self.view == SIDE else local * [1.0, -1.0]  # seen from above the piece's right is down

    def away(self, point: np.ndarray) -> float:
        """Distance of a point from the view's box, mm."""
        low, high = self.box
        return float(np.linalg.norm(np.maximum(np.maximum(low - point, point - high), 0.0)))


@dataclass(frozen=True)
class MarkedHole:
    """A hole as the design has it."""

    name: str
    along_mm: float
    around_deg: float
    diameter_mm: float


@dataclass(frozen=True)
class MarkedVoicing:
    """A window and its windway as the design has them."""

    along_mm: float
    around_deg: float
    breath_toward_deg: float
    window_width_mm: float
    cut_up_mm: float
    windway_height_mm: float
    windway_length_mm: float


@dataclass(frozen=True)
class Openings:
    """All openings that were marked, and remarks on them."""

    holes: tuple[MarkedHole, ...]
    voicing: MarkedVoicing | None
    said: tuple[str, ...]


def frames(sketch: Sketch, profiles: Profiles) -> dict[str, ViewFrame]:
    """The views of the inside in the drawing; where only the outside is drawn the inside is thought where it would lie.

    An InputError where both views lie over one another.
    """
    drawn = {SIDE: profiles.side, ABOVE: profiles.above}
    found: dict[str, ViewFrame] = {}
    for view in VIEWS:
        own, outside = drawn[view], sketch.outlines.get(f"outside {view}")
        boxes = [stroke.box for stroke in (sketch.outlines.get(f"inside {view}"), outside) if stroke]
        box = (
            np.array([np.min([b[0] for b in boxes], axis=0), np.max([b[1] for b in boxes], axis=0)]) if boxes else None
        )
        if own is not None and box is not None:
            zero = profiles.zero if view == SIDE else own.middle
            found[view] = ViewFrame(view, own.left, zero, box, profiles.length / own.length)
        elif outside is not None and box is not None:
            other = ABOVE if view == SIDE else SIDE
            around, inner = sketch.outlines.get(f"outside {other}"), drawn[other]
            before = inner.left - float(around.box[0, 0]) if around and inner else 0.0
            found[view] = ViewFrame(view, float(box[0, 0]) + before, float(box[:, 1].mean()), box)
    if len(found) == 2:
        _apart(sketch, *found.values())
    return found


def _apart(sketch: Sketch, one: ViewFrame, other: ViewFrame) -> None:
    low, high = np.maximum(one.box[0], other.box[0]), np.minimum(one.box[1], other.box[1])
    if (high > low).all() and sketch.marks:  # without marks it does not matter where the views lie
        allowed = "the views from the side and from above apart, or no one knows in which view a mark lies"
        raise InputError([Fault(sketch.source, "layers", None, allowed)])


def openings(sketch: Sketch, profiles: Profiles) -> Openings:
    """Every mark as an opening; an InputError for each that lies off the inside."""
    views = frames(sketch, profiles)
    holes: list[MarkedHole] = []
    voicing: MarkedVoicing | None = None
    said: list[str] = []
    faults: list[Fault] = []
    placed: list[tuple[MarkedStroke, ViewFrame]] = []
    for mark in sketch.marks:
        middle = mark.stroke.box.mean(axis=0)
        frame = min(views.values(), key=lambda each: each.away(middle))
        if frame.away(middle) > _FIELD_SHARE * float(np.ptp(frame.box, axis=0).max()):
            faults.append(_fault(sketch, mark, "a mark on or beside a view; this one lies far from all"))
        else:
            placed.append((mark, frame))
    names = _names([mark.stroke.name for mark, _ in placed if mark.layer == "holes"])
    for mark, frame in placed:
        if mark.layer == "holes":
            name = next(names)
            try:
                holes.append(_hole(name, mark, frame, profiles, said))
            except ValueError as why:
                faults.append(_fault(sketch, mark, str(why), name))
    try:
        voicing = _voicing(placed, profiles, said)
    except ValueError as why:
        faults.append(Fault(sketch.source, "layer window", None, str(why)))
    if faults:
        raise InputError(faults)
    return Openings(tuple(sorted(holes, key=lambda hole: hole.name.zfill(6))), voicing, tuple(said))  # 2 before 10


def _fault(sketch: Sketch, mark: MarkedStroke, allowed: str, name: str = "") -> Fault:
    return Fault(sketch.source, f"layer {mark.layer}{f', hole {name}' if name else ''}", None, allowed)


def _names(written: Sequence[str]) -> Iterator[str]:
    """Names fit for a design, no two alike: what is written at a mark, else numbers."""
    taken = {name for name in written if is_name(name)}
    used: set[str] = set()
    number = 0
    for name in written:
        if not is_name(name) or name in used:
            while True:
                number += 1
                name = str(number)
                if name not in taken | used:
                    break
        used.add(name)
        yield name


def _size(stroke: Stroke) -> np.ndarray:
    return np.ptp(stroke.points, axis=0)


def _around(mark: MarkedStroke, frame: ViewFrame, profiles: Profiles) -> tuple[float, float]:
    """along (mm) and around (degrees) of a mark's middle on the wall; ValueError where it lies off it.

    On an elliptic section of half sizes a across and b up a mark seen at x across lies at z = b sqrt(1 - x²/a²).
    """
    along, offset = frame.place(mark.stroke.box.mean(axis=0)[None])[0]
    share = np.array([along / profiles.length])
    if not 0 < share[0] < 1:
        raise ValueError(
            f"a mark on the inside's outline; this one is {along:.1f} mm along, and the inside ends at "
            f"{profiles.length:.1f}"
        )
    half = np.array([profiles.width(share)[0], profiles.height(share)[0]]) / 2
    if frame.view == SIDE:
        offset = offset - profiles.rise(share)[0]
    seen, deep = (half[0], half[1]) if frame.view == ABOVE else (half[1], half[0])
    if abs(offset) > seen * 1.05 + 1.0:  # so much beside the outline is a hand's slip
        raise ValueError(
            f"a mark on the inside's outline; at {along:.1f} mm along it lies {abs(offset) - seen:.1f} mm outside it"
        )
    part = float(np.clip(offset / seen, -1, 1))
    behind = (-1.0 if mark.behind else 1.0) * deep * float(np.sqrt(1 - part**2))
    across, up = (part * seen, behind) if frame.view == ABOVE else (behind, part * seen)
    return float(along), float(np.degrees(np.arctan2(across, up)))  # 0 on top, 90 to the right


def _hole(name: str, mark: MarkedStroke, frame: ViewFrame, profiles: Profiles, said: list[str]) -> MarkedHole:
    along, around = _around(mark, frame, profiles)
    diameter = float(_size(mark.stroke).max())
    if not mark.stroke.closed or diameter < _LEAST_MM:
        said.append(f"hole {name} is marked without a size: {HOLE_MM:g} mm")
        diameter = HOLE_MM
    return MarkedHole(name, round(along, 1), round(around, 1), round(diameter, 2))


# --- window and windway ----------------------------------------------------------------------------


def _voicing(placed: list[tuple[MarkedStroke, ViewFrame]], profiles: Profiles, said: list[str]) -> MarkedVoicing:
    windows = [(mark, frame) for mark, frame in placed if mark.layer == "window"]
    ways = [(mark, frame) for mark, frame in placed if mark.layer == "windway"]
    for what, marks in (("window", windows), ("windway", ways)):
        seen = [frame.view for _, frame in marks]
        if len(seen) > len(set(seen)):
            raise ValueError(f"one {what} mark in each view; there are {len(seen)}")
    way = _way(ways)
    width, cut_up = WINDOW_MM  # until something that is drawn says otherwise
    if windows:
        along, around, width, cut_up = _window(windows, profiles, said)
    elif way:
        # The window begins where the windway ends.
        along = way.inner + cut_up / 2
        around = way.around if way.around is not None else 180.0  # underneath: common practice
        said.append(f"no window is marked: one of {width:g} by {cut_up:g} mm where the windway ends")
    else:
        along, around = _WINDOW_AT * profiles.length, 180.0
        said.append(f"no window is marked: one of {width:g} by {cut_up:g} mm underneath, {along:.0f} mm along")
    toward = 180.0 if way and way.middle > along else 0.0  # the breath comes from where the windway lies
    height, before = WINDWAY_MM
    exit_at = along - cut_up / 2 if toward == 0 else profiles.length - along - cut_up / 2
    length = min(max(exit_at + before, 10.0), 80.0)  # mm, within what a design takes
    if way:
        length = way.length
        if way.height is not None:
            height = way.height
    else:
        said.append(f"no windway is marked: {length:.0f} mm long")
    sizes = (width, cut_up, height, length)
    return MarkedVoicing(round(along, 1), round(around % 360, 1), toward, *(round(size, 2) for size in sizes))


def _window(
    windows: list[tuple[MarkedStroke, ViewFrame]], profiles: Profiles, said: list[str]
) -> tuple[float, float, float, float]:
    """along, around, width and cut-up: the view from above has the width, that from the side says on which edge."""
    of = {frame.view: (mark, frame) for mark, frame in windows}
    width, cut_up = None, None
    if ABOVE in of:
        mark, frame = of[ABOVE]
        along, around = _around(mark, frame, profiles)
        cut_up, width = (float(size) for size in _size(mark.stroke))
    if SIDE in of:
        mark, frame = of[SIDE]
        place, edge = _on_edge(mark, frame, profiles)
        if ABOVE not in of:
            along, around = place, edge if edge is not None else _around(mark, frame, profiles)[1]
            cut_up, high = (float(size) for size in _size(mark.stroke))
            width = high if edge is None else None
        elif edge is not None and abs(np.cos(np.radians(around)) - np.cos(np.radians(edge))) > 1:
            around = edge - around  # it is drawn from above and lies underneath, or the other way
    if width is None or width < _LEAST_MM:
        width = WINDOW_MM[0]
        said.append(f"the window's width is not marked from above: {width:g} mm")
    if cut_up is None or cut_up < _LEAST_MM:
        cut_up = WINDOW_MM[1]
        said.append(f"the window's cut-up is marked without a size: {cut_up:g} mm")
    return along, around, width, cut_up


def _on_edge(mark: MarkedStroke, frame: ViewFrame, profiles: Profiles) -> tuple[float, float | None]:
    """along of a mark in the view from the side, and around: 0 at the upper edge, 180 at the lower, None between."""
    along, up = frame.place(mark.stroke.box.mean(axis=0)[None])[0]
    share = np.array([np.clip(along / profiles.length, 0, 1)])
    if not -0.02 * profiles.length < along < 1.02 * profiles.length:
        raise ValueError(f"a window on the inside's outline; this one is {along:.1f} mm along")
    off = (up - profiles.rise(share)[0]) / (profiles.height(share)[0] / 2)  # -1 at the lower edge, 1 at the upper
    return float(along), 0.0 if off > 0.6 else 180.0 if off < -0.6 else None


@dataclass(frozen=True)
class _Way:
    """A windway's length and height, where its middle and its inner end are along, and on which edge it lies, mm."""

    length: float
    height: float | None
    middle: float
    inner: float
    around: float | None


def _way(ways: list[tuple[MarkedStroke, ViewFrame]]) -> _Way | None:
    """The windway's marked line, in the view from the side if it is there: only that shows the height."""
    if not ways:
        return None
    mark, frame = next((pair for pair in ways if pair[1].view == SIDE), ways[0])
    points = frame.place(mark.stroke.points)
    centred = points - points.mean(axis=0)
    _, way = np.linalg.eigh(centred.T @ centred)  # the last eigenvector runs along the line
    length = float(np.ptp(centred @ way[:, 1]))
    thick = area(points) / length if mark.stroke.closed and length > 0 else 0.0
    if length < 2.0:
        raise ValueError(f"a windway of at least 2 mm in the layer windway; this one is {length:.1f} mm long")
    side = frame.view == SIDE
    around = (0.0 if float(points[:, 1].mean()) > 0 else 180.0) if side else (180.0 if mark.behind else 0.0)
    middle = float(points[:, 0].mean())
    return _Way(length, thick if side and thick >= _LEAST_MM else None, middle, float(points[:, 0].max()), around)
