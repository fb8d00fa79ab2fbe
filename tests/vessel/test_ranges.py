"""Every number of a design has ends, and between them nothing is divided by next to nothing."""

import math

import pytest

import simkit
from simkit.errors import SimkitError
from simkit.vessel.starter import STARTER_SHAPES, starter

TABLES = "[player]\nface_mm = 25\n[air]\ntemperature_c = 20\n[breath]\nhumidity_percent = 100\n"


@pytest.mark.parametrize("shape", STARTER_SHAPES)
def test_no_size_is_without_ends(shape):
    vessel = simkit.loads(TABLES + starter(shape).replace("title", "# title", 1))
    for key, number in vessel.numbers.items():
        allowed = number.allowed
        assert math.isfinite(allowed.low) and math.isfinite(allowed.high), key
        assert not allowed.holds(1e308), key
        if key.endswith("_mm") and allowed.low >= 0:
            assert allowed.low >= 0.01 and not allowed.holds(5e-324), key


FEW = ("body.length_mm", "body.hole.1.diameter_mm")


@pytest.mark.parametrize(("keys", "state"), [(FEW, "still"), pytest.param((), "played", marks=pytest.mark.slow)])
def test_at_every_end_there_is_an_answer_or_one_message(keys, state):
    """Not the ZeroDivisionError, OverflowError or ValueError in which 5e-324 and 1e308 used to end."""
    vessel = simkit.loads(starter())
    answered = refused = 0
    for key in keys or vessel.numbers:
        number = vessel.numbers[key]
        if ".hole." in key and ".hole.1." not in key:
            continue  # they are all alike
        ends = {number.allowed.low, number.allowed.high, *((0.0,) if number.allowed.holds(0) else ())}
        for end in ends:
            try:
                answered += bool(simkit.predict(vessel.with_value(key, end), "lumped", state=state).notes)
            except SimkitError:
                refused += 1
    assert answered > (0 if keys else 2) and refused > 0
