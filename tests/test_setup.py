"""The set-up script: quick when nothing has changed, and one line to run where system libraries are missing.

The script runs for real on a stand-in for the virtual environment; the trial with real ones is a bare root file system.
"""

import os
import shutil
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
LIBRARIES = "libgl1 libglu1-mesa libxcursor1 libxft2 libxinerama1 libgomp1"

# Answers as the Python of a virtual environment would; gmsh imports once the file `libraries` is there.
PYTHON = """#!/bin/sh
echo "$*" >>asked
case "$1" in
-VV) echo "Python 3.11.2" ;;
-c) [ -f libraries ] || echo "libGLU.so.1: cannot open shared object file" ;;
esac
"""


def program(path, text):
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)
    path.chmod(0o755)


@pytest.fixture
def clone(tmp_path):
    folder = tmp_path / "a folder with spaces"
    (folder / ".ci").mkdir(parents=True)
    for name in (".ci/setup", "pyproject.toml"):
        shutil.copy(ROOT / name, folder / name)
    program(folder / ".venv/bin/python", PYTHON)
    return folder


def set_up(clone, user=1000, apt="exit 100"):
    tools = clone.parent / "tools"
    program(tools / "id", f"#!/bin/sh\necho {user}\n")
    program(tools / "apt-get", f'#!/bin/sh\necho "apt-get $*" >>asked\n{apt}\n')
    path = f"{tools}:{os.environ['PATH']}"
    command = ["sh", ".ci/setup"]
    return subprocess.run(
        command, cwd=clone, env={**os.environ, "PATH": path}, capture_output=True, text=True, check=False
    )


def asked(clone):
    return (clone / "asked").read_text().splitlines()


def test_it_installs_the_package_with_its_tests_and_then_rests(clone):
    (clone / "libraries").touch()
    assert set_up(clone).returncode == 0
    assert [line for line in asked(clone) if line.endswith("--editable . --group test")]
    (clone / "asked").unlink()
    again = set_up(clone)
    assert again.returncode == 0
    assert "up to date" in again.stderr
    assert [line for line in asked(clone) if "pip" in line] == []


def test_a_change_of_the_dependencies_installs_again(clone):
    (clone / "libraries").touch()
    set_up(clone)
    with (clone / "pyproject.toml").open("a") as file:
        file.write("# changed\n")
    assert "installing" in set_up(clone).stderr


def test_without_root_it_prints_the_one_line_to_run_and_fails(clone):
    done = set_up(clone)
    assert done.returncode == 1
    assert f"apt-get update && apt-get install -y --no-install-recommends {LIBRARIES}" in done.stderr.splitlines()
    assert "libGLU.so.1" in done.stderr
    assert "Traceback" not in done.stderr
    assert [line for line in asked(clone) if line.startswith("apt-get")] == []
    assert "up to date" not in set_up(clone).stderr


def test_as_root_it_installs_the_libraries(clone):
    done = set_up(clone, user=0, apt="touch libraries")
    assert done.returncode == 0
    assert f"apt-get install -y --no-install-recommends {LIBRARIES}" in asked(clone)


def test_as_root_without_a_package_source_it_says_so_and_fails(clone):
    done = set_up(clone, user=0, apt="echo no source >&2; exit 100")
    assert done.returncode == 1
    assert "no source" in done.stderr
    assert "run this line as root" in done.stderr


def test_a_failed_install_fails(clone):
    program(clone / ".venv/bin/python", PYTHON.replace("case", '[ "$3" != install ] || exit 1\ncase'))
    assert set_up(clone).returncode == 1


def test_the_readme_gives_the_commands_that_are_checked():
    commands = [line.strip() for line in (ROOT / "README.md").read_text().splitlines() if "sh .ci/setup &&" in line]
    assert len(commands) == 2
    main, tests = commands
    design = Path(main.split()[-1])
    assert (ROOT / design).is_file()
    assert main.startswith("sh .ci/setup && .venv/bin/simkit predict ")
    assert tests == "sh .ci/setup && .venv/bin/python -m pytest"
