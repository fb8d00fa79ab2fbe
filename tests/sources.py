"""The package's files as trees, each read once for all tests that look at how it is written."""

import ast
import gc
from functools import cache
from pathlib import Path

import simkit

PACKAGE = Path(simkit.__file__).parent


@cache
def tree(path: Path) -> ast.Module:
    gc.disable()  # nothing of it is garbage: the search would cost half as much again
    try:
        return ast.parse(path.read_text(encoding="utf-8"))
    finally:
        gc.enable()


@cache
def nodes(path: Path) -> list[ast.AST]:
    return list(ast.walk(tree(path)))
