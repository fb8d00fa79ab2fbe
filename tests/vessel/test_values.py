"""What counts as a number."""

import numpy as np
import pytest

from simkit.errors import InputError
from simkit.vessel import loads


@pytest.mark.parametrize("kind", [np.float64, np.float32, np.float16, np.int64, np.int32, np.uint8, int])
def test_a_number_of_numpy_is_a_number(dove, kind):
    changed = loads(dove).with_value("body.hole.1.diameter_mm", kind(6))
    assert changed.value("body.hole.1.diameter_mm") == 6.0
    assert type(changed.chambers[0].holes[0].diameter_mm) is float
    assert loads(dove).with_value("body.hole.1.along_mm", kind(34)) == loads(dove).with_value(
        "body.hole.1.along_mm", 34.0
    )


@pytest.mark.parametrize("value", [np.bool_(True), True, np.float32("nan"), np.inf, np.array([6.0]), "6", 6j, None])
def test_what_is_no_number_is_refused(dove, value):
    with pytest.raises(InputError, match=r"diameter_mm.*allowed: a number"):
        loads(dove).with_value("body.hole.1.diameter_mm", value)
