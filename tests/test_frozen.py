"""Frozen values with arrays are compared and hashed: by content where they are light, as themselves where heavy."""

import copy
import dataclasses
import importlib
import inspect
import pickle
import pkgutil
import re

import numpy as np
import pytest

import simkit
from simkit.body import body_of
from simkit.frozen import fields_of, frozen

# What Python can neither hash nor, for an array, compare in one word.
UNHASHABLE = re.compile(r"^(?!Callable).*\b(ndarray|csr_matrix|csc_matrix|dict|list|Mapping|MutableMapping|set)\b")


def frozen_dataclasses() -> list[type]:
    found = []
    for module in pkgutil.walk_packages(simkit.__path__, "simkit."):
        if module.name.endswith("__main__"):
            continue
        room = importlib.import_module(module.name)
        found += [
            kind
            for kind in vars(room).values()
            if isinstance(kind, type) and dataclasses.is_dataclass(kind) and kind.__module__ == module.name
        ]
    return [kind for kind in found if kind.__dataclass_params__.frozen]


def test_no_frozen_value_leaves_its_arrays_to_an_equality_that_fails() -> None:
    kinds = frozen_dataclasses()
    assert len(kinds) > 200
    left = [
        f"{kind.__module__}.{kind.__name__}.{field.name}"
        for kind in kinds
        # The equality that dataclasses write; `frozen` and eq=False bring their own.
        if kind.__dataclass_params__.eq
        for field in dataclasses.fields(kind)
        if field.compare and UNHASHABLE.search(str(field.type))
    ]
    assert left == []


def test_what_a_docstring_says_of_a_field_is_said_of_one_that_is_there() -> None:
    """`name: what it is` or `name (shape): what it is` at the start of a line that begins a sentence."""
    for kind in frozen_dataclasses():
        said = re.findall(r"(?:\.|\n)\n +([a-z_]\w*)(?: \([^)]*\))?: ", kind.__doc__ or "")
        fields = {field.name for field in dataclasses.fields(kind)}
        assert [name for name in said if name not in fields and not hasattr(kind, name)] == [], kind


@frozen
class Held:
    at: np.ndarray
    by: dict[str, np.ndarray] = dataclasses.field(default_factory=dict)
    more: tuple[object, ...] = ()


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (Held(np.arange(3.0)), Held(np.arange(3.0))),
        (Held(np.array([0.0])), Held(np.array([-0.0]))),
        (Held(np.array([np.nan])), Held(np.array([np.nan]))),
        (Held(np.zeros((2, 3)), {"a": np.ones(2)}), Held(np.zeros((3, 2)).T, {"a": np.ones(2)})),
        (Held(np.zeros(1), more=(np.ones(2), [1])), Held(np.zeros(1), more=(np.ones(2), [1]))),
    ],
)
def test_what_holds_the_same_is_the_same(one: Held, other: Held) -> None:
    assert one == other
    assert hash(one) == hash(other)
    assert {one: "found"}[other] == "found"


@pytest.mark.parametrize(
    "other",
    [
        Held(np.arange(4.0)),
        Held(np.arange(3.0) + 1e-15),
        Held(np.arange(3.0).reshape(3, 1)),
        Held(np.arange(3.0), {"a": np.ones(1)}),
        Held(np.arange(3.0), more=(1,)),
        "a word",
    ],
)
def test_what_holds_something_else_differs(other: object) -> None:
    assert Held(np.arange(3.0)) != other


def test_two_bodies_of_one_design_have_equal_openings_and_a_moved_hole_another() -> None:
    text = """
    clay.wall_mm = 5
    [[chamber]]
    name = "body"
    shape = "sphere"
    diameter_mm = 60
    [[chamber.hole]]
    name = "1"
    along_mm = 30
    around_deg = 0
    diameter_mm = 8
    """
    one, other = (body_of(simkit.loads(text)).chambers[0].openings for _ in range(2))
    moved = body_of(simkit.loads(text.replace("around_deg = 0", "around_deg = 1"))).chambers[0].openings
    assert one == other
    assert set(one) == set(other)
    assert one != moved


@frozen
class Pair:
    """Two numbers, the second of them told later."""

    one: int
    other: int = dataclasses.field(default=2, repr=False)
    later: float = dataclasses.field(init=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "later", 0.5)


def test_a_frozen_value_is_as_pythons_own() -> None:
    pythons = dataclasses.make_dataclass("Pair", [("one", int), ("other", int, 2)], frozen=True)
    assert str(inspect.signature(Pair)).startswith("(one: int, other: int = 2)")
    assert Pair.__match_args__ == pythons.__match_args__
    assert repr(Pair(1)) == "Pair(one=1, later=0.5)"
    assert dataclasses.replace(Pair(1), one=3) == Pair(3)
    assert pickle.loads(pickle.dumps(Pair(1))) == copy.deepcopy(Pair(1)) == Pair(1)
    with pytest.raises(TypeError, match="missing 1 required positional argument"):
        Pair()  # type: ignore[call-arg]


@pytest.mark.parametrize("name", ["one", "later", "unknown"])
def test_nothing_of_a_frozen_value_changes(name: str) -> None:
    value = Pair(1)
    with pytest.raises(dataclasses.FrozenInstanceError, match=f"cannot assign to field '{name}'"):
        setattr(value, name, 7)
    with pytest.raises(dataclasses.FrozenInstanceError, match=f"cannot delete field '{name}'"):
        delattr(value, name)
    assert (value.one, value.later) == (1, 0.5)


def test_pythons_own_frozen_values_may_go_on_from_one_of_ours() -> None:
    @dataclasses.dataclass(frozen=True)
    class Three(Pair):
        third: int = 3

    assert Three(1).third == 3
    with pytest.raises(dataclasses.FrozenInstanceError):
        Three(1).one = 2  # type: ignore[misc]


def test_fields_are_told_without_what_a_value_has_found_out_about_itself() -> None:
    value = Pair(1)
    assert hash(value) and len(vars(value)) == 4
    assert fields_of(value) == {"one": 1, "other": 2, "later": 0.5}
