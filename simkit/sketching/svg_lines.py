"""The elements of an SVG file as lines: units, transforms, shapes and path data.

Path data (SVG 2, chapter 9) is read by fontTools; curves become short pieces that leave them by at most FINE_MM.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from xml.etree.ElementTree import Element

import numpy as np
from fontTools.misc.transform import Identity, Transform
from fontTools.pens.recordingPen import RecordingPen
from fontTools.svgLib.path import parse_path

from simkit.sketching.svg_tree import local

# CSS Values and Units 3, section 5.2: 96 px are an inch.
UNITS_MM = {"": 25.4 / 96, "px": 25.4 / 96, "mm": 1.0, "cm": 10.0, "in": 25.4, "pt": 25.4 / 72, "pc": 25.4 / 6}
FINE_MM = 0.01  # largest distance of a short line from its curve
_NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?"
_PATH_DATA = re.compile(r"[MmZzLlHhVvCcSsQqTtAaEe0-9+\-.,\s]*")

# --- units and transforms --------------------------------------------------------------------------


def page(root: Element) -> Transform:
    """Transform from the drawing's own units to mm, y up (SVG 2, 8.2: viewBox, with equal scales and in the middle)."""
    width, height = (_size(root.get(key, "")) for key in ("width", "height"))
    box = [float(word) for word in re.findall(_NUMBER, root.get("viewBox", ""))]
    up = Transform(1, 0, 0, -1, 0, 0)  # SVG counts downward
    if len(box) != 4 or min(box[2:]) <= 0:
        return up.scale(UNITS_MM["px"])
    width = box[2] * UNITS_MM["px"] if width is None else width  # SVG's default: a unit is a pixel
    height = width / box[2] * box[3] if height is None else height
    if not (width > 0 and height > 0):
        return up.scale(UNITS_MM["px"])
    scale = min(width / box[2], height / box[3])  # preserveAspectRatio's default, xMidYMid meet
    left, top = (width - scale * box[2]) / 2, (height - scale * box[3]) / 2
    return up.translate(left, top).scale(scale).translate(-box[0], -box[1])


def _size(text: str) -> float | None:
    """A length with its unit, mm; None for a share or for nothing.

    >>> _size("210mm"), _size("96"), _size("100%")
    (210.0, 25.4, None)
    """
    found = re.fullmatch(rf"\s*({_NUMBER})\s*([a-z]*)\s*", text)
    return float(found[1]) * UNITS_MM[found[2]] if found and found[2] in UNITS_MM else None


def transform(text: str) -> Transform:
    """A list of transforms (CSS Transforms 1, section 8), the first outermost.

    >>> transform("translate(10) scale(2)").transformPoint((1, 1))
    (12.0, 2.0)
    """
    whole = Identity
    for name, inside in re.findall(r"([a-zA-Z]+)\s*\(([^)]*)\)", text[:10_000]):  # cut: no drawing needs more
        v = [float(word) for word in re.findall(_NUMBER, inside)]
        match name, len(v):
            case "matrix", 6:
                whole = whole.transform(v)
            case "translate", 1 | 2:
                whole = whole.translate(*v)
            case "scale", 1 | 2:
                whole = whole.scale(*v)
            case "rotate", 1:
                whole = whole.rotate(math.radians(v[0]))
            case "rotate", 3:
                whole = whole.translate(*v[1:]).rotate(math.radians(v[0])).translate(-v[1], -v[2])
            case "skewX", 1:
                whole = whole.skew(math.radians(v[0]), 0)
            case "skewY", 1:
                whole = whole.skew(0, math.radians(v[0]))
            case _:
                raise ValueError(f"the transform {name} of {len(v)} numbers is not known")
    return whole


# --- lines -----------------------------------------------------------------------------------------


def moved(points: np.ndarray, closed: bool, by: Transform) -> tuple[np.ndarray, bool]:
    """A line's points (n, 2) under a transform, and whether it closes."""
    a, b, c, d, e, f = by
    return points @ np.array([[a, b], [c, d]]) + [e, f], closed


def lines(element: Element, by: Transform) -> Iterator[tuple[np.ndarray, bool]]:
    """The lines of one element in its own units: points (n, 2), and whether they close."""
    a, b, c, d, *_ = by
    # How much the transform enlarges at most: curves must be as fine as FINE_MM after it.
    scale = max(math.hypot(a, b), math.hypot(c, d), 1e-12)

    def number(key: str, other: str = "") -> float:
        text = element.get(key, element.get(other, "0"))
        size = _size(text)
        if size is None:
            raise ValueError(f"{key} = {text[:20]} is no length")
        return size / UNITS_MM["px"]

    match local(element):
        case "path":
            yield from _path(element.get("d", ""), FINE_MM / scale)
        case "circle" | "ellipse":
            rx, ry = number("rx", "r"), number("ry", "r")
            if rx > 0 and ry > 0:
                t = np.linspace(0, 2 * np.pi, 181)[:-1]  # 2 degrees: 0.015 % of the radius beside the circle
                yield np.stack([number("cx") + rx * np.cos(t), number("cy") + ry * np.sin(t)], axis=1), True
        case "rect":
            x, y, w, h = (number(key) for key in ("x", "y", "width", "height"))
            yield np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]]), True
        case "line":
            yield np.array([[number("x1"), number("y1")], [number("x2"), number("y2")]]), False
        case "polyline" | "polygon" as kind:
            flat = [float(word) for word in re.findall(_NUMBER, element.get("points", ""))]
            if len(flat) > 3:
                yield np.array(flat[: len(flat) // 2 * 2]).reshape(-1, 2), kind == "polygon"


def _path(data: str, fine: float) -> Iterator[tuple[np.ndarray, bool]]:
    """The lines of a path, curves as short pieces that leave them by at most `fine`."""
    if not _PATH_DATA.fullmatch(data):
        # fontTools would pass over them, and draw something else
        raise ValueError("path data has letters that mean nothing")
    pen = RecordingPen()
    parse_path(re.sub(r"\s+", " ", data), pen)
    points: list[np.ndarray] = []
    for step, ends in pen.value:
        if step == "moveTo":
            points = [np.array(ends)]
        elif step in ("closePath", "endPath"):
            line = np.concatenate(points)
            if len(line) > 1:
                yield line, step == "closePath"
            points = []
        else:
            points.append(_curve(np.array([points[-1][-1], *ends]), fine))
    if points and len(line := np.concatenate(points)) > 1:
        yield line, False


def _curve(control: np.ndarray, fine: float) -> np.ndarray:
    """Points (n, 2) of a Bézier curve of any degree, after its first.

    A chord over 1/n of it leaves it by at most |B''|/8n², and |B''| <= d (d - 1) times the largest second difference
    of its control points.
    """
    degree = len(control) - 1
    if degree < 2:
        return control[1:]
    second = degree * (degree - 1) * float(np.linalg.norm(np.diff(control, 2, axis=0), axis=1).max())
    count = int(min(max(math.ceil(math.sqrt(second / (8 * fine))), 1), 300)) if np.isfinite(second) else 1
    t = np.linspace(0, 1, count + 1)[1:, None, None]
    level = control[None]  # de Casteljau, for all points at once
    while level.shape[1] > 1:  # de Casteljau
        level = (1 - t) * level[:, :-1] + t * level[:, 1:]
    return np.asarray(level[:, 0])
