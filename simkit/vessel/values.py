"""Types of the values in a design file: numbers in a range, names, rows of numbers, tables by key."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from numbers import Real
from typing import Annotated, Any, Generic, TypeVar, get_type_hints

import numpy as np
from pydantic import GetCoreSchemaHandler
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

Value = TypeVar("Value")


def refused(allowed: str) -> PydanticCustomError:
    """The error of a value outside what is allowed; its message says only what is."""
    return PydanticCustomError("refused", "{allowed}", {"allowed": allowed})


@dataclass(frozen=True)
class NumberRange:
    """A finite number in a range; `above` and `under` leave out the lower and the upper end, `or_zero` adds 0.

    >>> NumberRange(0, 1000, above=True).allowed
    'a number more than 0, at most 1000'
    >>> NumberRange(0, 40).allowed
    'a number from 0 to 40'
    >>> NumberRange(0.1, 100, or_zero=True).allowed
    '0, or a number from 0.1 to 100'
    """

    low: float = -math.inf
    high: float = math.inf
    above: bool = False
    under: bool = False
    or_zero: bool = False

    @property
    def allowed(self) -> str:
        """The range in words."""
        if math.isinf(self.low) and math.isinf(self.high):
            return "a finite number"
        if not (self.above or self.under or math.isinf(self.high)):
            return f"{'0, or ' if self.or_zero else ''}a number from {self.low:g} to {self.high:g}"
        lower = f"{'more than' if self.above else 'at least'} {self.low:g}"
        upper = f", {'less than' if self.under else 'at most'} {self.high:g}"
        return f"a number {lower}{'' if math.isinf(self.high) else upper}"

    def holds(self, value: object) -> bool:
        """Whether the value is a finite number in the range; True and "6" are no numbers."""
        number = as_number(value)
        if number is None:
            return False
        # 0 lies under `low` and means that there is none of it.
        if number == 0 and self.or_zero:
            return True
        over_low = self.low < number if self.above else self.low <= number
        under_high = number < self.high if self.under else number <= self.high
        return over_low and under_high

    def read(self, value: object) -> float:
        """The value as a float, or an error that says what is allowed."""
        if not self.holds(value):
            raise refused(self.allowed)
        return float(value)  # type: ignore[arg-type]

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self.read)


@dataclass(frozen=True)
class TextRule:
    """A text that `accepts` lets through; `allowed` says in words which those are."""

    allowed: str
    accepts: Callable[[str], bool]

    def read(self, value: object) -> str:
        """The text itself, or an error that says what is allowed."""
        if not isinstance(value, str) or not self.accepts(value):
            raise refused(self.allowed)
        return value

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self.read)


def read_by(reader: Callable[[str], object]) -> Callable[[str], bool]:
    """Rule of a text that is all right where `reader` raises no ValueError."""

    def accepts(text: str) -> bool:
        try:
            reader(text)
        except ValueError:
            return False
        return True

    return accepts


class RowOf:
    """Marks a NamedTuple as a row of a design file: a list with one number for each column.

    `Annotated[Section, RowOf(Section)]` accepts `[0, 40, 30, 0, 2]` and gives a `Section`.
    """

    def __init__(self, columns: type):
        self.row_type = columns
        self.columns: dict[str, NumberRange] = {
            # Include_extras keeps the marks.
            name: next(mark for mark in hint.__metadata__ if isinstance(mark, NumberRange))
            for name, hint in get_type_hints(columns, include_extras=True).items()
        }
        shown = ", ".join(name.removesuffix("_mm") for name in self.columns)
        self.allowed = f"{len(self.columns)} numbers: [{shown}]"

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        cells: list[CoreSchema] = [
            core_schema.no_info_plain_validator_function(cell.read) for cell in self.columns.values()
        ]
        row = core_schema.no_info_after_validator_function(
            lambda numbers: self.row_type(*numbers), core_schema.tuple_schema(cells)
        )
        return core_schema.no_info_before_validator_function(self._list_of_right_length, row)

    def _list_of_right_length(self, value: object) -> object:
        if not isinstance(value, list | tuple) or len(value) != len(self.columns):
            raise refused(self.allowed)
        return value


class Table(Mapping[str, Value], Generic[Value]):
    """A mapping that cannot be changed, and so can be hashed and compared like the rest of a design."""

    __slots__ = ("_items",)
    _items: Mapping[str, Value]

    def __init__(self, items: Mapping[str, Value] | None = None):
        object.__setattr__(self, "_items", dict(items or {}))  # past the refusal below

    def __getitem__(self, key: str) -> Value:
        return self._items[key]

    def __iter__(self) -> Iterator[str]:
        return iter(self._items)

    def __len__(self) -> int:
        return len(self._items)

    def __setattr__(self, name: str, value: object) -> None:
        raise AttributeError("a Table cannot be changed")

    def __hash__(self) -> int:
        return hash(frozenset(self.items()))  # the order of its keys is no part of what a table says

    def __repr__(self) -> str:
        return repr(dict(self))

    def __reduce__(self) -> tuple[Any, ...]:
        return Table, (dict(self),)  # pickle sets attributes, which is refused

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        (of,) = source.__args__
        items = core_schema.dict_schema(core_schema.str_schema(), handler.generate_schema(of))
        return core_schema.no_info_before_validator_function(
            lambda value: dict(value) if isinstance(value, Table) else value,
            core_schema.no_info_after_validator_function(Table, items),
            serialization=core_schema.plain_serializer_function_ser_schema(dict),  # for model_dump_json
        )


def plain(value: Any) -> Any:
    """A tree of tables and lists with numpy's arrays as lists and its numbers as Python's.

    >>> plain({"offset_mm": np.zeros(3), "turn_deg": np.float32(0.5), "name": "a"})
    {'offset_mm': [0.0, 0.0, 0.0], 'turn_deg': 0.5, 'name': 'a'}
    """
    if isinstance(value, np.ndarray | np.generic):
        return value.tolist()
    if type(value) is dict:  # exactly: a Table is read by itself
        return {key: plain(entry) for key, entry in value.items()}
    if type(value) in (list, tuple):  # and not the rows that a design has made of them
        return [plain(entry) for entry in value]
    return value


def as_number(value: object) -> float | None:
    """The value as a float if it is a finite number that a float can hold, else None."""
    if isinstance(value, bool) or not isinstance(value, Real):  # numpy's numbers are Real too
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None


def is_name(text: object) -> bool:
    """Whether a text can name a chamber or a hole.

    Dots divide the words of a key; the other signs left out divide lists and pairs on a command line.
    """
    if not isinstance(text, str) or not 0 < len(text) <= 40:
        return False
    # spaces at its ends would be lost on a command line
    return text.isprintable() and text == text.strip() and not set(text) & set(".,=\"'[]")


# Ranges of sizes in clay, with room for textbook problems. All in mm.
Length = Annotated[float, NumberRange(1, 1000)]  # of a chamber's air
LengthOrNone = Annotated[float, NumberRange(1, 1000, or_zero=True)]  # 0 where the air closes to nothing
Size = Annotated[float, NumberRange(0.1, 1000)]  # of an opening, a windway, a hand
Slit = Annotated[float, NumberRange(0.3, 1000)]  # of a window: in less, friction keeps the air from swinging
Thickness = Annotated[float, NumberRange(0.1, 100, or_zero=True)]  # of clay that may be a thin shell
Radius = Annotated[float, NumberRange(0.01, 50, or_zero=True)]  # of a rim or a corner that may be sharp
Place = Annotated[float, NumberRange(-1000, 1000)]  # a coordinate
Angle = Annotated[float, NumberRange(-3600, 3600)]  # degrees, ten turns either way
Percent = Annotated[float, NumberRange(0, 100)]
Name = Annotated[str, TextRule("a name in quotes of 1 to 40 printable signs without . , = quotes or brackets", is_name)]
_LINE = TextRule(
    "a text in quotes, one line of at most 200 printable signs", lambda text: len(text) <= 200 and text.isprintable()
)
Line = Annotated[str, _LINE]
