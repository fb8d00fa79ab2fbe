"""A photograph or scan of a drawing as a sketch in mm: dark closed outlines on light paper, a ruler of two dots.

The paper's own brightness, place by place, is divided out; what is darker than half way to the pen is ink. Every
connected piece of ink is a ring, a dot or an open line. Rings as large as the largest are outlines: the upper is
that from the side, the lower that from above, and one within another the inside. Small ones on them are marks. The
outline runs along the middle of the pen's line, where the distances to its outer and inner edge are equal.
"""

from __future__ import annotations

import io
import warnings
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from contourpy import contour_generator
from PIL import Image, ImageOps, UnidentifiedImageError
from scipy import ndimage

from simkit.errors import Fault, InputError
from simkit.frozen import frozen
from simkit.sketching.strokes import ABOVE, SIDE, MarkedStroke, Sketch, Stroke, area
from simkit.vessel.reader import content_of

FORMATS = ("PNG", "JPEG", "TIFF", "BMP", "WEBP")
SUFFIXES = (".png", ".jpg", ".jpeg", ".tif", ".tiff", ".bmp", ".webp")
MOST_PIXELS = 80_000_000  # of a file; phones make 12 to 50 million, and Pillow warns from 89 million on
LARGEST_FILE = 330_000_000  # bytes: so many pixels of four bytes, not packed
_LONGEST = 2600  # pixels that are worked with
_TILE = 24  # pixels of a side over which the paper's brightness is taken
_FAINTEST = 0.72  # of the paper's brightness: ink must be darker
_SPECK = 14  # pixels of ink; less is dust
_LARGE = 0.3  # of the largest ring: an outline, and no mark
_LEVEL_DEG = 30.0  # largest turn of the ruler from level
_PINHOLE = 6  # pixels of paper in ink; fewer are no hole
_SLIVER = 0.025  # of a ring's size: narrower paper lies between lines drawn twice
_LETTER = 0.06  # of the largest ring: beside the outlines what is smaller is writing
_SQUARE = 0.89  # of its box: a rectangle fills more, a circle pi/4
_LONG = 3.0  # sides of a rectangle that is a windway


@frozen
class Blot:
    """A connected piece of ink: its place in the picture, what it covers with its holes filled, how many holes."""

    corner: np.ndarray
    filled: np.ndarray
    ink: np.ndarray
    holes: int

    @property
    def middle(self) -> np.ndarray:
        """Row and column of its box's middle."""
        return self.corner + np.array(self.filled.shape) / 2

    @property
    def size(self) -> float:
        return float(np.hypot(*self.filled.shape))  # of its box: no line of that piece is longer

    @property
    def solid(self) -> bool:
        """A filled spot and no line."""
        # of its box: a disc fills pi/4, a pen's line hardly any
        return self.holes == 0 and float(self.ink.mean()) > 0.45

    def holds(self, other: Blot) -> bool:
        """Whether another's middle lies within this one's line."""
        row, column = (other.middle - self.corner).astype(int)
        high, wide = self.filled.shape
        return bool(0 <= row < high and 0 <= column < wide and self.filled[row, column])


@dataclass(frozen=True)
class _Ruler:
    """mm of a pixel, and the turn that makes the ruler level: from (row, column) to (x, y up)."""

    mm: float
    turn: tuple[float, float]

    def place(self, points: np.ndarray) -> np.ndarray:
        x, y = points[:, 1], -points[:, 0]  # rows run downward
        cos, sin = self.turn
        return self.mm * np.stack([cos * x + sin * y, cos * y - sin * x], axis=1)


def photo_sketch(path: str | Path, ruler_mm: float | None = None) -> Sketch:
    """The sketch in a picture; an InputError that says what to draw or photograph otherwise."""
    source = str(path)
    if ruler_mm is None:
        raise _fault(source, "`ruler_mm`: how far the two dots of the ruler are apart, in mm of the piece")
    shade, reduction = _brightness(source)
    blots = _blots(_ink(source, shade))
    rings = [blot for blot in blots if blot.holes]
    largest = max((blot.size for blot in blots if not blot.solid), default=0.0)
    if not rings or max(ring.size for ring in rings) < 0.5 * largest or largest < 0.08 * max(shade.shape):
        raise _open(source, blots, largest, reduction)
    outlines = [ring for ring in rings if ring.size > _LARGE * largest]
    for blot in blots:
        if not blot.holes and not blot.solid and blot.size > _LARGE * largest:
            raise _open(source, [blot], blot.size, reduction)
    for ring in outlines:
        if ring.holes > 1:
            raise _fault(
                source,
                f"outlines that neither cross nor touch; lines meet in the one around {_at(ring, reduction)}: "
                "leave paper between them, marks too",
            )
    small = [blot for blot in blots if blot not in outlines and (blot.solid or blot.holes)]  # open lines are doodles
    free = [blot for blot in small if blot.solid and not any(ring.holds(blot) for ring in outlines)]
    ruler = _ruler(source, free, ruler_mm, reduction)
    named = _named(source, outlines, ruler)
    within = [blot for blot in small if any(ring.holds(blot) for ring in outlines)]
    beside = [blot for blot in small if blot not in within and not blot.solid and blot.size > _LETTER * largest]
    marks = [_mark(blot, ruler) for blot in (*within, *beside)]
    lines = {layer: Stroke(ruler.place(_traced(ring)), True) for layer, ring in named.items()}
    return Sketch(source, lines, tuple(marks), (), ruler.mm)


def _fault(source: str, allowed: str) -> InputError:
    return InputError([Fault(source, "", None, allowed)])


def _at(blot: Blot, reduction: float) -> str:
    row, column = reduction * blot.middle
    return f"{column:.0f}, {row:.0f} pixels (from the left and top)"


def _open(source: str, blots: list[Blot], largest: float, reduction: float) -> InputError:
    lines = [blot for blot in blots if not blot.solid and not blot.holes and blot.size >= 0.9 * largest]
    where = f"; the line around {_at(lines[0], reduction)} is open: close it" if lines and largest > 60 else ""
    return _fault(source, f"closed dark outlines on light paper, drawn with a pen and large in the picture{where}")


# --- from pixels to ink ----------------------------------------------------------------------------


def _brightness(source: str) -> tuple[np.ndarray, float]:
    """The picture's brightness (rows, columns), 0 to 1, and how many pixels of the file one of these is."""
    too_large = _fault(source, f"a picture of at most {MOST_PIXELS // 1_000_000} million pixels")
    content = content_of(source, "a picture", LARGEST_FILE)
    try:
        with warnings.catch_warnings(), _opened(content) as picture:
            wide, high = picture.size
            if wide * high > MOST_PIXELS:
                raise too_large
            reduction = max(1.0, max(wide, high) / _LONGEST)
            # A JPEG is then unpacked no larger than is wanted.
            picture.draft("L", (int(wide / reduction), int(high / reduction)))
            grey = ImageOps.exif_transpose(picture)  # a phone turns the picture by a note in the file
            if grey.has_transparency_data:  # what is transparent is paper
                grey = grey.convert("RGBA")
                paper = Image.new("RGBA", grey.size, "white")
                grey = Image.alpha_composite(paper, grey)
            grey = grey.convert("L")
            if max(grey.size) > _LONGEST:
                grey = grey.resize(
                    [max(1, round(side * _LONGEST / max(grey.size))) for side in grey.size], Image.Resampling.BOX
                )
            return np.asarray(grey, float) / 255, max(wide, high) / max(grey.size)
    except (Image.DecompressionBombWarning, Image.DecompressionBombError) as error:
        raise too_large from error
    except UnidentifiedImageError as error:
        raise _fault(source, f"a picture: {', '.join(FORMATS)}; save it as one of these") from error
    except (OSError, ValueError, SyntaxError) as error:
        raise _fault(source, f"a picture that can be read ({str(error)[:100]})") from error


def _opened(content: bytes) -> Image.Image:
    warnings.simplefilter("error", Image.DecompressionBombWarning)  # it is refused, not warned of
    return Image.open(io.BytesIO(content), formats=FORMATS)


def _ink(source: str, shade: np.ndarray) -> np.ndarray:
    """Mask (rows, columns) of the ink."""
    even = shade / np.maximum(_paper(shade), 0.05)
    even = ndimage.gaussian_filter(even, 0.7)  # pixels of noise are no ink
    darkest = float(np.quantile(even, 0.0005))  # not the very least, which is noise
    if darkest > _FAINTEST:
        raise _fault(
            source,
            f"dark lines on light paper; the darkest here has {100 * min(darkest, 1.0):.0f} % of the paper's "
            "brightness: draw with a black pen, and photograph in even light",
        )
    # Closing bridges a pixel's gap in a line; padded, or the picture's edge would count as paper.
    return ndimage.binary_closing(np.pad(even < (1 + darkest) / 2, 2), iterations=1)[2:-2, 2:-2]


def _paper(shade: np.ndarray) -> np.ndarray:
    """The paper's brightness place by place: bright parts of tiles, smoothed, so that shadows are not ink."""
    high, wide = (max(1, -(-side // _TILE)) for side in shade.shape)
    padded = np.pad(shade, [(0, n * _TILE - side) for n, side in zip((high, wide), shade.shape, strict=True)], "edge")
    # (tile row, tile column, pixels of it).
    tiles = padded.reshape(high, _TILE, wide, _TILE).swapaxes(1, 2).reshape(high, wide, -1)
    bright = np.quantile(tiles, 0.9, axis=2)  # not the brightest, which is a reflection or noise
    # A tile within a black spot has no paper: the brightest of its neighbours has.
    bright = ndimage.gaussian_filter(ndimage.grey_closing(bright, size=(9, 9)), 2)
    zoomed = ndimage.zoom(bright, [_TILE] * 2, order=1, mode="nearest", grid_mode=True)
    return np.asarray(zoomed[: shade.shape[0], : shade.shape[1]])


def _blots(ink: np.ndarray) -> list[Blot]:
    """The connected pieces of ink, those that are larger than dust."""
    labels, _ = ndimage.label(ink, structure=np.ones((3, 3)))  # corners touch too: a thin slanting line is one
    counts = np.bincount(labels.ravel())
    found = []
    for number, place in enumerate(ndimage.find_objects(labels), 1):
        if place is None or counts[number] < _SPECK:
            continue
        own = np.pad(labels[place] == number, 1)  # padded, so that the outside is connected
        filled = ndimage.binary_fill_holes(own)
        corner = np.array([place[0].start - 1, place[1].start - 1])
        within = _holes(filled & ~own, _SLIVER * float(np.hypot(*own.shape)))
        found.append(Blot(corner, filled, own, within))
    return found


def _holes(paper: np.ndarray, least: float) -> int:
    """Number of pieces of paper that ink encloses; of several those count that are wider than `least` pixels."""
    labels, count = ndimage.label(paper)
    sizes = np.bincount(labels.ravel(), minlength=count + 1)[1:]
    open_ones = 1 + np.flatnonzero(sizes > max(_PINHOLE, 0.002 * paper.size))
    if len(open_ones) < 2:
        return len(open_ones)
    # Twice the largest distance from ink.
    wide = 2 * ndimage.maximum(ndimage.distance_transform_edt(paper), labels, open_ones)
    return max(int((np.asarray(wide) > least).sum()), 1)


# --- from ink to outlines --------------------------------------------------------------------------


def _traced(blot: Blot) -> np.ndarray:
    """The middle of a ring's line, or the rim of a filled spot, as rows and columns (n, 2) of the picture."""
    filled = np.pad(blot.filled, 3)
    away = _signed(filled)
    if blot.holes:
        hole = np.pad(blot.filled & ~blot.ink, 3)
        labels, count = ndimage.label(hole)
        largest = 1 + int(np.argmax(np.bincount(labels.ravel())[1:])) if count else 0
        # Distances to the outer edge and to the hole's: their mean is zero in the middle of the line.
        away = (away + _signed(labels == largest)) / 2
    away = ndimage.gaussian_filter(away, 1.0)  # pixels' steps, of half a pixel, are no part of the line
    lines: list[np.ndarray] = [np.asarray(line) for line in contour_generator(z=away).lines(0.0)]
    return max(lines, key=len)[:-1, ::-1] + blot.corner - 3  # contours come as (column, row); 3: the padding


def _signed(region: np.ndarray) -> np.ndarray:
    """Distance to a region's edge, which lies half a pixel beyond its last: negative within."""
    out, within = ndimage.distance_transform_edt(~region), ndimage.distance_transform_edt(region)
    return np.asarray(np.where(region, 0.5 - within, out - 0.5))


def _ruler(source: str, free: list[Blot], ruler_mm: float, reduction: float) -> _Ruler:
    round_ones = [blot for blot in free if max(blot.filled.shape) < 1.6 * min(blot.filled.shape)]
    # Beside two dots of one size, specks and full stops do not count.
    largest = max((blot.size for blot in round_ones), default=0.0)
    dots = [blot for blot in round_ones if blot.size > 0.5 * largest]
    if len(dots) != 2:
        many = {0: "there is none", 1: "there is one dot"}.get(len(dots), f"there are {len(dots)} dots")
        near = ", ".join(_at(blot, reduction).partition(" pixels")[0] for blot in dots[:4])
        allowed = (
            f"a ruler of two filled dots beside the outlines, level; {many}{f', at {near} pixels' if near else ''}"
        )
        raise _fault(source, allowed)
    middles = np.array([blot.corner + np.argwhere(blot.ink).mean(axis=0) for blot in dots])
    (r0, c0), (r1, c1) = middles[middles[:, 1].argsort()]
    x, y = c1 - c0, -(r1 - r0)
    apart = float(np.hypot(x, y))
    tilt = abs(float(np.degrees(np.arctan2(y, x))))
    if tilt > _LEVEL_DEG:  # more is a picture that lies on its side
        raise _fault(source, f"a ruler that lies level; its dots lie {tilt:.0f} degrees off: turn the picture")
    return _Ruler(ruler_mm / apart, (float(x / apart), float(y / apart)))


def _named(source: str, outlines: list[Blot], ruler: _Ruler) -> dict[str, Blot]:
    """Names of the outlines: the upper is from the side, the lower from above; the inner of two the inside."""
    inner = {n: [m for m in range(len(outlines)) if m != n and outlines[n].holds(outlines[m])
                 and outlines[m].size < outlines[n].size] for n in range(len(outlines))}  # fmt: skip
    tops = [n for n in inner if not any(n in within for within in inner.values())]
    if len(tops) > 2 or any(len(within) > 1 for within in inner.values()):
        most = len(tops) if len(tops) > 2 else 1 + max(map(len, inner.values()))
        raise _fault(
            source,
            "at most two views, from the side and below it from above, each an outside around an inside or one of "
            f"them; {most} outlines lie {'apart' if len(tops) > 2 else 'within each other'}",
        )
    tops.sort(key=lambda n: -float(ruler.place(outlines[n].middle[None])[0, 1]))  # the upper view first, by y
    named: dict[str, Blot] = {}
    length = next((outlines[within[0]].filled.shape[1] for within in inner.values() if within), 0)
    for view, n in zip((SIDE, ABOVE), tops, strict=False):
        if inner[n]:
            named[f"outside {view}"], named[f"inside {view}"] = outlines[n], outlines[inner[n][0]]
            continue
        # One alone is the inside; beside a view that has both it is what it is nearer to in length.
        around = max((outlines[m].filled.shape[1] for m in inner if inner[m]), default=0)
        own = outlines[n].filled.shape[1]
        named[f"{'outside' if around and abs(own - around) < abs(own - length) else 'inside'} {view}"] = outlines[n]
    return named


def _mark(blot: Blot, ruler: _Ruler) -> MarkedStroke:
    """A small ring or dot as a mark: a rectangle is a window, a long one a windway, what is round a hole."""
    points = ruler.place(_traced(blot))
    wide, high = np.ptp(points, axis=0)
    layer = "holes"
    if max(wide, high) > _LONG * min(wide, high):
        layer = "windway"
    elif area(points) > _SQUARE * wide * high:
        layer = "window"
    return MarkedStroke(layer, False, Stroke(points, True))
