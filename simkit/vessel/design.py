"""The vessel: all that a design file says, checked and frozen."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache
from pathlib import Path as FilePath
from typing import Any, NamedTuple, TypeVar

from pydantic import Field

from simkit.errors import Fault
from simkit.pitch import Tuning, note
from simkit.vessel.chamber import Chamber, Hole, Note, Voicing, repeated
from simkit.vessel.checking import checked
from simkit.vessel.faults import DesignError, shown
from simkit.vessel.figure import Lump, OuterShape
from simkit.vessel.freedom import Bounds, Free, Tie, read_free
from simkit.vessel.hands import finger_cautions
from simkit.vessel.keys import dotted, find, is_fully_named, look, numbers_of, replaced
from simkit.vessel.part import Clash, Part, Path, items, slots, table
from simkit.vessel.spelling import did_you_mean
from simkit.vessel.surroundings import AirState, Breath, Clay, Hand, Jet, Player, Scale
from simkit.vessel.values import Line, NumberRange, Table, as_number
from simkit.vessel.writing import dumps, save

LITTLE_PERCENT = 1.0  # of shrinkage: clays lose some 5 to 15 %, common practice

Duct = TypeVar("Duct", Hole, Voicing)


class Number(NamedTuple):
    """A number of a design: its value (None where the design does not say) and what is allowed."""

    value: float | None
    allowed: NumberRange


class Vessel(Part):
    """A vessel flute as its design file describes it: sizes of the air in the fired piece, in mm and degrees.

    A vessel is never changed; `with_value`, `with_hole` and the like give another one, checked again. Two vessels
    are equal when their designs are, whichever files they came from.
    """

    title: Line = ""
    air: AirState = AirState()
    clay: Clay = Field(description="a table [clay] with at least wall_mm")
    breath: Breath | None = None
    player: Player | None = None
    hand: Hand | None = None
    scale: Scale = Scale()
    jet: Jet = Jet()
    free: Table[Free] = Table()
    outside: OuterShape | None = None
    parts: tuple[Lump, ...] = Field((), description="tables written [[part]]")
    chambers: tuple[Chamber, ...] = Field(description="tables written [[chamber]]")
    source: str = Field("", exclude=True, repr=False)

    # By what the design says: pydantic's own would count `source` too, where the file lies.
    def __eq__(self, other: object) -> bool:
        return isinstance(other, Vessel) and self._content() == other._content()

    def __hash__(self) -> int:
        return hash(self._content())

    def _content(self) -> tuple[Any, ...]:
        return tuple(getattr(self, slot.attribute) for slot in slots(Vessel).values())

    def __repr__(self) -> str:
        return f"Vessel({self.title!r}, {', '.join(map(_counted, self.chambers))})"

    def __str__(self) -> str:
        return dumps(self)

    def save(self, path: str | FilePath, *, overwrite: bool = False) -> None:
        """Write the design to a file that `load` reads as an equal one, whole or not at all.

        Raises an InputError where the file exists, unless `overwrite` is true, and where nothing can be written.
        """
        save(self, path, overwrite=overwrite)

    # --- looking ---

    def chamber(self, name: str) -> Chamber:
        """The chamber of that name; a KeyError if there is none."""
        for chamber in self.chambers:
            if chamber.name == name:
                return chamber
        raise KeyError(f"no chamber {name!r} in this vessel")

    def value(self, key: str) -> float:
        """The number that a dotted key names; wall and rims that a hole or window does not give are those of the clay.

        >>> from simkit.vessel import loads
        >>> small = loads('clay.wall_mm = 4\\n[[chamber]]\\nname = "a"\\nshape = "sphere"\\ndiameter_mm = 50')
        >>> small.value("a.diameter_mm"), small.with_value("a.diameter_mm", 60).value("a.diameter_mm")
        (50.0, 60.0)
        """
        value = self._given(self._path(key))
        if as_number(value) is None:
            raise DesignError([Fault(self.source, key, shown(value), "a number that the design gives")])
        return float(value)

    @property
    def numbers(self) -> dict[str, Number]:
        """Every number of the design by its dotted key, also those that the file leaves out."""
        return dict(_numbers(self))

    def with_clay(self, duct: Duct) -> Duct:
        """A hole or a voicing with its wall and rims filled in from the clay where it does not give its own."""
        # wall_mm, edge_radius_mm and the like: the same words in both.
        clay = {key: getattr(self.clay, key) for key in slots(Clay) if key in slots(type(duct))}
        return duct.model_copy(update={key: value for key, value in clay.items() if getattr(duct, key) is None})

    def beside(self, file: str) -> FilePath:
        """The path of a file that the design names, relative to the design file's folder."""
        return FilePath(self.source).parent / file  # a folder of designs can be moved as a whole

    @property
    def cautions(self) -> tuple[str, ...]:
        """Values that are allowed but probably a mistake, or not sensible."""
        said = []
        shrinkage = self.clay.shrinkage_percent
        if shrinkage is not None and 0 < shrinkage < LITTLE_PERCENT:  # 0 is said on purpose: sizes as they are
            said.append(
                f"clay.shrinkage_percent = {shrinkage:g} is less than any clay shrinks: ten per cent is written 10"
            )
        for chamber in self.chambers:
            voicing = chamber.voicing
            # windows are wider than long, but for a beginner's mix-up
            if voicing and voicing.cut_up_mm > voicing.window_width_mm:
                said.append(
                    f"{chamber.name}.voicing.cut_up_mm = {voicing.cut_up_mm:g} is more than window_width_mm = "
                    f"{voicing.window_width_mm:g}: are the window's sides swapped? cut_up_mm runs with the breath"
                )
        for key, free in self.free.items():
            start = self._given(self._path(key))
            if isinstance(free, Bounds) and start is not None and not free.low <= start <= free.high:
                said.append(f"{key} = {start:g} starts outside its [free] bounds {list(free)}")
        return (*said, *_usual_cautions(self.clay.wall_mm, self.chambers), *finger_cautions(self))

    # --- changing ---

    def with_value(self, key: str, value: object) -> Vessel:
        """The vessel with another value at a dotted key: a number, or a text such as a temperament."""
        return self.with_values({key: value})

    def with_values(self, values: Mapping[str, object]) -> Vessel:
        """The vessel with several values changed at once; only the result has to be allowed, not each step."""
        if not values:
            return self
        # Only what lies on the way to a changed value becomes a tree, the rest stays as checked.
        tree: Any = table(self)
        for key, value in values.items():
            tree = replaced(tree, self._path(key), value)
        return checked(Vessel, tree, self.source)

    def with_ties(self) -> Vessel:
        """The vessel with every tied number of `[free]` set to the one that it follows."""
        ties = {key: free.to for key, free in self.free.items() if isinstance(free, Tie)}
        followed = {}
        for key, to in ties.items():
            while to in ties:  # ends: circles are refused when a design is read
                to = ties[to]
            followed[key] = self.value(to)
        return self.with_values(followed)

    def with_chamber(self, chamber: Chamber) -> Vessel:
        """The vessel with this chamber in place of the one of its name, or added."""
        # a dict keeps the place of a name that comes again
        chambers = {each.name: each for each in (*self.chambers, chamber)}
        return checked(Vessel, {**table(self), "chambers": list(chambers.values())}, self.source)

    def with_hole(self, chamber: str, hole: Hole) -> Vessel:
        """The vessel with this hole in a chamber, in place of the one of its name, or added."""
        place = self.chambers.index(self.chamber(chamber))
        holes = {each.name: each for each in (*self.chambers[place].holes, hole)}
        tree = replaced(table(self), ("chambers", place, "holes"), list(holes.values()))
        return checked(Vessel, tree, self.source)

    def _given(self, path: Path) -> Any:
        """The value at a path, taken from the clay where a hole or a window leaves it out."""
        value = look(self, path)
        if value is None and path[0] in ("chambers", "clay") and path[-1] in slots(Clay):
            return getattr(self.clay, str(path[-1]))
        return value

    def _path(self, key: str) -> Path:
        path = find(Vessel, self, key)
        if path is None:
            raise DesignError([Fault(self.source, key, None, _no_number(key, self))])
        return path

    # --- checking ---

    @classmethod
    def clashes(cls, known: Mapping[str, Any]) -> Iterator[Clash]:
        """Chambers without a name of their own; keys of `[free]` that name nothing; a face in clay."""
        chambers = items(known.get("chambers"))
        if isinstance(known.get("chambers"), list | tuple) and not chambers:
            yield Clash(("chambers",), None, "at least one table [[chamber]]")
        names = [table(chamber).get("name") for chamber in chambers]
        yield from repeated(names, "chambers", "name", "another chamber has this name")
        for n, name in enumerate(names):
            if name in _TAKEN:
                yield Clash(("chambers", n, "name"), name, f"a name other than {', '.join(_TAKEN)}")
        lumps = [table(lump).get("name") for lump in items(known.get("parts"))]
        yield from repeated(lumps, "parts", "name", "another part has this name")
        offset = table(chambers[0]).get("offset_mm") if chambers else None
        # The first chamber is the origin of the piece's frame.
        if any(map(as_number, items(offset))):
            yield Clash(("chambers", 0, "offset_mm"), offset, "[0, 0, 0] for the first chamber")
        # A dotted key means something only where names are sound.
        if is_fully_named(Vessel, known):
            yield from _face_in_clay(known)
            yield from _wrong_ties(known)


def _counted(chamber: Chamber) -> str:
    return f"{chamber.name}: {chamber.shape.kind}, {len(chamber.holes)} holes, {len(chamber.notes)} notes"


# Words that mean a table of the file, so that a chamber of that name could not be told from it in a dotted key.
_TAKEN = (*(key for key in slots(Vessel) if key not in ("chambers", "parts")), "chamber", "part")


_LIPS_MM = 12.0  # of a windway's length, within the lips: common practice, no source


def _face_in_clay(known: Mapping[str, Any]) -> Iterator[Clash]:
    """A player's face nearer to a window than its windway lets it come."""
    face = as_number(table(known.get("player")).get("face_mm"))
    for chamber in map(table, items(known.get("chambers"))):
        length = as_number(table(chamber.get("voicing")).get("windway_length_mm"))
        if face is not None and length is not None and face < length - _LIPS_MM:
            allowed = (
                f"at least {length - _LIPS_MM:g}: the windway of {chamber['name']} is {length:g} mm long, "
                f"and lips take in {_LIPS_MM:g} of it at most"
            )
            yield Clash(("player", "face_mm"), face, allowed)


@lru_cache(maxsize=16)
def _numbers(vessel: Vessel) -> dict[str, Number]:
    """Kept: who has found one number of a design asks for the next."""
    return {
        dotted(Vessel, vessel, path): Number(look(vessel, path), allowed)
        for path, allowed in numbers_of(Vessel, vessel)
    }


def _wrong_ties(known: Mapping[str, Any]) -> Iterator[Clash]:
    """Keys of `[free]` that are no numbers of the design, and ties that form a circle."""
    free = {key: read_free(value) for key, value in table(known.get("free")).items()}
    limits = dict(numbers_of(Vessel, known)) if free else {}
    ties = {key: value.to for key, value in free.items() if isinstance(value, Tie)}
    for key, value in free.items():
        here, written = ("free", key), known["free"][key]
        limit = limits.get(find(Vessel, known, key) or ())  # () is no number's path
        if limit is None:
            yield Clash(here, written, _no_number(key, known))
        elif isinstance(value, Bounds) and not (limit.holds(value.low) and limit.holds(value.high)):
            yield Clash(here, written, f"both bounds {limit.allowed}")
        elif isinstance(value, Tie) and find(Vessel, known, value.to) not in limits:
            yield Clash(here, written, f"a tie to a number of this design{_near(value.to, known)}")
        elif isinstance(value, Tie) and _runs_in_a_circle(key, ties):
            yield Clash(here, written, "ties that end at a number, not in a circle")


def _runs_in_a_circle(start: str, ties: Mapping[str, str]) -> bool:
    key = start
    for _ in ties:  # after so many steps without an end it has come round
        if key not in ties:
            return False
        key = ties[key]
    return key in ties


def _no_number(key: str, design: object) -> str:
    return f"a dotted key of this design{_near(key, design)}"


def _near(key: str, design: object) -> str:
    return did_you_mean(key, (dotted(Vessel, design, path) for path, _ in numbers_of(Vessel, design)))


# --- what its notes should play, and what is usual --------------------------------------------------


def tuning_of(vessel: Vessel) -> Tuning:
    """The tuning that a design's `[scale]` asks for."""
    return Tuning(vessel.scale.a4_hz, vessel.scale.temperament, vessel.scale.tonic)


def target_of(vessel: Vessel, wanted: Note) -> float:
    """The frequency in Hz that a note of the design should have, its own bend in cents included."""
    return tuning_of(vessel).frequency(note(wanted.pitch)) * 2 ** (wanted.cents / 1200)


# mm, from a whistle of a few millilitres to a bass: common practice, no source.
WALL = (2.0, 12.0)
HOLE = (1.5, 20.0)
VOICING = {
    "window_width_mm": (3.0, 40.0),
    "cut_up_mm": (1.5, 15.0),
    "windway_height_mm": (0.6, 3.5),
    "windway_length_mm": (5.0, 80.0),
}


def _usual_cautions(wall_mm: float, chambers: Sequence[Chamber]) -> Iterator[str]:
    """Cautions about unusual sizes; none for a piece without a voicing, such as a textbook's resonator."""
    if not any(chamber.voicing for chamber in chambers):
        return
    sizes: list[tuple[str, float | None, tuple[float, float]]] = [("clay.wall_mm", wall_mm, WALL)]
    for chamber in chambers:
        if chamber.voicing:
            key = f"{chamber.name}.voicing"
            sizes += [(f"{key}.{name}", getattr(chamber.voicing, name), usual) for name, usual in VOICING.items()]
            sizes.append((f"{key}.wall_mm", chamber.voicing.wall_mm, WALL))
        for hole in chamber.holes:
            key = f"{chamber.name}.hole.{hole.name}"
            sizes += [(f"{key}.diameter_mm", hole.diameter_mm, HOLE), (f"{key}.wall_mm", hole.wall_mm, WALL)]
    for key, size, (least, most) in sizes:
        if size and not least <= size <= most:  # neither what is left out nor a thin shell of 0
            yield f"{key} = {size:g} is not usual: {least:g} to {most:g} mm are (common practice, no source); a slip?"
