"""Provenance of a result: which simkit, on which libraries, by which command, when.

A stored number is good for as long as what computed it is the same. The version says too little for that, since code
moves between two releases: `code` is a digest of every file that can change a number, and of the versions of the
libraries under it.
"""

from __future__ import annotations

import hashlib
import os
import platform
import shlex
import subprocess
import sys
from datetime import UTC, datetime
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from simkit import __version__
from simkit.frozen import fields_of, frozen
from simkit.plugins import makers

PACKAGE = Path(__file__).parent
LIBRARIES = ("numpy", "scipy", "gmsh", "scikit-fem", "meshio")  # whose versions can change a computed number
ASIDE = ("cli", "page", "show")  # rooms that only ask and show what others compute


@frozen
class Provenance:
    """Origin of a result; texts throughout, `at` in UTC (ISO 8601), `commit` None outside a repository."""

    simkit: str
    code: str
    commit: str | None
    python: str
    libraries: dict[str, str]
    command: str
    at: str

    def as_dict(self) -> dict[str, Any]:
        """Content under the keys of a record."""
        return fields_of(self)

    @property
    def maker(self) -> str:
        """The program and its libraries, without command and time.

        >>> Provenance("1.0", "3f2a9c", None, "3.11.2", {"numpy": "2.4"}, "simkit predict a.toml", "2026-01-02").maker
        'simkit 1.0 (code 3f2a9c) on Python 3.11.2, numpy 2.4'
        """
        commit = f"commit {self.commit}, " if self.commit else ""
        libraries = "".join(f", {name} {found}" for name, found in self.libraries.items())
        return f"simkit {self.simkit} ({commit}code {self.code}) on Python {self.python}{libraries}"

    def __str__(self) -> str:
        return f"{self.maker}; {self.at}; {self.command}"


def provenance() -> Provenance:
    """Provenance of what this process computes now."""
    now = datetime.now(UTC).isoformat(timespec="seconds")
    return Provenance(__version__, code(), commit(), platform.python_version(), libraries(), command(sys.argv), now)


@cache
def code() -> str:
    """The digest of what computes here: this package's files but for the rooms ASIDE, and the libraries' versions.

    The same files and versions give the same digest on every machine; a processor's own last digits are not in it.
    """
    digest = hashlib.sha256(repr(sorted(libraries().items())).encode())
    for file in computing():
        # The zero byte parts a name from what follows, so that no two lists of files read alike.
        digest.update(file.relative_to(PACKAGE).as_posix().encode() + b"\0")
        digest.update(hashlib.sha256(file.read_bytes()).digest())
    return digest.hexdigest()[:16]  # 64 bits: enough to tell versions apart, short enough to read


def computing() -> list[Path]:
    """The files that can change a computed number, in order."""
    files = (file for file in PACKAGE.rglob("*") if file.suffix in (".py", ".csv"))
    return sorted(file for file in files if file.relative_to(PACKAGE).parts[0] not in ASIDE)


@cache
def libraries() -> dict[str, str]:
    """The installed version of each library that can change a number, and of each package that adds to simkit."""
    return {name: _version(name) for name in LIBRARIES} | dict(sorted(makers().items()))


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "none"


@cache
def commit() -> str | None:
    """The commit of the clone that this package runs from, marked where its files differ; None where there is none."""
    root = PACKAGE.parent
    if not (root / ".git").exists():
        return None
    # --exclude=*: no tag is taken, so that the commit itself is named.
    asked = ["git", "-C", str(root), "describe", "--always", "--dirty=, changed since", "--abbrev=12", "--exclude=*"]
    # A hook of git runs its commands with variables that would lead elsewhere.
    plain = {name: value for name, value in os.environ.items() if not name.startswith("GIT_")}
    try:
        done = subprocess.run(asked, capture_output=True, text=True, env=plain, timeout=10, check=False)
    except (OSError, subprocess.TimeoutExpired):
        return None
    return done.stdout.strip() or None if done.returncode == 0 else None  # an empty repository describes nothing


def command(arguments: list[str]) -> str:
    """A command line as it can be given again, without the folders of one machine.

    >>> command(["/somewhere/bin/simkit", "report", "dove.toml", "-o", "/elsewhere/my page.html"])
    "simkit report dove.toml -o 'my page.html'"
    """
    program, *rest = arguments or ["python"]
    place = Path(program).resolve()
    if place == PACKAGE / "__main__.py":
        first = "simkit"
    elif place.is_relative_to(PACKAGE.parent / "studies"):
        first = place.relative_to(PACKAGE.parent).as_posix()
    else:
        first = place.name
    return shlex.join([first, *(Path(each).name if Path(each).is_absolute() else each for each in rest)])
