"""The sheet to draw on: fields for both views, a ruler, the layers by name.

What is printed for the eye alone is faint, so that a photograph of the sheet shows the drawing and the ruler's two
dots.
"""

from __future__ import annotations

from html import escape

from simkit.making.paper import PAPERS, Fill, Ink, Mark, Page, Paper, Pen, Text, circle, rectangle, stroke
from simkit.sketching.strokes import LAYERS, MARKS

RULER_MM = 100.0
DOT_MM = 3.0  # many pixels of a photograph: their middles are then known to a part of one
_MARGIN, _HEAD, _FOOT, _GAP = 15.0, 48.0, 34.0, 6.0

SAYS = (
    "Mouth end at the left. Sizes are those of the fired piece. The outside goes around the inside, in the same field.",
    "Every outline closed; a view that you leave out is made round. Marks where they are seen: a circle for each hole,",
    "a rectangle for the window, a line or a long rectangle for the windway.",
    "With a pen: dark lines that touch nowhere; leave the two dots.",
    "In a drawing program: layers inside side, inside above, outside side, outside above, window, windway, holes,",
    "legs; what lies underneath or on the left: window behind, holes behind. In the layer ruler a line, labelled.",
)
FIELDS = (
    ("from the side", "up is up; seen from the right"),
    ("from above", "the piece's left is up, its right is down"),
)


def _fields(paper: Paper) -> list[tuple[float, float, float, float]]:
    """The lower left corner, width and height of each field, the view from the side first."""
    width = paper.width - 2 * _MARGIN
    height = (paper.height - _HEAD - _FOOT - _GAP) / 2  # two fields, one above the other
    return [(_MARGIN, _FOOT + height + _GAP, width, height), (_MARGIN, _FOOT, width, height)]


def _ruler(paper: Paper) -> tuple[tuple[float, float], tuple[float, float]]:
    left = (paper.width - RULER_MM) / 2  # in the middle
    return (left, 18.0), (left + RULER_MM, 18.0)


def _faint(paper: Paper, dots: bool) -> list[Mark]:
    """Marks that are there for the eye alone."""
    marks: list[Mark] = [Text((_MARGIN, paper.height - 14), "Sketch of a vessel flute", 5.0, ink=Ink.FAINT)]
    marks += [Text((_MARGIN, paper.height - 20.5 - 4.2 * n), said, 2.7, ink=Ink.FAINT) for n, said in enumerate(SAYS)]
    for (x, y, wide, high), (name, about) in zip(_fields(paper), FIELDS, strict=True):
        marks += [
            rectangle(x, y, wide, high, Pen.FAINT),
            stroke((x, y + high / 2), (x + wide, y + high / 2), pen=Pen.FAINT),
            Text((x + 2, y + high - 5), name, 3.6, ink=Ink.FAINT),
            Text((x + wide - 2, y + high - 5), about, 2.7, "right", ink=Ink.FAINT),
            Text((x + 2, y + high / 2 + 1.5), "mouth end", 2.7, ink=Ink.FAINT),
        ]
    (x0, y), (x1, _) = _ruler(paper)
    middle = (x0 + x1) / 2
    marks += [
        stroke((x0 + 4, y), (x1 - 4, y), pen=Pen.FAINT),  # clear of the dots
        Text(
            (middle, y - 5.5),
            f"{RULER_MM:g} mm from dot to dot" if dots else f"{RULER_MM:g} mm",
            2.7,
            "center",
            ink=Ink.FAINT,
        ),
        Text((middle, y - 10), f"{paper.name}, printed at 100 %", 2.7, "center", ink=Ink.FAINT),
    ]
    return marks


def blank_pages() -> list[Page]:
    """The sheet to print, on each paper at 1:1."""
    pages = []
    for paper in PAPERS:
        dots = [circle(at, DOT_MM, Pen.NONE, Fill.BLACK, f"dot {n}") for n, at in enumerate(_ruler(paper), 1)]
        pages.append(Page("Sketch of a vessel flute", paper, (*_faint(paper, True), *dots)))
    return pages


_SVG = """\
<?xml version="1.0" encoding="UTF-8"?>
<svg xmlns="http://www.w3.org/2000/svg" xmlns:inkscape="http://www.inkscape.org/namespaces/inkscape"
     width="{width:g}mm" height="{height:g}mm" viewBox="0 0 {width:g} {height:g}">
<!-- Draw in the layers; the layer "paper" is not read. Save, then let simkit new make a design of the sketch. -->
  <g id="paper" inkscape:groupmode="layer" inkscape:label="paper" font-family="sans-serif" fill="{ink}"
     stroke-width="0.25">
{faint}
  </g>
{layers}
  <g id="ruler" inkscape:groupmode="layer" inkscape:label="ruler">
    <path id="length" inkscape:label="{ruler:g} mm" d="M {x0:g},{y:g} H {x1:g}" fill="none" stroke="#000000"
          stroke-width="0.5"/>
  </g>
</svg>
"""
_FAINT_INK = "#8fa3af"  # on a screen nothing is photographed
# A layer's colour, so that lines are told apart on the screen.
_COLOURS = {"inside": "#1f6fb2", "outside": "#a0522d", "window": "#c0392b", "windway": "#c0392b", "holes": "#2e7d32"}


def blank_svg() -> str:
    """The sheet to draw on by a vector program: a layer for each outline and each kind of mark, and the ruler."""
    paper = PAPERS[0]  # A4: on a screen any will do
    (x0, y), (x1, _) = _ruler(paper)
    return _SVG.format(
        width=paper.width,
        height=paper.height,
        ink=_FAINT_INK,
        faint="\n".join(f"    {_element(mark, paper.height)}" for mark in _faint(paper, False)),
        layers="\n".join(map(_layer, (*LAYERS, *MARKS, *(f"{mark} behind" for mark in MARKS if mark != "windway")))),
        ruler=RULER_MM,
        x0=x0,
        x1=x1,
        y=paper.height - y,  # SVG counts from the top
    )


def _layer(name: str) -> str:
    colour = _COLOURS[name.split()[0]]
    style = f"fill:none;stroke:{colour};stroke-width:0.4"
    return f'  <g id="{name.replace(" ", "-")}" inkscape:groupmode="layer" inkscape:label="{name}" style="{style}"></g>'


def _element(mark: Mark, height: float) -> str:
    """A faint line or words as SVG, y turned down."""
    if isinstance(mark, Text):
        anchor = {"left": "start", "center": "middle", "right": "end"}[mark.align]
        x, y = mark.at
        place = f'x="{x:g}" y="{height - y:g}" font-size="{mark.size:g}" text-anchor="{anchor}"'
        return f"<text {place}>{escape(mark.words)}</text>"
    points = " ".join(f"{x:g},{height - y:g}" for x, y in mark.points)
    kind = "polygon" if mark.closed else "polyline"
    return f'<{kind} points="{points}" fill="none" stroke="{_FAINT_INK}"/>'
