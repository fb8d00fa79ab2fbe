"""The folder that the page was opened in: its designs, read and saved; nothing beyond it."""

from __future__ import annotations

import hashlib
import os
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from simkit.errors import InputError
from simkit.files import whole
from simkit.page.companion import Refused
from simkit.vessel.reader import LARGEST_FILE

SUFFIX = ".toml"


class Changed(Refused):
    """The file is not what it was when it was read: another program has written it."""


@dataclass(frozen=True)
class OnDisk:
    """A design as its file has it: the text, its line ends kept, and the digest by which a change is seen."""

    text: str
    digest: str


class Shelf:
    """A folder of designs. Names are plain: no folder in them, no dot in front, ending in .toml."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder.resolve()  # so that links can be held against it

    def designs(self) -> list[dict[str, Any]]:
        """Every design in the folder by its name, with its title; files that are no designs are left out."""
        found = []
        for path in sorted(self.folder.glob(f"*{SUFFIX}"), key=lambda path: path.name.lower()):
            try:
                kept = self.read(path.name)
                table = tomllib.loads(kept.text)
            except (Refused, tomllib.TOMLDecodeError):
                continue
            if isinstance(table.get("chamber"), list):  # other TOML files lie in folders too
                found.append({"file": path.name, "title": str(table.get("title") or path.stem), "digest": kept.digest})
        return found

    def path(self, name: str) -> Path:
        """The path of a design by its plain name; Refused for a name that is none, or leads out of the folder."""
        # A name from a browser: it must not lead out of the folder, hide, or be too long for a half-written neighbour.
        plain = name.endswith(SUFFIX) and len(name) > len(SUFFIX) and not name.startswith(".")
        if not plain or Path(name).name != name or "\\" in name or not name.isprintable() or len(name.encode()) > 200:
            raise Refused(f"{name!r} is no name for a design here: letters, ending in {SUFFIX}, without a folder")
        path = self.folder / name
        if path.is_symlink() and path.resolve().parent != self.folder:
            raise Refused(f"{name} is a link that leads out of this folder")
        return path

    def beside(self, name: str, suffix: str) -> Path:
        """The path of something that is made from a design, beside it: `dove.html`, `dove-sheets`."""
        path = self.path(name)
        made = path.with_name(path.stem + suffix)
        if made.is_symlink():
            raise Refused(f"{made.name} is a link; nothing is written through it")
        return made

    def has(self, name: str) -> bool:
        """Whether there is a file of that name."""
        return self.path(name).exists()

    def read(self, name: str) -> OnDisk:
        """A design's text; Refused where it cannot be read."""
        path = self.path(name)
        try:
            if not path.is_file() or path.stat().st_size > LARGEST_FILE:
                raise Refused(f"{name}: not there, or no design")
            data = path.read_bytes()
            text = data.decode("utf-8-sig")  # some editors write a byte-order mark
        except (OSError, UnicodeDecodeError) as why:
            raise Refused(f"{name} cannot be read: {why}") from why
        return OnDisk(text, digest(data))

    def save(self, name: str, text: str, expected: str | None) -> str:
        """Write a design, whole or not at all, over what it was read from; return the new digest.

        expected: the digest of what the file held when it was read, None for a file that is not there yet. Changed
        where it holds something else. Between the last look and the new file's taking its place is one call of the
        system.
        """
        path = self.path(name)
        data = text.encode("utf-8")
        if path.is_symlink():  # the file behind it is replaced, not the link
            path = path.resolve()
        try:
            with whole(path, "path") as half:
                _write(half, data)
                if path.exists():
                    os.chmod(half, path.stat().st_mode & 0o777)  # the new file takes the old one's permissions
                self._look(name, path, expected)  # last, just before the new file takes its place
        except InputError as why:
            raise Refused(str(why)) from why
        return digest(data)

    def _look(self, name: str, path: Path, expected: str | None) -> None:
        now = digest(path.read_bytes()) if path.exists() else None
        if now == expected:
            return
        if now is None:
            raise Changed(f"{name} was taken away meanwhile; save it again to write it anew")
        if expected is None:
            raise Changed(f"{name} is there already; choose another name")
        raise Changed(f"another program changed {name} meanwhile; nothing was written")


def _write(half: Path, data: bytes) -> None:
    """Write all of it to the disk itself, so that a machine that loses its power has the old file or the new."""
    with open(half, "wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def digest(data: bytes) -> str:
    """Digest that tells two states of a file apart."""
    return hashlib.sha256(data).hexdigest()
