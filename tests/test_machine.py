"""What Linux alone knows is asked for in one place, and done without where it is missing (macOS)."""

import ast
import builtins
import os
import sys

import pytest

from simkit import machine
from simkit.files import whole_folder
from simkit.sweeps.running import _workers
from tests.sources import PACKAGE, nodes

SYSTEMS_OWN = {"fcntl", "resource", "msvcrt", "winreg"}  # modules that some systems lack


def test_processors_without_a_way_to_be_bound(monkeypatch):
    """os.sched_getaffinity: "only available on some Unix platforms", not macOS (Python library reference, os)."""
    monkeypatch.delattr(os, "sched_getaffinity", raising=False)
    monkeypatch.setattr(os, "cpu_count", lambda: 3)
    assert machine.cores() == 3
    assert _workers(None, None, None).lanes == 3
    monkeypatch.setattr(os, "cpu_count", lambda: None)  # "None if undetermined"
    assert machine.cores() == 1


def test_bound_processors_are_those_that_count(monkeypatch):
    monkeypatch.setattr(os, "sched_getaffinity", lambda process: {0, 5}, raising=False)
    assert machine.cores() == 2


def test_most_memory_in_bytes(monkeypatch):
    """ru_maxrss: kilobytes in getrusage(2) of Linux, bytes in that of macOS."""
    here = machine.most_memory()
    assert 2e7 < here < 1e11
    monkeypatch.setattr(sys, "platform", "darwin")
    assert machine.most_memory() == pytest.approx(here / 1024, rel=0.1)


def test_folders_are_written_whole_where_nothing_can_be_locked(monkeypatch, tmp_path):
    left = tmp_path / ".out.old.simkit-half"
    left.mkdir()
    plain = builtins.__import__

    def without(name, *args, **kwargs):
        if name in SYSTEMS_OWN:
            raise ImportError(name)
        return plain(name, *args, **kwargs)

    monkeypatch.setattr(builtins, "__import__", without)
    with whole_folder(tmp_path / "out") as half:
        (half / "a.txt").write_text("all of it")
    assert (tmp_path / "out" / "a.txt").read_text() == "all of it"
    assert left.is_dir()  # perhaps another run's: nobody can say
    machine.end_after(10**6)  # no such limit, no complaint


def test_nothing_else_asks_what_some_systems_lack():
    found = []
    for path in PACKAGE.rglob("*.py"):
        if path.name == "machine.py":
            continue
        for node in nodes(path):
            named = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            named += [node.module] if isinstance(node, ast.ImportFrom) else []
            asked = isinstance(node, ast.Attribute) and node.attr in ("sched_getaffinity", "fork", "register_at_fork")
            if asked or SYSTEMS_OWN & set(named):
                found.append(f"{path.name}:{node.lineno}")
    assert found == []
