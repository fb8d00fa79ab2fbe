"""The set-up script: quick when nothing has changed, and one line to run where system libraries are missing.

The script runs for real on a stand-in for the virtual environment; the trial with real ones is a bare root file system.
"""

import importlib.metadata
import os
import re
import shutil
import subprocess
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parent.parent
LIBRARIES = "libgl1 libglu1-mesa libxcursor1 libxft2 libxinerama1 libgomp1"

# Answers as the Python of a virtual environment would; gmsh imports once the file `libraries` is there.
PYTHON = """#!/bin/sh
echo "$*" >>asked
case "$1" in
-VV) echo "Python 3.11.2" ;;
-m) case "$*" in *freeze*) cat installed ;; esac ;;
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
    for name in (".ci/setup", ".ci/tried.txt", "pyproject.toml"):
        shutil.copy(ROOT / name, folder / name)
    program(folder / ".venv/bin/python", PYTHON)
    return folder


def set_up(clone, *options, user=1000, apt="exit 100"):
    tools = clone.parent / "tools"
    program(tools / "id", f"#!/bin/sh\necho {user}\n")
    program(tools / "apt-get", f'#!/bin/sh\necho "apt-get $*" >>asked\n{apt}\n')
    path = f"{tools}:{os.environ['PATH']}"
    command = ["sh", ".ci/setup", *options]
    return subprocess.run(
        command, cwd=clone, env={**os.environ, "PATH": path}, capture_output=True, text=True, check=False
    )


def asked(clone):
    return (clone / "asked").read_text().splitlines()


def test_it_installs_the_package_with_its_tests_and_then_rests(clone):
    (clone / "libraries").touch()
    assert set_up(clone).returncode == 0
    assert [line for line in asked(clone) if line.endswith("--editable . --group test")]
    assert "-m compileall -q simkit tests" in asked(clone)
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


def test_the_versions_that_were_tried_are_installed_and_a_change_of_them_installs_again(clone):
    (clone / "libraries").touch()
    set_up(clone)
    installs = [line for line in asked(clone) if " install " in line]
    assert installs and all("--constraint .ci/tried.txt" in line for line in installs)
    with (clone / ".ci/tried.txt").open("a") as file:
        file.write("other==1.0\n")
    assert "installing" in set_up(clone).stderr


def test_the_newest_of_everything_says_what_was_not_tried_and_the_next_set_up_goes_back(clone):
    (clone / "libraries").touch()
    set_up(clone)
    tried = [line.split(" ")[0] for line in (clone / ".ci/tried.txt").read_text().splitlines() if "==" in line]
    (clone / "installed").write_text("\n".join([*tried[1:], "numpy==99.1"]) + "\n")
    (clone / "asked").unlink()
    done = set_up(clone, "--newest")
    assert done.returncode == 0
    assert done.stderr.splitlines()[-2:] == [
        "setup: the newest of everything is in .venv; not as in .ci/tried.txt:",
        "numpy==99.1",
    ]
    assert not [line for line in asked(clone) if "tried.txt" in line]
    assert [line for line in asked(clone) if "--upgrade-strategy eager --editable . --group test" in line]
    assert "installing" in set_up(clone).stderr
    assert "up to date" in set_up(clone).stderr


def test_an_option_that_is_none_is_told(clone):
    done = set_up(clone, "--latest")
    assert (done.returncode, done.stderr) == (2, "setup: known option only: --newest, not --latest\n")


def tried():
    """The versions that were tried, by name; a line that pip could not read raises."""
    lines = [line for line in (ROOT / ".ci/tried.txt").read_text().splitlines() if not line.startswith("#")]
    read = [Requirement(line) for line in lines]
    assert all(re.fullmatch(r"==[0-9.]+", str(each.specifier)) and each.url is None for each in read)
    return {canonicalize_name(each.name): each for each in read}


def wanted():
    """What pyproject.toml asks for, to run, to test, to develop and to build."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())
    lists = [project["project"]["dependencies"], project["build-system"]["requires"]]
    lists += [*project["project"]["optional-dependencies"].values(), *project["dependency-groups"].values()]
    return [Requirement(each) for some in lists for each in some if isinstance(each, str)]


def test_what_was_tried_lies_within_the_bounds_of_the_project():
    versions = tried()
    for each in wanted():
        (only,) = versions[canonicalize_name(each.name)].specifier
        assert each.specifier.contains(only.version), each


def test_everything_that_gets_installed_has_a_version_that_was_tried():
    """Also what the packages themselves ask for, by their own metadata, on any Python and any system."""
    versions, missing, todo = tried(), set(), wanted()
    seen: set[str] = set()
    while todo:
        each = todo.pop()
        name = canonicalize_name(each.name)
        if name in seen:
            continue
        seen.add(name)
        if name not in versions:
            missing.add(name)
        try:
            asks = importlib.metadata.distribution(name).requires or []
        except importlib.metadata.PackageNotFoundError:  # of another group or another system
            continue
        todo += [more for more in map(Requirement, asks) if more.marker is None or more.marker.evaluate({"extra": ""})]
    assert missing == set()


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
