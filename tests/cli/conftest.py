"""What tests of several commands share."""

import pytest

import simkit


def answered_once(name):
    """A fixture of a module: what the function of that name answers for one design and one way of asking it computes
    once for all tests."""

    @pytest.fixture(scope="module", autouse=True)
    def kept_answers():
        function, kept = getattr(simkit, name), {}

        def once(vessel, *given, **more):
            asked = simkit.dumps(vessel), repr(given), repr(more)
            if asked not in kept:
                kept[asked] = function(vessel, *given, **more)
            return kept[asked]

        with pytest.MonkeyPatch.context() as patch:
            patch.setitem(vars(simkit), name, once)
            yield

    return kept_answers
