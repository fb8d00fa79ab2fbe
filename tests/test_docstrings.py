"""The examples in the docstrings of simkit run, and say what they say."""

import ast
import doctest
import importlib

import pytest

from tests.sources import PACKAGE, nodes

WITH_EXAMPLES = [path for path in sorted(PACKAGE.rglob("*.py")) if ">>> " in path.read_text(encoding="utf-8")]


@pytest.mark.parametrize("path", WITH_EXAMPLES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_examples_run(path):
    name = ".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts)
    known = vars(importlib.import_module(name))
    documented = [node for node in nodes(path) if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)]
    runner = doctest.DocTestRunner()
    for text in filter(None, map(ast.get_docstring, documented)):
        runner.run(doctest.DocTestParser().get_doctest(text, known, name, str(path), None))
    assert runner.tries and not runner.failures
