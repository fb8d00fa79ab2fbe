"""The example under every command's help does what it says."""

import shlex
from pathlib import Path

import pytest

from simkit.cli import app, run

CASES = """
base = "dove.toml"
compute = ["predict"]
[[variation]]
name = "wall"
"clay.wall_mm" = [4, 5]
[predict]
model = "lumped"
"""
LASTING = {"predict", "resonances", "optimise", "report", "sheets", "sweep", "tune", "compare", "blow"}


def examples():
    """The command lines that the help gives, one a command."""
    for command in app.registered_commands:
        name = command.name or command.callback.__name__
        assert command.epilog and command.epilog.startswith("Example: simkit "), name
        if name == "open":
            continue  # it serves until it is ended: tests/page/test_serving.py
        lasting = name in LASTING or "--scale" in command.epilog
        yield pytest.param(
            command.epilog.removeprefix("Example: "), id=name, marks=[pytest.mark.slow] if lasting else []
        )


@pytest.mark.parametrize("line", list(examples()))
def test_the_example_of_the_help_works(line, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    program, *arguments = shlex.split(line)
    assert program == "simkit"
    if arguments[0] != "new":
        for design in {"dove.toml", arguments[1]} - {"cases.toml"}:
            assert run(["new", "-o", design]) == 0
    Path("cases.toml").write_text(CASES)
    assert run(arguments) == 0, capsys.readouterr().err
    for option in ("-o", "--plot"):
        if option in arguments:
            assert Path(arguments[arguments.index(option) + 1]).exists()
