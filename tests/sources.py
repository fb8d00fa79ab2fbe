"""The package's files as trees, each read once for all tests that look at how it is written."""

import ast
from functools import cache
from pathlib import Path

import simkit

PACKAGE = Path(simkit.__file__).parent


@cache
def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


@cache
def nodes(path: Path) -> list[ast.AST]:
    return list(ast.walk(tree(path)))
