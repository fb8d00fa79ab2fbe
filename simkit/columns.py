"""Answers as columns of numbers, and as small tables of text."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np


def column(values: Iterable[float | None]) -> np.ndarray:
    """Numbers as an array (n,), nan where there is none.

    >>> column([1.5, None])
    array([1.5, nan])
    """
    return np.array([math.nan if value is None else value for value in values], float)


def finite(value: float) -> float | None:
    """A number as a plain one; None where it is infinite or nan.

    >>> finite(1.5), finite(math.inf)
    (1.5, None)
    """
    return float(value) if math.isfinite(value) else None


def cell(value: float | None, digits: int = 1) -> str:
    """A number as a table has it; empty where there is none.

    >>> cell(440.04), cell(None), cell(math.inf, 0)
    ('440.0', '', '∞')
    """
    if value is None or math.isnan(value):
        return ""
    return f"{value:.{digits}f}" if math.isfinite(value) else "∞"


def text_table(headings: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Rows under headings, the first column to the left and the others to the right; two signs between.

    >>> print(text_table(("note", "Hz"), [("C5", "523.3"), ("closed", "98.0")]))
    note       Hz
    C5      523.3
    closed   98.0
    """
    every = [tuple(headings), *map(tuple, rows)]  # rows may be an iterator, and is gone through twice
    wide = [max(len(row[n]) for row in every) for n in range(len(headings))]
    lines = (
        "  ".join(
            text.ljust(width) if n == 0 else text.rjust(width)
            for n, (text, width) in enumerate(zip(row, wide, strict=True))
        )
        for row in every
    )
    return "\n".join(line.rstrip() for line in lines)  # a last column that is empty leaves no blanks
