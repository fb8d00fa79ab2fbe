"""Answers as JSON can have them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np


def finite(value: Any) -> Any:
    """Copy without numbers that JSON has not: infinite and undefined ones are null."""
    if isinstance(value, Mapping):
        return {key: finite(each) for key, each in value.items()}
    if isinstance(value, str) or not isinstance(value, Iterable):
        # numpy's float64 is a float, its others are not
        number = value.item() if isinstance(value, np.generic) else value
        return None if isinstance(number, float) and not np.isfinite(number) else number
    return [finite(each) for each in (value.tolist() if isinstance(value, np.ndarray) else value)]
