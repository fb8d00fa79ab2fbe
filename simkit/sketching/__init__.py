"""Designs from sketches: outlines drawn by a vector program or by hand, in mm by a ruler, to sections.

svg_tree, svg_lines, svg_layers    an SVG file read safely; its lines; its layers by their names, in mm
photograph              a picture of dark outlines on paper as the same lines
strokes                 lines, closed outlines, where they cross
silhouettes             an outline as heights from left to right; how far two outlines part
section_rows            as few rows of `sections` as keep to the outlines
marks                   a window, a windway and holes where they are marked
legs                    legs, each a closed line, as pairs of parts of clay
from_sketch             the whole: a commented design
blank_paper             the sheet to draw on

In: a file. Out: the text of a design, mm and degrees. The conventions: mouth end at the left; up is up from the side,
and seen from above the piece's right is down.
"""

from simkit.sketching.blank_paper import blank_pages, blank_svg
from simkit.sketching.from_sketch import Sketched, sketch

__all__ = ["Sketched", "blank_pages", "blank_svg", "sketch"]
