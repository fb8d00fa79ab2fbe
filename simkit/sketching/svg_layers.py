"""An SVG drawing as a sketch in mm: its layers by their names, transforms and units taken in, curves as short lines.

A layer is a group, or a single line, whose
label, title or id names it. Hidden groups, definitions, texts and linked pictures are passed over.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from xml.etree.ElementTree import Element

import numpy as np
from fontTools.misc.transform import Identity, Transform

from simkit.errors import Fault, InputError
from simkit.sketching.strokes import BEHIND, LAYERS, LEGS, MARKS, MarkedStroke, OutlineError, Sketch, Stroke, outline_of
from simkit.sketching.svg_lines import FINE_MM, UNITS_MM, lines, moved, page, transform
from simkit.sketching.svg_tree import local, svg_tree
from simkit.vessel.spelling import did_you_mean

MOST_POINTS = 40_000  # a file of megabytes traced from a picture, and no drawing by hand
_INKSCAPE = "http://www.inkscape.org/namespaces/inkscape}"
_PASSED = {"defs", "clipPath", "mask", "pattern", "symbol", "marker", "metadata", "namedview", "style", "image",
           "title", "desc", "text", "script", "foreignObject", "filter"}  # fmt: skip
_GROUPS = ("g", "svg", "a", "switch")
_BY_PROGRAM = re.compile(r"(path|circle|ellipse|rect|line|poly\w*|g|group|use|shape|svg|layer)[-_ ]?\d*", re.I)
RULER = "ruler"
PAPER = "paper"  # a layer that is there for the eye alone


@dataclass(frozen=True)
class _Named:
    """Place of a line in the drawing: its layer, the words of that layer's name, the transform, its own name."""

    layer: str = ""
    behind: bool = False
    words: str = ""
    transform: Transform = Identity


def svg_sketch(path: str | Path, ruler_mm: float | None = None) -> Sketch:
    """The sketch in an SVG file; an InputError for each layer that cannot be used.

    ruler_mm: how long the ruler is, where its label does not say.
    """
    source, root = str(path), svg_tree(path)
    reading = _Reading(source)
    on_page = _Named(transform=page(root))
    for element in root:
        reading.walk(element, on_page)
    scale, turn, said = reading.measured(ruler_mm)
    outlines: dict[str, Stroke] = {}
    for layer in LAYERS:
        if reading.drawn.get(layer):
            try:
                outlines[layer], rest = outline_of(reading.drawn[layer], _on_page)
            except OutlineError as why:
                reading.faults.append(Fault(source, f"layer {layer}", None, str(why)))
                continue
            said += [f"{layer}: {words}" for words in rest]
    reading.check(outlines)
    marks = tuple(replace(mark, stroke=_turned(mark.stroke, scale, turn)) for mark in reading.marks)
    return Sketch(
        source,
        {layer: _turned(stroke, scale, turn) for layer, stroke in outlines.items()},
        marks,
        (*said, *reading.said()),
        FINE_MM * scale,
    )


def _turned(stroke: Stroke, scale: float, turn: float) -> Stroke:
    """Stroke enlarged, and turned clockwise by an angle, rad."""
    cos, sin = math.cos(turn), math.sin(turn)
    return Stroke(scale * stroke.points @ np.array([[cos, -sin], [sin, cos]]), stroke.closed, stroke.name)


def _on_page(point: np.ndarray) -> str:
    """Place on the page as the drawing program's rulers have it: mm from its left and top."""
    return f"x {point[0]:.0f}, y {-point[1]:.0f} mm"


class _Reading:
    """Findings while a tree is walked; sizes are mm of the page."""

    def __init__(self, source: str):
        self.source = source
        self.drawn: dict[str, list[Stroke]] = {}
        self.marks: list[MarkedStroke] = []
        self.rulers: list[tuple[Stroke, str]] = []
        self.texts: list[str] = []
        self.empty: list[str] = []
        self.strange: list[str] = []
        self.faults: list[Fault] = []
        self.points = 0

    def walk(self, element: Element, within: _Named) -> None:
        """Take in an element and what it holds."""
        name = local(element)
        named, own = _name_of(element, within)
        if named.layer == RULER and name == "text":
            self.texts.append("".join(element.itertext()))
        if name in _PASSED or _hidden(element):
            return
        try:
            turned = replace(named, transform=named.transform.transform(transform(element.get("transform", ""))))
            if name in _GROUPS:
                before = self._count()
                for inner in element:
                    self.walk(inner, turned)
                if named.layer and named.layer != within.layer and self._count() == before:
                    self.empty.append(named.layer)
                return
            # Fine enough for what the transform makes of it.
            strokes = [moved(*line, turned.transform) for line in lines(element, turned.transform)]
        except (ValueError, OverflowError, IndexError, TypeError) as why:
            if not named.layer and name not in _GROUPS:
                return self._pass_over(named)
            key = f"layer {named.layer}" if named.layer else f"<{name[:40]}>"
            self.faults.append(Fault(self.source, key, None, f"lines that can be drawn ({str(why)[:120]})"))
            return
        taken = [Stroke(points, closed, own) for points, closed in strokes]
        # A hole drawn as a ring with a cross in it is one mark; an outline may be of many lines.
        for stroke in _as_one(taken) if turned.layer in MARKS else taken:
            self._take(stroke, turned)
        if name == "use" and named.layer:
            self.strange.append(f"{named.layer}: a linked copy (<use>) is passed over: unlink it")

    def _count(self) -> int:
        return sum(map(len, self.drawn.values())) + len(self.marks) + len(self.rulers)

    def _take(self, stroke: Stroke, named: _Named) -> None:
        self.points += len(stroke.points)
        if self.points > MOST_POINTS:
            allowed = f"a drawing whose lines have at most {MOST_POINTS} points; simplify them"
            raise InputError([Fault(self.source, "", None, allowed)])
        if not np.isfinite(stroke.points).all() or np.abs(stroke.points).max() > 1e6:
            allowed = "lines that lie on the page"
            self.faults.append(Fault(self.source, f"layer {named.layer or stroke.name}", None, allowed))
        elif named.layer in LAYERS:
            self.drawn.setdefault(named.layer, []).append(stroke)
        elif named.layer == RULER:
            self.rulers.append((stroke, f"{stroke.name} {named.words}"))
        elif named.layer:
            self.marks.append(MarkedStroke(named.layer, named.behind, stroke))
        else:
            self._pass_over(named)

    def _pass_over(self, named: _Named) -> None:
        if named.words.casefold() != PAPER:
            known = did_you_mean(named.words, (*LAYERS, RULER, *MARKS, LEGS)) if named.words else ""
            words = f"'{named.words[:40]}'" if named.words else "lines in no layer"
            self.strange.append(f"{words} passed over{known}")

    def measured(self, ruler_mm: float | None) -> tuple[float, float, list[str]]:
        """Millimetres of the piece for one of the page, how far the ruler turns to the left of level, what to say."""
        longest = max((stroke.size for stroke, _ in self.rulers), default=0.0)
        # Shorter lines are the strokes at its ends.
        long = [ruler for ruler in self.rulers if longest and ruler[0].size > 0.5 * longest]
        length = None
        if len(long) != 1:
            there = f"one ruler; there are {len(long)}" if long else "a ruler; there is none"
            self.faults.append(Fault(self.source, "layer ruler", None, f"{there}: {_HOW}"))
        else:
            length = ruler_mm if ruler_mm is not None else _length(" ".join([long[0][1], *self.texts]))
            if length is None:
                allowed = f"a ruler that says how long it is, or `ruler_mm`: {_HOW}"
                self.faults.append(Fault(self.source, "layer ruler", None, allowed))
        if length is None:
            return 1.0, 0.0, []
        turn = _level(long[0][0])
        said = _beside(length, longest)
        if turn:
            said.append(
                f"the ruler lies {abs(math.degrees(turn)):.1f} degrees off level: the drawing is turned by that"
            )
        return length / longest, turn, said

    def check(self, outlines: dict[str, Stroke]) -> None:
        """Raise all faults; nothing drawn of the inside is one."""
        inside = [layer for layer in LAYERS if layer.startswith("inside")]
        broken = {fault.key for fault in self.faults}
        # An outline that was refused is there: its own fault says what to do.
        if not any(layer in outlines or f"layer {layer}" in broken for layer in inside):
            is_there = [layer for layer in inside if layer in self.empty]
            state = f"{' and '.join(is_there)} {'are' if len(is_there) > 1 else 'is'} empty" if is_there else "none is"
            hint = next((f"; {each}" for each in self.strange), "")
            allowed = f'an outline in the layer "inside side" or "inside above"; {state}{hint}'
            self.faults.append(Fault(self.source, "layers", None, allowed))
        if self.faults:
            raise InputError(self.faults)

    def said(self) -> Iterator[str]:
        """Remarks on what was found empty or passed over, each once."""
        empty = [layer for layer in dict.fromkeys(self.empty) if not self.drawn.get(layer)]
        if empty:
            yield f"empty: {', '.join(empty)}"
        yield from list(dict.fromkeys(self.strange))[:6]  # some: a drawing may have hundreds


def _as_one(strokes: list[Stroke]) -> list[Stroke]:
    """A mark of several lines: the largest that is closed, else all of them, as of a cross."""
    closed = [stroke for stroke in strokes if stroke.closed]
    if closed or len(strokes) < 2:
        return sorted(closed or strokes, key=lambda stroke: -stroke.size)[:1]
    return [Stroke(np.concatenate([stroke.points for stroke in strokes]), False, strokes[0].name)]


_HOW = 'draw one straight line in a layer called "ruler" and label it with its length, "100 mm"'
_SLANT = math.radians(45), math.radians(0.2)  # a ruler that stands upright only measures; what is less is level


def _level(ruler: Stroke) -> float:
    """Turn of a ruler to the left of level, radians."""
    first = ruler.points[0]
    x, y = ruler.points[np.linalg.norm(ruler.points - first, axis=1).argmax()] - first
    turn = math.atan2(y, x) if x >= 0 else math.atan2(-y, -x)  # whichever end was drawn first
    upright, level = _SLANT
    return turn if level < abs(turn) < upright else 0.0


def _beside(length: float, drawn: float) -> list[str]:
    """A remark where the ruler and the page's own units part."""
    off = drawn / length - 1
    if abs(off) < 0.005:
        return []
    return [f"the ruler counts: {length:g} mm are {drawn:.4g} mm of the page"]


def _length(label: str) -> float | None:
    """The length that a ruler's label says, mm.

    >>> _length("ruler 10 cm"), _length("ruler-100mm"), _length("rule")
    (100.0, 100.0, None)
    """
    # With a unit first: a name may have other numbers.
    found = re.search(r"(\d+(?:[.,]\d+)?)\s*(mm|cm|in)\b", label, re.I) or re.search(r"\b(\d+(?:[.,]\d+)?)()\b", label)
    length = float(found[1].replace(",", ".")) * UNITS_MM[found[2].lower() or "mm"] if found else 0.0
    return length if 0 < length <= 2000 else None


# --- names ---------------------------------------------------------------------------------------


def _name_of(element: Element, within: _Named) -> tuple[_Named, str]:
    """The layer that an element begins or stands in, and the name that a person has given it."""
    title = next((each.text or "" for each in element if local(each) == "title"), "")
    # Illustrator writes a blank in an id as _x20_.
    names = [element.get(f"{_INKSCAPE}label", ""), title, element.get("id", "").replace("_x20_", " ")]
    for name in names:
        layer, behind = layer_of(name)
        if layer:
            inherited = within.behind and layer == within.layer
            return replace(within, layer=layer, behind=behind or inherited, words=_plain(name)), ""
    own = next((name for name in names if name and not _BY_PROGRAM.fullmatch(name)), "")
    if local(element) == "g" and not within.layer and own:
        return replace(within, words=_plain(own)), ""
    return within, _plain(own)


def _plain(name: str) -> str:
    # it is said in messages, and written as a hole's name
    return " ".join("".join(sign if sign.isprintable() else " " for sign in name[:200]).split())


def layer_of(name: str) -> tuple[str, bool]:
    """The layer that a name means, "" for none, and whether its marks lie on the side that is not seen.

    >>> layer_of("Inside from the side"), layer_of("outside_above"), layer_of("holesBehind"), layer_of("eye")
    (('inside side', False), ('outside above', False), ('holes', True), ('', False))
    """
    # Words in any order, spelling or camel case, since every program writes names its own way.
    words = set(re.findall(r"[a-z]+", re.sub(r"([a-z])([A-Z])", r"\1 \2", name[:200]).lower()))
    for layer in LAYERS:
        what, view = layer.split()
        if {what, view} <= words:
            return layer, False
    for layer, known in (
        (RULER, {"ruler"}),
        ("windway", {"windway"}),
        ("window", {"window"}),
        ("holes", {"holes"}),
        (LEGS, {LEGS}),
    ):
        if known & words:
            return layer, BEHIND in words
    return "", False


def _hidden(element: Element) -> bool:
    style = element.get("style", "").replace(" ", "")
    return "display:none" in style or element.get("display") == "none" or "visibility:hidden" in style
