"""The order of the rooms, what enters where, and what `import simkit` loads and offers."""

import ast
import graphlib
import importlib
import inspect
import subprocess
import sys
from collections.abc import Iterable
from contextlib import suppress
from functools import cache
from pathlib import Path

import pytest

import simkit
from simkit import provenance
from tests.sources import PACKAGE, nodes

# Each room with the rooms that it may import, beside itself.
FACTS = {"errors", "plugins", "machine", "frozen", "columns", "pitch", "gases", "air", "files", "child"}
ANSWERS = FACTS | {"vessel", "body", "field", "sound", "optimisation", "making"}
MAY_IMPORT = {
    "errors": set(),
    "frozen": set(),
    "machine": set(),
    "columns": set(),
    "files": {"errors", "machine"},
    "waiting": set(),
    "child": {"errors", "machine", "plugins"},
    "plugins": {"errors"},
    "provenance": {"frozen", "plugins"},
    "pitch": {"errors"},
    "gases": {"frozen"},
    "air": {"errors", "frozen", "gases"},
    "vessel": FACTS,
    # Properties of the shape alone: air enters neither body nor field.
    "body": FACTS - {"gases", "air"} | {"vessel"},
    "field": FACTS - {"gases", "air"} | {"vessel", "body"},
    "sound": FACTS | {"vessel", "body", "field"},
    "optimisation": FACTS | {"vessel", "body", "field", "sound"},
    # A sheet never waits for an eigen-solve; the bench is handed its resonator.
    "making": FACTS | {"vessel", "body"},
    # Outlines, by the drawing's own ruler, to sections; the sheet to draw on.
    "sketching": FACTS | {"vessel", "body", "making"},
    # The bench from end to end: `making` handed what `sound` knows.
    "tuning": ANSWERS,
    "show": ANSWERS | {"tuning", "provenance"},
    "sweeps": ANSWERS | {"waiting", "provenance"},
    # The page that is worked on in a browser; only `cli` opens it.
    "page": ANSWERS | {"tuning", "show"},
    # The door goes through the package's public names, "".
    "cli": ANSWERS | {"sketching", "tuning", "show", "sweeps", "page", "waiting", "provenance", ""},
}

# Libraries with one way in: a module, or a room of which one module, or the room as a whole.
ONE_DOOR = {
    "gmsh": lambda modules: modules <= {"simkit.body.kernel"},
    "skfem": lambda modules: len(modules) <= 1 and all(m.startswith("simkit.field.") for m in modules),
    "matplotlib": lambda modules: all(m.startswith("simkit.show.") for m in modules),
    "starlette": lambda modules: all(m.startswith("simkit.page.") for m in modules),
    "uvicorn": lambda modules: modules <= {"simkit.page.serving"},
}

FORBIDDEN_NAMES = {"utils", "util", "helpers", "helper", "common", "core", "misc", "manager"}

PUBLIC = {
    "AirField",
    "admittance",
    "air_field",
    "BlowTable",
    "blow",
    "Chart",
    "Comparison",
    "chart",
    "compare",
    "dumps",
    "Fault",
    "Halved",
    "halved",
    "InputError",
    "MeshError",
    "OutOfReach",
    "Outcome",
    "Prediction",
    "Ringing",
    "SimkitError",
    "Sketched",
    "sketch",
    "Swept",
    "Tuned",
    "Vessel",
    "load",
    "loads",
    "new",
    "wish",
    "optimise",
    "predict",
    "report",
    "resonances",
    "sweep",
    "tune",
}


# Within a room: groups of modules and folders, each importing from its own group and from those above it only.
WITHIN = {
    "body": (
        "kernel millimetres deviations",
        "walls",
        "places coat",
        "chambers",
        "between girth clay mass mouthpiece over_seams",
        "assembly",
        "figures",
        "inspection",
        "meshes",
        "printing",
        "blown",
    ),
    "field": ("fem", "window reduced full"),
    "sound": ("catalogue", "elements", "models", "answers", "blowing"),
    "optimisation": (
        "problem",
        "aims",
        "search",
        "unison outcome reasons asking compromises optimising",
        "designing",
    ),
}


def module_name(path: Path) -> str:
    parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {module_name(path): path for path in sorted(PACKAGE.rglob("*.py"))}


def imported(statements: Iterable[ast.AST], name: str, is_package: bool) -> set[str]:
    """Full names of all that a module imports, wherever in the file the import stands."""
    found = set()
    for node in statements:
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            origin = node.module or ""
            if node.level:
                parts = name.split(".")
                here = parts[: len(parts) - node.level + is_package]
                origin = ".".join([*here, origin] if origin else here)
            found |= {f"{origin}.{alias.name}" for alias in node.names}
    return found


@cache
def imports_of(name: str) -> set[str]:
    path = MODULES[name]
    return imported(nodes(path), name, path.name == "__init__.py")


def upward(room: str, names: set[str]) -> set[str]:
    """Those of the imported names that lie in a room which `room` may not import."""
    ours = {name for name in names if name.split(".")[0] == "simkit"} - {"simkit.__version__"}
    return {name for name in ours if [*name.split("."), ""][1] not in MAY_IMPORT[room] | {room}}


def room_of(name: str) -> str:
    return name.split(".")[1]


ROOM_MODULES = [name for name in MODULES if name not in ("simkit", "simkit.__main__")]


def test_every_room_has_its_place_in_the_order():
    assert {room_of(name) for name in ROOM_MODULES} <= set(MAY_IMPORT)


def test_a_room_imports_no_room_below_it():
    found = {name: upward(room_of(name), imports_of(name)) for name in ROOM_MODULES}
    assert {name: below for name, below in found.items() if below} == {}


def steps_up(room: str, name: str, names: set[str]) -> set[str]:
    """Those of the imported names that stand below `name` in the order within its room."""
    place = {part: i for i, group in enumerate(WITHIN[room]) for part in group.split()}
    parts = {n: n.split(".")[2] for n in names if n.startswith(f"simkit.{room}.")}
    return {n for n, part in parts.items() if place[part] > place[name.split(".")[2]]}


IN_ORDER = [name for name in ROOM_MODULES if room_of(name) in WITHIN and name.count(".") > 1]


def test_within_a_room_imports_go_one_way():
    found = {name: steps_up(room_of(name), name, imports_of(name)) for name in IN_ORDER}
    assert {name: back for name, back in found.items() if back} == {}


def test_fields_of_window_ports_and_judge_stand_side_by_side():
    parts = ("window", "reduced", "full")
    for name in (name for name in IN_ORDER if name.split(".")[1] == "field" and name.split(".")[2] in parts):
        others = {f"simkit.field.{part}" for part in parts} - {".".join(name.split(".")[:3])}
        assert not {n for n in imports_of(name) if ".".join(n.split(".")[:3]) in others}


def test_no_two_modules_have_one_name():
    """A module is known by its last name; `simkit.tuning` and another `tuning` would be told apart by nobody."""
    names = [name.rsplit(".", 1)[-1] for name in MODULES]
    assert sorted(names) == sorted(set(names))


@pytest.mark.parametrize(
    "source",
    [
        "import simkit.sound",
        "from simkit.sound import predict",
        "from simkit import sound",
        "from simkit import predict",
        "import simkit",
        "from ..sound.losses import wall",
        "def late():\n    from simkit.sound import predict",
    ],
)
def test_an_upward_import_is_seen_however_it_is_written(source):
    assert upward("body", imported(ast.walk(ast.parse(source)), "simkit.body.assembly", False)) != set()


def test_imports_within_a_room_and_from_above_are_allowed():
    source = "from . import wall\nfrom .wall import project\nfrom simkit.vessel import Vessel\nimport numpy"
    assert upward("body", imported(ast.walk(ast.parse(source)), "simkit.body.assembly", False)) == set()


def test_what_a_sweep_may_import_is_in_the_digest_by_which_its_rows_are_kept():
    reached, todo = set(), {"sweeps"}
    while todo:
        reached |= todo
        todo = set().union(*(MAY_IMPORT[room] for room in todo)) - reached
    assert reached & set(provenance.ASIDE) == set()
    beside = {"__pycache__", *provenance.ASIDE}
    kept = {p.suffix for p in PACKAGE.rglob("*") if p.is_file() and not beside & set(p.relative_to(PACKAGE).parts)}
    assert kept == {".py", ".csv", ".typed", ".bib"}  # the last two change no number


def test_no_module_imports_itself_by_a_detour():
    def modules_among(names):
        for name in names:
            parent = name.rpartition(".")[0]
            if name in MODULES:
                yield name
            elif parent in MODULES:
                yield parent

    # The package itself is left out: it hands names out only when asked.
    graph = {name: set(modules_among(imports_of(name))) - {name, "simkit"} for name in ROOM_MODULES}
    graphlib.TopologicalSorter(graph).prepare()  # raises CycleError, naming the cycle


@pytest.mark.parametrize("library", ONE_DOOR)
def test_a_heavy_library_enters_at_one_place(library):
    users = {name for name in MODULES if any(i.split(".")[0] == library for i in imports_of(name))}
    assert ONE_DOOR[library](users), users


def test_no_module_is_named_for_nothing():
    assert [name for name in MODULES if FORBIDDEN_NAMES & set(name.split("."))] == []


def test_a_class_name_stands_for_one_thing_in_the_whole_package():
    where: dict[str, list[str]] = {}
    for name, path in MODULES.items():
        for node in nodes(path):
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                where.setdefault(node.name, []).append(name)
    assert {name: modules for name, modules in where.items() if len(modules) > 1} == {}


def programs():
    """Texts in the tests that another Python runs: no checker of types reads what they import."""
    for path in set(Path(__file__).parent.rglob("test_*.py")) - {Path(__file__)}:
        if "sys.executable" in path.read_text(encoding="utf-8"):
            for node in nodes(path):
                if isinstance(node, ast.Constant) and "from simkit." in str(node.value):
                    with suppress(SyntaxError):  # a sentence, not a program
                        yield path.name, ast.parse(node.value)


def test_programs_written_in_tests_import_what_there_is():
    for name, program in programs():
        for node in ast.walk(program):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("simkit."):
                module = importlib.import_module(node.module)
                assert [a.name for a in node.names if not hasattr(module, a.name)] == [], name


def test_importing_the_package_loads_nothing_heavy():
    code = "import simkit, sys; print(*sorted({m.split('.')[0] for m in sys.modules}))"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    heavy = {"gmsh", "skfem", "matplotlib", "numpy", "scipy", "pydantic", "typer", "rich", "meshio", "starlette"}
    assert heavy & set(out.stdout.split()) == set()


def test_answers_in_words_load_nothing_that_draws():
    words = "simkit.show.as_text, simkit.show.optimised, simkit.show.tuned"
    code = f"import {words}, sys; print('matplotlib' in sys.modules)"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "False"


def test_the_public_names_are_these():
    assert set(simkit.__all__) == PUBLIC
    for name in simkit.__all__:
        assert getattr(simkit, name).__name__ == name
        assert inspect.isfunction(getattr(simkit, name)) or inspect.isclass(getattr(simkit, name))


def test_an_unknown_public_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="no attribute 'predicted'"):
        simkit.predicted  # noqa: B018
