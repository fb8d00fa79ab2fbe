"""What made a result is told apart by everything that can change it."""

import shutil
import subprocess
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from simkit import provenance

PACKAGE = provenance.PACKAGE


@pytest.fixture
def copied(tmp_path, monkeypatch):
    """The digest of a copy of the package, which may be changed."""
    shutil.copytree(PACKAGE, tmp_path / "simkit", ignore=shutil.ignore_patterns("__pycache__"))
    monkeypatch.setattr(provenance, "PACKAGE", tmp_path / "simkit")
    return tmp_path / "simkit", provenance.code.__wrapped__


def test_a_copy_computes_the_same(copied):
    assert copied[1]() == provenance.code()


@pytest.mark.parametrize(
    ("file", "counts"),
    [
        ("sound/elements/losses.py", True),
        ("field/window/relief.csv", True),
        ("air.py", True),
        ("cli/door.py", False),
        ("show/page.html.j2", False),
    ],
)
def test_a_change_counts_where_it_can_change_a_number(copied, file, counts):
    folder, code = copied
    with open(folder / file, "a") as changed:
        changed.write("\n")
    assert (code() != provenance.code()) == counts


def test_a_file_that_moves_counts(copied):
    folder, code = copied
    (folder / "air.py").rename(folder / "breath.py")
    assert code() != provenance.code()


def test_another_version_of_a_library_counts(monkeypatch):
    assert provenance.libraries()["numpy"] == np.__version__
    monkeypatch.setattr(provenance, "libraries", lambda: {"numpy": "0.1"})
    assert provenance.code.__wrapped__() != provenance.code()


def test_the_commit_is_that_of_the_clone_and_a_change_is_said(copied):
    folder, _ = copied
    git = ["git", "-C", str(folder.parent), "-c", "user.name=a", "-c", "user.email=a@b.c"]
    commit = provenance.commit.__wrapped__
    assert commit() is None
    try:
        subprocess.run([*git, "init", "-q"], check=True)
    except FileNotFoundError:
        pytest.skip("git is not here")
    assert commit() is None  # nothing is committed yet
    subprocess.run([*git, "add", "simkit"], check=True)
    subprocess.run([*git, "commit", "-qm", "First"], check=True)
    head = subprocess.run([*git, "rev-parse", "HEAD"], check=True, capture_output=True, text=True).stdout
    assert head.startswith(commit()) and len(commit()) == 12
    (folder / "air.py").write_text("")
    assert commit().endswith(", changed since")


def test_a_record_holds_what_is_asked_of_one():
    made = provenance.provenance().as_dict()
    assert {"simkit", "code", "commit", "python", "libraries", "command", "at"} == made.keys()
    assert datetime.now(UTC) - datetime.fromisoformat(made["at"]) < timedelta(minutes=1)


def test_a_command_names_no_folder_of_this_machine(tmp_path):
    study = PACKAGE.parent / "studies" / "00_first_whistle" / "study.py"
    assert provenance.command([str(study), "-o", str(tmp_path / "x")]) == "studies/00_first_whistle/study.py -o x"
    assert provenance.command([str(PACKAGE / "__main__.py"), "predict", "a b.toml"]) == "simkit predict 'a b.toml'"
