"""A chamber: its shape, the voicing that is blown, the holes, and which holes each note opens."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from math import cos, radians, tan
from typing import Annotated, Any, Literal, NamedTuple, get_args

from pydantic import AfterValidator, Field

from simkit.pitch import note
from simkit.vessel.further_ducts import Duct
from simkit.vessel.part import WRONG, Clash, Part, items, table
from simkit.vessel.shapes import Shape
from simkit.vessel.spelling import did_you_mean, listed
from simkit.vessel.values import (
    Angle,
    Name,
    NumberRange,
    Place,
    Radius,
    RowOf,
    Size,
    Slit,
    TextRule,
    Thickness,
    as_number,
    read_by,
)

Finger = Literal[
    "left thumb", "left index", "left middle", "left ring", "left little",
    "right thumb", "right index", "right middle", "right ring", "right little",
]  # fmt: skip
FINGERS: tuple[str, ...] = get_args(Finger)


class Direction(NamedTuple):
    """A way through the piece, of any length: along, across, up."""

    along: Annotated[float, NumberRange(-1000, 1000)]
    across: Annotated[float, NumberRange(-1000, 1000)]
    up: Annotated[float, NumberRange(-1000, 1000)]


def _without_way(known: Mapping[str, Any]) -> Iterator[Clash]:
    """A direction of zeros."""
    way = known.get("direction")
    if isinstance(way, list | tuple) and len(way) == 3 and all(as_number(each) == 0 for each in way):
        yield Clash(("direction",), list(way), "a way out of the air, such as [0, 0, 1], straight up; not all 0")


class Voicing(Part):
    """The voicing: windway, window and edge. `along_mm` marks the window's centre on the inner face.

    `breath_toward_deg` is the way the breath runs along the wall: 0 away from the mouth end, 90 to the right. The edge
    lies at the inner face; `edge_offset_mm` is how far it lies towards the chamber from the middle of the jet.
    `direction`: the way that the window is cut, from the inside out, in the piece's own frame, where that is not square
    to the inside; windway, cut-up and the slope of the edge go by it, the windway square to it. `windway_slope_deg`: by
    how much the windway is not, but comes down from the lips towards the window; where it rises, negative.
    """

    along_mm: Place
    around_deg: Angle
    breath_toward_deg: Angle = 0.0
    window_width_mm: Slit
    cut_up_mm: Slit
    windway_height_mm: Size
    windway_length_mm: Size
    edge_deg: Annotated[float, NumberRange(10, 90)] = 45.0
    edge_offset_mm: Annotated[float, NumberRange(-20, 20)] = 0.0
    windway_slope_deg: Annotated[float, NumberRange(-30, 30)] = 0.0
    wall_mm: Thickness | None = None
    edge_radius_mm: Radius | None = None
    direction: Annotated[Direction, RowOf(Direction)] | None = None

    @property
    def exit_rise_mm(self) -> float:
        """Height of the windway's middle at its exit outward of the edge, mm: what slopes comes down as it blows on."""
        # What it falls over the cut-up.
        return self.edge_offset_mm + self.cut_up_mm * tan(radians(self.windway_slope_deg))

    @property
    def jet_way_mm(self) -> float:
        """Way of the jet from the windway's exit to the edge, mm."""
        # aslant over the cut-up, as the windway comes down
        return self.cut_up_mm / cos(radians(self.windway_slope_deg))

    @classmethod
    def clashes(cls, known: Mapping[str, Any]) -> Iterator[Clash]:
        yield from _without_way(known)


class Mouthpiece(Part):
    """The clay that carries the windway to the lips, and the windway's taper from the lips to its exit.

    length_mm: how far it stands out beyond the body, by the windway's length where it is not written; width_mm and
    height_mm: its size at the lips; roof_mm, floor_mm, sides_mm: clay over, under and beside the windway where it
    leaves for the window, the roof by default no higher than the clay there; lips_width_mm and lips_height_mm: of the
    windway at the lips, as at its exit where not written.
    """

    length_mm: Size | None = None
    width_mm: Size | None = None
    height_mm: Size | None = None
    roof_mm: Size | None = None
    floor_mm: Size = 3.0  # this and the next: common practice, no source
    sides_mm: Size = 4.0
    lips_width_mm: Size | None = None
    lips_height_mm: Size | None = None

    def lips(self, voicing: Voicing) -> tuple[float, float]:
        """Width and height of the windway at the lips, mm."""
        # No taper where nothing is written.
        return self.lips_width_mm or voicing.window_width_mm, self.lips_height_mm or voicing.windway_height_mm


class Hole(Part):
    """A hole through the clay, round, and square to the inside where it has no `direction` of its own.

    `wall_mm` is the length of its duct; it and the two edge radii (outside and inside rim) fall back on `[clay]`.
    `direction`: the way that it is cut, from the inside out, in the piece's own frame. `duct`: another package's, in
    place of the plain one.
    """

    name: Name
    along_mm: Place
    around_deg: Angle
    diameter_mm: Size
    wall_mm: Thickness | None = None
    edge_radius_mm: Radius | None = None
    edge_inside_radius_mm: Radius | None = None
    direction: Annotated[Direction, RowOf(Direction)] | None = None
    finger: Finger | None = None
    duct: Duct = Field(None, description='a table such as {shape = "name"} of a duct that a package announces')

    @classmethod
    def clashes(cls, known: Mapping[str, Any]) -> Iterator[Clash]:
        yield from _without_way(known)


_is_note = read_by(note)


class Note(Part):
    """A note that the chamber should play, and the holes open for it; all others are covered."""

    pitch: Annotated[
        str,
        TextRule("a letter A to G, # or b if any, and an octave 0 to 9, such as C5, F#4 or Bb5", _is_note),
        AfterValidator(lambda text: text.strip()),
    ]
    cents: Annotated[float, NumberRange(-1200, 1200)] = 0.0
    # without a default: a forgotten key would mean all covered
    open: tuple[Name, ...] = Field(description='a list of hole names, such as ["1", "2"]; [] is all covered')


class Offset(NamedTuple):
    """Place of a chamber's own zero in the body."""

    along_mm: Place
    across_mm: Place
    up_mm: Place


class Chamber(Part):
    """One closed space of air. In the file the keys of `shape` are written beside the chamber's own."""

    name: Name
    shape: Shape
    voicing: Voicing | None = None
    mouthpiece: Mouthpiece | None = None
    holes: tuple[Hole, ...] = Field((), description="tables written [[chamber.hole]]")
    notes: tuple[Note, ...] = Field((), description="tables written [[chamber.note]]")
    offset_mm: Annotated[Offset, RowOf(Offset)] = Offset(0.0, 0.0, 0.0)
    turn_deg: Angle = 0.0

    def hole(self, name: str) -> Hole:
        """The hole of that name; a KeyError if there is none."""
        for hole in self.holes:
            if hole.name == name:
                return hole
        raise KeyError(f"no hole {name!r} in chamber {self.name!r}")

    def note(self, pitch: str) -> Note:
        """The note of that pitch, as written in the design; a KeyError if there is none."""
        for each in self.notes:
            if each.pitch == pitch:
                return each
        raise KeyError(f"no note {pitch!r} in chamber {self.name!r}")

    @classmethod
    def clashes(cls, known: Mapping[str, Any]) -> Iterator[Clash]:
        """Names used twice, notes that open holes which do not exist, and a mouthpiece narrower than its windway."""
        # Parts of it may be wrong by themselves, or tables not read yet: `known` is asked with care.
        yield from _misfits(known)
        holes = [table(hole).get("name") for hole in items(known.get("holes"))]
        # D♯5 and d#5 are one note.
        pitches = [table(note).get("pitch") for note in items(known.get("notes"))]
        yield from repeated(holes, "holes", "name", "another hole has this name")
        yield from repeated([_spelled(pitch) for pitch in pitches], "notes", "pitch", "another note has this pitch")
        names = [name for name in holes if isinstance(name, str)]
        # The name of some hole may be what is wrong; then a note that opens it is not.
        unsure = len(names) < len(holes) or known.get("holes") is WRONG
        for n, written in enumerate(items(known.get("notes"))):
            before: set[str] = set()
            for place, name in enumerate(items(table(written).get("open"))):
                here = ("notes", n, "open", place)
                if not isinstance(name, str):
                    continue
                if name not in names and not unsure:
                    allowed = f"the holes of this chamber, {listed(names)}" if names else "[], as there are no holes"
                    yield Clash(here, name, allowed + did_you_mean(name, names))
                elif name in before:
                    yield Clash(here, name, "each hole once")
                before.add(name)


_LEAST_LIP = 1.0  # mm of clay round the windway at the lips: common practice, no source


def _misfits(known: Mapping[str, Any]) -> Iterator[Clash]:
    """A mouthpiece without a windway, or one that leaves no clay around it at the lips."""
    given, voicing = known.get("mouthpiece"), known.get("voicing")
    if given is None or given is WRONG or voicing is WRONG:  # of what is wrong by itself nothing more is said
        return
    if voicing is None:
        yield Clash(("mouthpiece",), None, "a [chamber.voicing] beside it: a mouthpiece carries a windway")
        return
    piece, blown = table(given), table(voicing)
    for key, lips, exit_ in (
        ("width_mm", "lips_width_mm", "window_width_mm"),
        ("height_mm", "lips_height_mm", "windway_height_mm"),
    ):
        size, own = as_number(piece.get(key)), as_number(piece.get(lips))
        # At the lips as at the exit, if nothing else is written.
        slit = own if own is not None else as_number(blown.get(exit_))
        if size is not None and slit is not None and size < slit + 2 * _LEAST_LIP:
            least = slit + 2 * _LEAST_LIP
            yield Clash(("mouthpiece", key), size, f"at least {least:g}: {_LEAST_LIP:g} mm of clay round the windway")


def repeated(names: list[Any], key: str, name_key: str, remark: str) -> Iterator[Clash]:
    """A clash for every item of the list `key` that has the name of an earlier one."""
    before: set[str] = set()
    for n, name in enumerate(names):
        if isinstance(name, str):  # what is no name is told of by itself
            if name in before:
                yield Clash((key, n, name_key), name, f"a {name_key} of its own; {remark}")
            before.add(name)


def _spelled(pitch: Any) -> Any:
    """The note's usual spelling, so that D♯5 and d#5 are the same note."""
    # what is no note is told of by itself, and clashes with nothing
    return str(note(pitch)) if isinstance(pitch, str) and _is_note(pitch) else None
