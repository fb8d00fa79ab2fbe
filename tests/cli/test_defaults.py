"""What a command means when nothing is said, its function in Python means too."""

import inspect

import pytest

import simkit
from simkit.cli.door import COMMANDS


@pytest.mark.parametrize("command", [c for c, _ in COMMANDS if c.__name__ in simkit.__all__], ids=lambda c: c.__name__)
def test_a_command_and_its_function_have_the_same_defaults(command):
    said = inspect.signature(command).parameters
    named = getattr(simkit, command.__name__)  # some rooms stand under their verb's name
    meant = inspect.signature(getattr(named, command.__name__, named)).parameters
    both = {
        name: (said[name].default, meant[name].default)
        for name in said.keys() & meant.keys()
        if inspect.Parameter.empty not in (said[name].default, meant[name].default)
    }
    assert both
    # What is empty on both sides, "" or None or False, is each side's own way to say nothing.
    assert {name: pair for name, pair in both.items() if pair[0] != pair[1] and any(pair)} == {}
