"""The door's manners: exit statuses, where messages go, nothing half-written, quick help."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

import simkit.vessel.starter
from simkit.__main__ import main
from simkit.cli import run
from simkit.cli.door import COMMANDS
from simkit.errors import Fault, InputError, MeshError, OutOfReach

SIMKIT = [sys.executable, "-m", "simkit"]


def in_a_shell(*arguments, **options):
    return subprocess.run([*SIMKIT, *arguments], capture_output=True, text=True, check=False, **options)


@pytest.mark.parametrize("arguments", [[], ["--help"], ["-h"]])
def test_help_lists_the_commands(capsys, arguments):
    assert run(arguments) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert "  new " in out


def test_it_says_which_version_it_is(capsys):
    assert run(["--version"]) == 0
    assert capsys.readouterr().out.startswith(f"simkit {simkit.__version__} (")


def test_help_waits_for_nothing_heavy():
    """It is timed in benchmarks/door.py."""
    heavy = ("numpy", "scipy", "pydantic", "rich", "matplotlib", "gmsh", "skfem", "simkit.vessel")
    asked = f"print([name for name in {heavy} if name in sys.modules])"
    code = f"import sys; from simkit.cli import run; run(['--help']); {asked}"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert out.splitlines()[-1] == "[]"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["nwe"], "No such command 'nwe'. Did you mean 'new'? See: simkit --help\n"),
        (["new"], "Missing option '-o'. See: simkit new --help\n"),
        (["new", "-o"], "requires an argument"),
        (["new", "-o", "x.toml", "--shpe", "egg"], "No such option: --shpe"),
        (["new", "-o", "x.toml", "more"], "unexpected extra argument"),
        (["new", "-o", "x.toml", "--shape", "elipsoid"], "did you mean"),
        (["new", "-o", "no/such/folder/x.toml"], "a file in a folder that exists"),
        (["optimise", "x.toml", "-o", "y.toml", "--seed", "-1"], "'--seed': Input should be greater than"),
    ],
)
def test_a_wrong_command_line_is_one_line_and_status_2(capsys, monkeypatch, tmp_path, arguments, words):
    monkeypatch.chdir(tmp_path)
    assert run(arguments) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert words in err
    assert err.count("\n") == 1
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["C5 major", "--fingertip-mm", "0"], "--fingertip-mm = 0.0: allowed: 5 to 30"),
        (["G major", "--range", "G3 D6", "--chambers", "0"], "--chambers = 0: allowed: 1 to"),
    ],
)
def test_a_wish_for_nothing_is_not_taken_for_no_wish(capsys, tmp_path, options, told):
    assert run(["new", "-o", str(tmp_path / "x.toml"), "--scale", *options]) == 2
    assert told in capsys.readouterr().err


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs the device that is always full")
def test_a_full_disk_is_one_line(tmp_path):
    with open("/dev/full", "w") as full:
        done = subprocess.run([*SIMKIT, "--help"], stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert done.returncode == 1
    assert "could not be written" in done.stderr
    assert done.stderr.count("\n") == 1


@pytest.mark.parametrize(
    ("error", "status"),
    [
        (InputError([Fault("a.toml", "clay.wall_mm", -1, "at least 0")]), 2),
        (OutOfReach("nearest was 3 cents off"), 1),
        (MeshError("the chamber", 2.0, "try 1 mm"), 1),
        (KeyboardInterrupt(), 130),
    ],
)
def test_what_can_go_wrong_has_its_status_and_no_traceback(capsys, monkeypatch, tmp_path, error, status):
    def fail(shape):
        raise error

    monkeypatch.setattr(simkit.vessel.starter, "starter", fail)
    assert run(["new", "-o", str(tmp_path / "x.toml")]) == status
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert "Traceback" not in err
    assert os.listdir(tmp_path) == []


def test_hundreds_of_faults_are_told_in_one_readable_message(capsys, monkeypatch, tmp_path):
    faults = [Fault("a.toml", f"body.hole.{n}.diameter_mm", -n, "more than 0, at most 1000") for n in range(1, 500)]

    def fail(shape):
        raise InputError(faults)

    monkeypatch.setattr(simkit.vessel.starter, "starter", fail)
    assert run(["new", "-o", str(tmp_path / "x.toml")]) == 2
    err = capsys.readouterr().err
    assert len(err) < 1500
    lines = err.splitlines()
    assert lines[:2] == [str(faults[0]), str(faults[1])]
    assert lines[-1] == f"and {500 - len(lines)} more"


def test_a_design_that_is_there_is_not_overwritten(capsys, tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text("my work")
    assert run(["new", "-o", str(path)]) == 2
    assert path.read_text() == "my work"
    assert "not there yet" in capsys.readouterr().err


def test_a_reader_that_has_seen_enough_ends_it_quietly():
    script = f"{' '.join(SIMKIT)} --help | head -n 1; echo ${{PIPESTATUS[0]}}"
    done = subprocess.run(["bash", "-c", script], capture_output=True, text=True, check=True)
    assert done.stderr == ""
    assert done.stdout.splitlines()[-1] == "0"


def test_an_unforeseen_error_keeps_its_traceback(monkeypatch, tmp_path):
    def fail(shape):
        raise ZeroDivisionError

    monkeypatch.setattr(simkit.vessel.starter, "starter", fail)
    with pytest.raises(ZeroDivisionError):
        run(["new", "-o", str(tmp_path / "x.toml")])


def test_the_console_script_is_installed():
    script = Path(sys.executable).with_name("simkit")
    assert subprocess.run([script, "--help"], capture_output=True, check=False).returncode == 0


def test_ctrl_c_while_the_door_still_loads_is_quiet(monkeypatch, capsys):
    """As if the keys were pressed in the first tenth of a second."""

    class Pressed:
        @staticmethod
        def find_spec(name, path=None, target=None):
            if name == "simkit.cli":
                raise KeyboardInterrupt

    monkeypatch.delitem(sys.modules, "simkit.cli")
    monkeypatch.setattr(sys, "meta_path", [Pressed, *sys.meta_path])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 130
    assert capsys.readouterr().err == "simkit: interrupted\n"


def test_ctrl_c_that_a_library_gives_another_name_is_quiet_too(monkeypatch, capsys):
    """Python 3.11 makes a RuntimeError of whatever breaks off a `__set_name__`, pydantic-core a SchemaError."""

    class Named:
        def __set_name__(self, owner, name):
            signal.raise_signal(signal.SIGINT)

    class Pressed:
        @staticmethod
        def find_spec(name, path=None, target=None):
            if name == "simkit.cli":
                try:
                    type("Made", (), {"its": Named()})
                except KeyboardInterrupt as same:  # as Python 3.12 leaves it
                    raise RuntimeError("broken off") from same

    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    monkeypatch.delitem(sys.modules, "simkit.cli")
    monkeypatch.setattr(sys, "meta_path", [Pressed, *sys.meta_path])
    try:
        with pytest.raises(SystemExit) as ended:
            main()
    finally:
        signal.signal(signal.SIGINT, before)
    assert ended.value.code == 130
    assert capsys.readouterr().err == "simkit: interrupted\n"


@pytest.mark.slow
@pytest.mark.parametrize("command", [command.__name__ for command, _ in COMMANDS])
def test_ctrl_c_in_the_first_second_is_quiet(command, tmp_path):
    """Sent to the whole group of processes, as a terminal does. Python's own start, a tenth, is not ours to guard."""
    (tmp_path / "dove.toml").write_text(simkit.vessel.starter.starter())
    (tmp_path / "cases.toml").write_text('base = "dove.toml"\ncompute = ["predict"]\n')
    given = {"new": "-o new.toml", "sweep": "cases.toml -o rows", "optimise": "dove.toml --free size -o to.toml"}
    given |= {"tune": "dove.toml --heard C5=498", "open": "dove.toml --no-browser"}
    rest = given.get(command, "dove.toml" + {"sheets": " -o out", "report": " -o a.html"}.get(command, ""))
    heard = "import runpy, signal; signal.signal(signal.SIGINT, signal.default_int_handler); print(flush=True)"
    for wait in (0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.6, 0.8):
        with subprocess.Popen(
            [sys.executable, "-c", f"{heard}; runpy.run_module('simkit', run_name='__main__')", command, *rest.split()],
            cwd=tmp_path,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
        ) as child:
            child.stdout.readline()  # Python itself has started
            time.sleep(0.05 + wait)
            os.killpg(child.pid, signal.SIGINT)
            err = child.communicate(timeout=120)[1]
        assert "Traceback" not in err
        assert child.returncode in (0, 130)  # 0: it was quicker
