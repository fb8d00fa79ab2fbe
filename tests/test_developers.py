"""What DEVELOPERS.md says of the code is so."""

import ast
import re
import runpy
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from simkit.sound.models import models
from tests.sources import PACKAGE, nodes

PAGE = (PACKAGE.parent / "DEVELOPERS.md").read_text(encoding="utf-8")


def section(title: str) -> str:
    return re.split(r"^## ", PAGE.split(f"\n## {title}\n")[1], maxsplit=1, flags=re.M)[0]


def texts(path: Path) -> Iterator[str]:
    """The texts of a module that are no docstrings."""
    told = {
        id(node.body[0].value)
        for node in nodes(path)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef) and isinstance(node.body[0], ast.Expr)
    }
    for node in nodes(path):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in told:
            yield node.value


def test_adding_a_model_names_every_place_that_lists_models():
    page, listing, name = section("Adding a model"), [], "|".join(models())
    row = re.compile(rf"\b({name})(, ?| or )({name})\b")
    for path in PACKAGE.rglob("*.py"):
        said = list(texts(path))
        if len(set(said) & set(models())) > 1 or any(row.search(text) for text in said):
            listing.append(path.relative_to(PACKAGE).as_posix())
    assert "sound/catalogue.py" in listing
    assert [place for place in listing if f"`{place}`" not in page] == []


def test_every_file_that_is_named_is_there():
    for place in re.findall(r"`((?:simkit/)?[a-z_]+(?:/[a-z_]+)+\.py)`", PAGE):
        at = PACKAGE.parent / place
        assert at.exists() or (PACKAGE / place).exists(), place


def test_no_property_is_held_to_the_clock():
    """Examples that a busy machine is slow at are no fault: no deadline by profile, and none by hand."""
    assert settings.default is not None and settings.default.deadline is None
    files = [path for path in (PACKAGE.parent / "tests").rglob("test_*.py") if "deadline" in path.read_text("utf-8")]
    assert not [path for path in files for call in calls(path, "settings") if "deadline" in names(call)]


def calls(path: Path, name: str) -> list[ast.Call]:
    return [node for node in nodes(path) if isinstance(node, ast.Call) and ast.unparse(node.func) == name]


def names(call: ast.Call) -> set[str]:
    return {keyword.arg or "" for keyword in call.keywords}


def test_every_room_has_its_row():
    rows = {name for line in PAGE.splitlines() if line.startswith("| `") for name in re.findall("`([a-z]+)`", line)}
    rooms = {path.stem for path in PACKAGE.iterdir() if path.suffix == ".py" or (path / "__init__.py").exists()}
    assert {room for room in rooms if not room.startswith("_")} <= rows


@pytest.mark.parametrize("path", sorted(PACKAGE.parent.glob("benchmarks/*.py")), ids=lambda path: path.stem)
def test_every_benchmark_finds_what_it_imports(path, monkeypatch):
    """They are run before a release only, long after the names that they import may have changed."""
    monkeypatch.syspath_prepend(path.parent)
    for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        monkeypatch.setenv(variable, "1")
    assert runpy.run_path(str(path), run_name="imported")["__doc__"]
