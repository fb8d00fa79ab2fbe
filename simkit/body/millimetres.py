"""Millimetres of the design file against the metres of the body."""

import numpy as np


def place_words(place: np.ndarray) -> str:
    """A place of the body in the words of the design file, mm."""
    across, along, up = np.round(1e3 * place, 1) + 0.0  # no minus before a zero
    return f"along {along:.1f}, across {across:.1f}, up {up:.1f} mm"
