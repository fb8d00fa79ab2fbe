"""The search for resonances, on matrices small enough to know the answer."""

from types import SimpleNamespace

import numpy as np
import pytest

from simkit.field.fem.resonance_search import _closed_in


def test_a_guess_that_is_right_to_the_last_bit_is_found_too():
    """K = diag(1, 4, 9), M = 1, nothing radiates: k = 2 exactly, where K - k^2 M cannot be solved with."""
    still = np.zeros(0)
    air = SimpleNamespace(beyond=0.0, steepness=lambda k: still)
    small = {"K": np.diag([1.0, 4.0, 9.0]), "M": np.eye(3), "S": np.zeros((3, 3))}
    space = SimpleNamespace(air=air, small=small, sphere=np.zeros((0, 3)), V=np.zeros((5, 3)))
    k, y = _closed_in(space, 2.0 + 0j, np.array([0.1, 1.0, 0.1], complex))
    assert k == pytest.approx(2.0, rel=1e-12)
    assert np.abs(y) == pytest.approx([0, 1, 0], abs=1e-9)
