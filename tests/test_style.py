"""What DEVELOPERS.md says of style, counted: how long functions and files are, and what is written twice."""

import ast
import re
import statistics
from bisect import bisect_left, bisect_right
from functools import cache

from tests.sources import PACKAGE, tree

FILES = sorted(PACKAGE.rglob("*.py"))
TWELVE = 12
# Lines that say nothing of what is written twice: imports, brackets alone.
THIN = re.compile(r"(from|import) |[\[\](){},:]*$")


@cache
def parts(path):
    """Functions, and the numbers of the lines of docstrings and of other expressions that are a text alone."""
    functions, texts, todo = [], set(), [tree(path)]
    while todo:
        for node in todo.pop().body:
            if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
                texts |= set(range(node.lineno, node.end_lineno + 1))
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                functions.append(node)
            todo += [each for each in (node, *vars(node).get("handlers", ())) if hasattr(each, "body")]
    return functions, texts


@cache
def code_lines(path):
    """(number, text) of the lines that are code: no comments, docstrings, imports, brackets alone."""
    (_, left_out), lines = parts(path), enumerate(path.read_text("utf-8").splitlines(), 1)
    stripped = [(number, text.strip()) for number, text in lines if number not in left_out]
    return [(number, text) for number, text in stripped if not text.startswith("#") and not THIN.match(text)]


def lengths():
    """Lines of code in the body of every function of the package."""
    for path in FILES:
        numbers = [number for number, _ in code_lines(path)]
        for node in parts(path)[0]:
            first, last = node.body[0].lineno, node.end_lineno
            yield bisect_right(numbers, last) - bisect_left(numbers, first), f"{path.stem}.{node.name}"


def test_functions_are_short():
    found = list(lengths())
    assert [each for each in found if each[0] > 60] == []
    assert statistics.median(count for count, _ in found) < 7


def test_no_file_is_longer_than_can_be_kept_in_view():
    counted = {path.stem: len(path.read_text("utf-8").splitlines()) for path in FILES}
    assert {name: count for name, count in counted.items() if count > 350} == {}


def test_no_twelve_lines_stand_twice():
    where = {}
    for path in FILES:
        lines = code_lines(path)
        for i in range(len(lines) - TWELVE + 1):
            run = tuple(text for _, text in lines[i : i + TWELVE])
            where.setdefault(run, []).append(f"{path}:{lines[i][0]}")
    assert [places for places in where.values() if len(places) > 1] == []


def test_a_docstring_names_the_quantity_it_is_about():
    """It begins with that, or with what is done: "What", "How" and the like hide it."""
    vague = re.compile(r'^\s*"""(What|How|Where|Which) ', re.MULTILINE)
    assert [path.name for path in FILES if vague.search(path.read_text("utf-8"))] == []
