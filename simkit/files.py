"""Files written whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from simkit.errors import Fault, InputError


@contextmanager
def whole(path: str | Path, option: str = "-o") -> Iterator[Path]:
    """A file that appears under its name only when it is complete.

    Yields a temporary neighbour to write to. It takes the place of `path` when the block ends well, and vanishes
    when the block is left by an error or by Ctrl-C: then an older file at `path` is as it was.

    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     with whole(folder + "/a.txt") as half:
    ...         _ = half.write_text("all of it")
    ...     (Path(folder) / "a.txt").read_text()
    'all of it'
    """
    target = Path(path).resolve()
    check_place(path, option)
    # The suffix stays last: writers tell the format by it.
    half = target.with_name(f".{target.stem}.{os.getpid()}{target.suffix}")
    try:
        yield half
        os.replace(half, target)
    except OSError as error:
        # An error about another file is not ours to explain.
        if error.filename is not None and Path(error.filename) != half:
            raise
        raise InputError([Fault(str(path), option, None, f"a place that can be written ({error.strerror})")]) from error
    finally:
        half.unlink(missing_ok=True)


def check_place(path: str | Path, option: str = "-o") -> None:
    """Refuses, before any work is done, a place where no file can be put."""
    target = Path(path).resolve()
    if not target.parent.is_dir():
        raise InputError([Fault(str(path), option, None, "a file in a folder that exists")])
    if target.exists() and not target.is_file():
        raise InputError([Fault(str(path), option, None, "a file, not a folder or a device")])
    if not os.access(target.parent, os.W_OK):
        raise InputError([Fault(str(path), option, None, "a file in a folder that can be written")])
