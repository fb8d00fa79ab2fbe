"""The base of every table of a design file: frozen, it knows its keys and finds values that do not go together."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from itertools import islice
from types import UnionType
from typing import Any, Literal, NamedTuple, Self, Union, get_args, get_origin

from pydantic import BaseModel, ConfigDict, GetCoreSchemaHandler, ValidatorFunctionWrapHandler, model_validator
from pydantic.fields import FieldInfo
from pydantic_core import CoreSchema, PydanticCustomError
from pydantic_core.core_schema import no_info_wrap_validator_function

from simkit.vessel.values import NumberRange, RowOf, Table, TextRule, plain

Path = tuple[str | int, ...]  # the way to a value through tables and lists


# Stands in a tree where a value was that is wrong by itself, so that nothing more is said about it.
WRONG = object()


class Clash(NamedTuple):
    """Values that are allowed each by itself but not together: where, what was read, what is allowed."""

    path: Path
    value: object
    allowed: str


class Part(BaseModel):
    """One table of a design file as a frozen value; keys that it does not know are refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", hide_input_in_errors=True)

    @classmethod
    def clashes(cls, known: Mapping[str, Any]) -> Iterator[Clash]:
        """Conflicts among the values `known`, by the keys of the file.

        They may be parts or still tables as read, and some may be `WRONG`.
        """
        yield from ()

    # Before pydantic's own reading, so that numpy's arrays and numbers are welcome in Python too.
    @model_validator(mode="before")
    @classmethod
    def _of_numpy(cls, given: Any) -> Any:
        return plain(given)

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        # Read from a file they are found by `clashes_in`, each by its place.
        clashes = islice(self.clashes(table(self)), 20)  # in Python one message is read, not a file's list
        found = [f"{'.'.join(map(str, path))}: {allowed}" for path, _, allowed in clashes]
        if found:
            raise PydanticCustomError("clash", "{found}", {"found": "; ".join(found)})
        return self


class Further:
    """A mark of a slot that takes other parts beside those of its union, each found by its word of `shape`."""

    def __init__(self, find: Callable[[str], type[Part] | None]):
        self.find = find

    def part(self, node: object) -> type[Part] | None:
        """The class of the further part that a node is, or names."""
        named = getattr(node, "kind", None) if isinstance(node, Part) else table(node).get("shape")
        # a number or a list there is refused by the union itself
        return self.find(named) if isinstance(named, str) else None

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        def checked(value: Any, among: ValidatorFunctionWrapHandler) -> Any:
            further = self.part(value)
            return among(value) if further is None else further.model_validate(value)

        return no_info_wrap_validator_function(checked, handler(source))


class Slot:
    """Content of one key of a Part: a number, a text, a row, a table, another Part, or a list of these."""

    def __init__(self, name: str, field: FieldInfo):
        pieces = [*field.metadata, *_pieces(field.annotation)]  # pydantic takes the outermost marks off the type
        self.key = field.alias or name  # as the file has it
        self.attribute = name
        self.field = field
        self.number: NumberRange | None = next((piece for piece in pieces if isinstance(piece, NumberRange)), None)
        self.row: RowOf | None = next((piece for piece in pieces if isinstance(piece, RowOf)), None)
        self.parts = [piece for piece in pieces if isinstance(piece, type) and issubclass(piece, Part)]
        self.choices = tuple(_choices(field.annotation))
        self.further = next((piece for piece in pieces if isinstance(piece, Further)), None)
        self.is_list = tuple in pieces  # frozen: a design's lists are tuples
        self.is_table = Table in pieces
        mark = self.row or self.number or next((piece for piece in pieces if isinstance(piece, TextRule)), None)
        named = f"one of {', '.join(self.choices)}" if self.choices else "a table"
        self.allowed: str = field.description or (mark.allowed if mark else named)

    def part(self, node: object) -> type[Part] | None:
        """The class of the part in this slot; where several are possible, the one whose `shape` the node names."""
        if isinstance(node, Part):
            return type(node)
        if len(self.parts) < 2:  # a single kind needs no word to tell it
            further = self.further.part(node) if self.further else None
            return further or (self.parts[0] if self.parts else None)
        named = table(node).get("shape")
        own = next((part for part in self.parts if part.model_fields["kind"].default == named), None)
        return own or (self.further.part(node) if self.further else None)


_SLOTS: dict[type[Part], dict[str, Slot]] = {}


def slots(part: type[Part]) -> dict[str, Slot]:
    """The slots of a part by the keys of the file."""
    if part not in _SLOTS:  # a class never changes, and its annotations take long to take apart
        found = (Slot(name, field) for name, field in part.model_fields.items() if not field.exclude)
        _SLOTS[part] = {slot.key: slot for slot in found}
    return _SLOTS[part]


def table(node: object) -> Mapping[str, Any]:
    """The node as a table by the keys of the file; empty if it is none."""
    if isinstance(node, Part):
        return {key: getattr(node, slot.attribute) for key, slot in slots(type(node)).items()}
    return node if isinstance(node, Mapping) else {}


def items(node: object) -> tuple[Any, ...]:
    """The items of a list, or none."""
    return tuple(node) if isinstance(node, list | tuple) else ()


def _pieces(annotation: Any) -> Iterator[Any]:
    """Components of a type: its classes, the containers around them, the marks of `Annotated`."""
    yield from getattr(annotation, "__metadata__", ())
    origin = get_origin(annotation)
    # list[int] is a type as well, and has an origin.
    if isinstance(annotation, type) and origin is None:
        yield annotation
    elif origin is tuple or origin is Table:
        yield origin
    for inner in get_args(annotation):
        if isinstance(inner, type) or get_args(inner):
            yield from _pieces(inner)


def _choices(annotation: Any) -> Iterator[str]:
    """The words that a `Literal` in a type lets through."""
    for inner in get_args(annotation):
        if get_origin(annotation) is Literal:
            yield inner
        elif get_origin(annotation) in (Union, UnionType):  # Literal[...] | None
            yield from _choices(inner)
