"""Errors speak of arguments; only the command line makes options of them, by one rule at its door."""

import ast
import re

import pytest
import typer

import simkit
from simkit.cli import run
from simkit.cli.door import app
from simkit.errors import Fault, InputError, OutOfReach
from simkit.vessel import DesignError
from tests.sources import PACKAGE, nodes

COMMANDS = typer.main.get_command(app).commands
ARGUMENTS = {parameter.name for command in COMMANDS.values() for parameter in command.params}
ARGUMENTS |= {"path", "frequencies", "state"}  # of `Vessel.save`, `admittance`, and what is --still in commands
# What speaks to a shell: the commands, the texts and pages that they print, calls of other programs.
OF_A_SHELL = {"cli", "show", "provenance.py"}
APT = "body/kernel.py"


def of_the_library():
    for path in sorted(PACKAGE.rglob("*.py")):
        name = path.relative_to(PACKAGE)
        if name.parts[0] not in OF_A_SHELL and str(name) != APT and not path.match("*/errors.py"):
            yield path


def test_no_message_of_the_library_names_an_option():
    for path in of_the_library():
        texts = [node.value for node in nodes(path) if isinstance(node, ast.Constant)]
        named = [text for text in texts if isinstance(text, str) and re.search(r"(?<!\S)[\"'(]*(--[a-z]|-o\b)", text)]
        assert named == [], path


def test_every_argument_that_a_fault_names_is_one_of_a_command():
    named = set()
    for path in PACKAGE.rglob("*.py"):
        for node in nodes(path):
            if (
                isinstance(node, ast.Call)
                and isinstance(node.func, ast.Attribute)
                and ast.unparse(node.func) == "Fault.of"
                and isinstance(node.args[0], ast.Constant)
            ):
                named.add(node.args[0].value)
    assert len(named) > 40
    assert named - ARGUMENTS == set()


WREN = PACKAGE.parent / "studies" / "designs" / "pocket_wren.toml"


@pytest.mark.parametrize(
    ("call", "command", "python", "shell"),
    [
        (
            lambda v: simkit.resonances(v, count=0),
            ["resonances", str(WREN), "--count", "0"],
            "count = 0: allowed: 1 to 200",
            "--count = 0: allowed: 1 to 200",
        ),
        (
            lambda v: simkit.resonances(v, opened=["1"], closed=True),
            ["resonances", str(WREN), "--open", "1", "--closed"],
            "opened = '1': allowed: not together with `closed`",
            "--open = '1': allowed: not together with --closed",
        ),
        (
            lambda v: simkit.predict(v, "lumpy"),
            ["predict", str(WREN), "--model", "lumpy"],
            "model = 'lumpy': allowed: lumped, ports, resolved",
            "--model = 'lumpy': allowed: lumped, ports, resolved",
        ),
    ],
)
def test_the_same_fault_is_told_to_each_in_his_own_words(call, command, python, shell, capsys):
    with pytest.raises(InputError) as caught:
        call(simkit.load(WREN))
    assert str(caught.value) == python
    assert run(command) == 2
    said = [line for line in capsys.readouterr().err.splitlines() if " ... " not in line]  # a slow machine's progress
    assert said == [shell]


def test_what_is_no_argument_stays_as_it_is():
    def option(name):
        return f"--{name.replace('_', '-')}"

    assert (
        InputError([Fault("a.toml", "clay.wall_mm", -1, "at least 0")])
        .spoken(option)
        .startswith("a.toml: clay.wall_mm")
    )
    many = DesignError([Fault.of("free", "holse", "some of it")], unlisted=2)
    assert many.spoken(option).splitlines() == ["--free = 'holse': allowed: some of it", "and at least 2 more faults"]
    assert OutOfReach("ask for less with `clay_mm`").spoken(option) == "ask for less with --clay-mm"
