"""The shapes of a chamber's air, by inside sizes in millimetres; `body` makes walls of them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated, Any, Literal, NamedTuple

from pydantic import Discriminator, Field, Tag

from simkit import plugins
from simkit.vessel.part import Clash, Further, Part, items, slots
from simkit.vessel.values import Length, LengthOrNone, NumberRange, Place, Radius, RowOf, Size, TextRule, as_number


class Sphere(Part):
    """A ball."""

    kind: Literal["sphere"] = Field("sphere", alias="shape")
    diameter_mm: Length


class Ellipsoid(Part):
    """A ball stretched along, across and up."""

    kind: Literal["ellipsoid"] = Field("ellipsoid", alias="shape")
    length_mm: Length
    width_mm: Length
    height_mm: Length


class Egg(Part):
    """An ellipsoid with its widest ring moved to `widest_at` of the length, from the mouth end."""

    kind: Literal["egg"] = Field("egg", alias="shape")
    length_mm: Length
    width_mm: Length
    height_mm: Length
    # beyond it the formula folds near an end
    widest_at: Annotated[float, NumberRange(0.25, 0.75, above=True, under=True)]


class Lens(Part):
    """A flattened pendant whose rim, in the section across the width, is rounded by `rim_mm`.

    Half height h(u)^2 = H^2 (1 - u^2)(1 - q u^2) with H = height/2 and u = 1 on the outline; the rim's radius
    is H^2 (1 - q)/(width/2) with -1 <= q < 1, so 0 < rim_mm <= 2 H^2/(width/2).
    """

    kind: Literal["lens"] = Field("lens", alias="shape")
    length_mm: Length
    width_mm: Length
    height_mm: Length
    rim_mm: Size

    @classmethod
    def clashes(cls, known: Mapping[str, Any]) -> Iterator[Clash]:
        """A rim rounder than the fullest lens has."""
        width, height, rim = (as_number(known.get(key)) for key in ("width_mm", "height_mm", "rim_mm"))
        if width is None or height is None or rim is None:  # wrong or missing: told of by itself
            return
        largest = 2 * (height / 2) ** 2 / (width / 2)  # at q = -1
        # A hair of slack: an optimiser may stand exactly at the largest rim.
        if rim > largest * (1 + 1e-12):
            yield Clash(("rim_mm",), known["rim_mm"], f"at most height_mm^2/width_mm, here {largest:.4g}")


class Tube(Part):
    """A round tube; `ends` are flat, or half balls within the length."""

    kind: Literal["tube"] = Field("tube", alias="shape")
    length_mm: Length
    diameter_mm: Length
    ends: Literal["flat", "round"] = "flat"

    @classmethod
    def clashes(cls, known: Mapping[str, Any]) -> Iterator[Clash]:
        """Round ends that do not fit in the length."""
        length, diameter = as_number(known.get("length_mm")), as_number(known.get("diameter_mm"))
        if known.get("ends") == "round" and length is not None and diameter is not None and length < diameter:
            allowed = f'at least diameter_mm ({diameter:g}) with ends = "round"'
            yield Clash(("length_mm",), known["length_mm"], allowed)


class Box(Part):
    """A box with edges rounded by `corner_mm`; 0 leaves them sharp."""

    kind: Literal["box"] = Field("box", alias="shape")
    length_mm: Length
    width_mm: Length
    height_mm: Length
    corner_mm: Radius = 0.0

    @classmethod
    def clashes(cls, known: Mapping[str, Any]) -> Iterator[Clash]:
        """Edges rounded by more than half of the least size."""
        corner = as_number(known.get("corner_mm"))
        sizes = [as_number(known.get(key)) for key in ("length_mm", "width_mm", "height_mm")]
        least = min((size for size in sizes if size is not None), default=None)
        # two roundings meet in the middle of the least side
        if corner is not None and least is not None and corner > least / 2:
            yield Clash(("corner_mm",), known["corner_mm"], f"at most half of the least size, here {least / 2:g}")


class Section(NamedTuple):
    """A section of a lofted body: place, sizes, height of its centre, squareness (2 is an ellipse)."""

    along_mm: Place
    width_mm: LengthOrNone
    height_mm: LengthOrNone
    rise_mm: Place
    squareness: Annotated[float, NumberRange(2, 20)]


class Sections(Part):
    """A smooth body lofted through sections; a first or last one of width 0 closes round, else flat."""

    kind: Literal["sections"] = Field("sections", alias="shape")
    sections: tuple[Annotated[Section, RowOf(Section)], ...] = Field(
        description="at least 2 rows [along, width, height, rise, squareness]"
    )

    @classmethod
    def clashes(cls, known: Mapping[str, Any]) -> Iterator[Clash]:
        """Sections out of order, and sections of no size elsewhere than at the ends."""
        yield from _too_few(known, "sections", 2, cls)
        columns = len(Section._fields)  # along, width, height, rise, squareness
        rows = [items(row) for row in items(known.get("sections"))]
        # A row of another length is refused by itself: nothing is said of its cells.
        cells = [[as_number(cell) for cell in row] if len(row) == columns else [None] * columns for row in rows]
        before: float | None = None
        for n, (along, width, height, *_) in enumerate(cells):
            here = ("sections", n)
            if along is not None and before is not None and along <= before:
                yield Clash((*here, 0), along, f"more than {before:g}, the place of the row before")
            before = along if along is not None else before  # past a wrong place on to the next
            if 0 < n < len(cells) - 1:  # neither first nor last
                for column, size in ((1, width), (2, height)):
                    if size == 0:
                        yield Clash((*here, column), size, "more than 0; only a first or last row may close to 0")
            elif width == 0 and height is not None and height > 0:
                yield Clash((*here, 2), height, "0, as its width is 0: both close, or neither")
            elif height == 0 and width is not None and width > 0:
                yield Clash((*here, 2), height, "more than 0, as its width is: both close, or neither")


class Lobe(NamedTuple):
    """An ellipsoid by its centre and its sizes."""

    along_mm: Place
    across_mm: Place
    up_mm: Place
    length_mm: Length
    width_mm: Length
    height_mm: Length


class Lobes(Part):
    """Overlapping ellipsoids fused to one body: a head, a tail, hollow legs, a waist."""

    kind: Literal["lobes"] = Field("lobes", alias="shape")
    lobes: tuple[Annotated[Lobe, RowOf(Lobe)], ...] = Field(
        description="1 or more rows [along, across, up, length, width, height]"
    )

    @classmethod
    def clashes(cls, known: Mapping[str, Any]) -> Iterator[Clash]:
        """Refuse a body without lobes."""
        yield from _too_few(known, "lobes", 1, cls)


SCANS = (".step", ".stp", ".stl")
_SCAN_FILE = TextRule(
    "the name of a STEP or STL file: " + ", ".join(SCANS),
    lambda name: name.lower().endswith(SCANS) and name.isprintable() and len(name) <= 1000,
)


class Scan(Part):
    """The inside surface in a STEP or STL file (STL in mm, closed), named from the design file's folder.

    `smooth_mm`: a noisy one is smoothed until it leaves the file by so much (root mean square); 0: drawn as it is.
    """

    kind: Literal["scan"] = Field("scan", alias="shape")
    file: Annotated[str, _SCAN_FILE]
    smooth_mm: Annotated[float, NumberRange(0, 5)] = 0.0


def _too_few(known: Mapping[str, Any], key: str, least: int, shape: type[Part]) -> Iterator[Clash]:
    if key in known and len(items(known[key])) < least:  # a missing key is told of by itself
        yield Clash((key,), known[key], slots(shape)[key].allowed)


# in the order in which messages list them.
_OURS: tuple[type[Part], ...] = (Sphere, Ellipsoid, Egg, Lens, Tube, Box, Sections, Lobes, Scan)
SHAPES: dict[str, type[Part]] = {shape.model_fields["kind"].default: shape for shape in _OURS}


GROUP = "simkit.shapes"


class FurtherShape(Part):
    """A shape of another package: a part with a `kind` and sizes in mm as those above have, and its wall.

    Announced by an entry point of the group `simkit.shapes` under its kind.
    """

    kind: str = Field(alias="shape")

    def wall(self) -> Any:
        """The exact wall in the chamber's own frame, a `simkit.body.walls.wall.Wall`; millimetres end here."""
        raise NotImplementedError


def known_shapes() -> tuple[str, ...]:
    """The names of all shapes, those of other packages last."""
    return (*SHAPES, *(name for name in plugins.names(GROUP) if name not in SHAPES))


def _further(name: str) -> type[FurtherShape] | None:
    """The shape of another package by that name, None where there is none; an InputError where it is broken."""
    # Our own names cannot be taken over.
    return None if name in SHAPES else plugins.part_of(GROUP, name, FurtherShape, "wall")


def _named_shape(value: Any) -> Any:
    # A table as read, or a shape made in Python.
    named = value.get("shape") if isinstance(value, Mapping) else getattr(value, "kind", None)
    return named if isinstance(named, str) else None


Shape = Annotated[
    Annotated[Sphere, Tag("sphere")]
    | Annotated[Ellipsoid, Tag("ellipsoid")]
    | Annotated[Egg, Tag("egg")]
    | Annotated[Lens, Tag("lens")]
    | Annotated[Tube, Tag("tube")]
    | Annotated[Box, Tag("box")]
    | Annotated[Sections, Tag("sections")]
    | Annotated[Lobes, Tag("lobes")]
    | Annotated[Scan, Tag("scan")],
    Discriminator(_named_shape),
    Further(_further),
]
