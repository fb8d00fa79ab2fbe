"""Files written whole or not at all, and never in place of another's work.

What simkit makes, pictures, pages, sheets, sounds, carries its mark, and the next run may put a newer one in its
place. A design is a person's work from the moment it is written, and a file without the mark is somebody else's: both
stay as they are unless that is asked for.
"""

from __future__ import annotations

import mmap
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from simkit.errors import Fault, InputError
from simkit.machine import lock

MARK = "made by simkit"  # in plain letters somewhere in each file of ours that can be made again


@contextmanager
def whole(path: str | Path, argument: str = "path") -> Iterator[Path]:
    """A file that appears under its name only when it is complete.

    Yields a place to write to, of the same name, in a hidden folder beside it. It takes the place of `path` when the
    block ends well, and vanishes when the block is left by an error or by Ctrl-C: then an older file at `path` is as
    it was. What a run that was killed has left behind, the next one clears away.

    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     with whole(folder + "/a.txt") as half:
    ...         _ = half.write_text("all of it")
    ...     (Path(folder) / "a.txt").read_text()
    'all of it'
    """
    target = Path(path).resolve()
    check_place(path, argument)
    with _half_folder(target, path, argument) as folder:
        half = folder / target.name  # the suffix stays: writers tell the format by it
        yield half
        os.replace(half, target)


def check_place(path: str | Path, argument: str = "path") -> None:
    """Refuse, before any work is done, a place where no file can be put."""
    _check_link(path, argument)
    target = Path(path).resolve()
    if not target.parent.is_dir():
        raise InputError([Fault.of(argument, None, "a file in a folder that exists", file=str(path))])
    if target.exists() and not target.is_file():
        raise InputError([Fault.of(argument, None, "a file, not a folder or a device", file=str(path))])
    if not os.access(target.parent, os.W_OK):
        raise InputError([Fault.of(argument, None, "a file in a folder that can be written", file=str(path))])


def _check_link(path: str | Path, argument: str) -> None:
    """Refuse a link that leads nowhere: what is written would come to lie at a place that nobody named."""
    if Path(path).is_symlink() and not Path(path).exists():
        raise InputError(
            [Fault.of(argument, None, "a new name, not that of a link that leads nowhere", file=str(path))]
        )


def check_output(path: str | Path, argument: str = "path") -> None:
    """Refuse, before any work is done, a place where no file can be put or one lies that simkit did not make."""
    check_place(path, argument)
    if not may_replace(Path(path)):
        allowed = "a new name, or that of a file that simkit made; this one is kept"
        raise InputError([Fault.of(argument, None, allowed, file=str(path))])


def check_new(path: str | Path, argument: str = "path", overwrite: bool = False) -> None:
    """Refuse, before any work is done, a design's place where a file lies already, unless it may be overwritten."""
    check_place(path, argument)
    if not overwrite and Path(path).exists() and Path(path).stat().st_size:
        allowed = "a file that is not there yet, or `overwrite`; this one is kept"
        raise InputError([Fault.of(argument, None, allowed, file=str(path))])


def may_replace(path: Path) -> bool:
    """Whether nothing is lost if a file of ours takes this place: nothing is there, or it carries our mark."""
    if not path.exists() or not path.stat().st_size:
        return True
    try:
        with open(path, "rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as read:
            return read.find(MARK.encode("ascii")) >= 0
    except OSError:  # what cannot be read is not ours
        return False


@contextmanager
def whole_folder(path: str | Path, argument: str = "path") -> Iterator[Path]:
    """A folder whose files appear only when all of them are complete.

    Yields a temporary neighbour to write to. When the block ends well its files go to `path`, which is made if it is
    not there; files of other names that lie there are left alone. When the block is left by an error or by Ctrl-C
    nothing has changed. What a run that was killed has left behind, the next one clears away.

    >>> with tempfile.TemporaryDirectory() as place:
    ...     with whole_folder(place + "/out") as half:
    ...         _ = (half / "a.txt").write_text("all of it")
    ...     sorted(each.name for each in (Path(place) / "out").iterdir())
    ['a.txt']
    """
    target = Path(path).resolve()
    check_folder(path, argument)
    with _half_folder(target, path, argument) as half:
        yield half
        files = sorted(half.iterdir())
        blocked = [file.name for file in files if (target / file.name).is_dir()]
        if blocked:
            allowed = "a folder without a folder of this name in it"
            raise InputError([Fault.of(argument, blocked[0], allowed, file=str(path))])
        if target.exists():
            for file in files:
                os.replace(file, target / file.name)
        else:
            os.rename(half, target)  # in one stroke: nobody sees a folder with some of its files


HALF = ".simkit-half"  # ending of the name of a folder that is still being written


@contextmanager
def _half_folder(target: Path, path: str | Path, argument: str) -> Iterator[Path]:
    """A hidden folder beside the target, held by this process, gone at the end; InputError where it cannot be written.

    path, argument: the target as it was given, for the message.
    """

    def unwritable(error: OSError) -> InputError:
        allowed = f"a place that can be written ({error.strerror})"
        return InputError([Fault.of(argument, None, allowed, file=str(path))])

    try:
        half, held = _held_folder(target)
    except OSError as error:
        raise unwritable(error) from error
    try:
        yield half
    except OSError as error:
        # An error about another file is not ours to explain.
        if error.filename is not None and half not in (named := Path(error.filename), *named.parents):
            raise
        raise unwritable(error) from error
    finally:
        shutil.rmtree(half, ignore_errors=True)
        os.close(held)


def clear_halves(place: Path) -> None:
    """Clears away, of one folder, what runs that were killed have left half written there."""
    for other in place.glob(f".*{HALF}"):
        # Not to be waited for: what another run holds is being written.
        handle = _hold(other, wait=False) if other.is_dir() and not other.is_symlink() else None
        if handle is not None:
            shutil.rmtree(other, ignore_errors=True)
            os.close(handle)


def _held_folder(target: Path) -> tuple[Path, int]:
    """A new hidden folder beside the target, and the handle by which this process holds it.

    The system lets go of it when the process ends, however it ends, and so a half folder that nobody holds is one
    that a killed run has left behind: those beside the target go first.
    """
    clear_halves(target.parent)
    while True:
        # A name may be 255 bytes long: 40 letters of the target's leave room for the rest.
        half = Path(tempfile.mkdtemp(prefix=f".{target.name[:40]}.", suffix=HALF, dir=target.parent))
        handle = _hold(half, wait=True)
        # Between the two lines above another run may have taken it for one left behind.
        if handle is not None:
            half.chmod(0o777 & ~_mask())  # mkdtemp's folders are for their owner alone
            return half, handle


def _hold(folder: Path, wait: bool) -> int | None:
    """A handle that holds a folder, to be closed; None if another process holds it or it is gone.

    Where the place knows no locks, a network's disk say, a folder is made without one and none is cleared away.
    """
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return None
    try:
        lock(handle, wait)
        locked = True
    except OSError:
        locked = False
    # Locked but no longer the one under that name: another run has cleared it away and perhaps made it anew.
    if (locked or wait) and _stands(folder, handle):
        return handle
    os.close(handle)
    return None


def _stands(folder: Path, handle: int) -> bool:
    """Whether the folder is still there, and the one that is held."""
    try:
        return os.path.samestat(os.fstat(handle), folder.lstat())
    except OSError:  # gone since it was opened
        return False


def check_folder(path: str | Path, argument: str = "path") -> None:
    """Refuse, before any work is done, a place where no folder can be put."""
    _check_link(path, argument)
    target = Path(path).resolve()
    if target.exists() and not target.is_dir():
        raise InputError([Fault.of(argument, None, "a folder, not a file", file=str(path))])
    place = target if target.exists() else target.parent
    if not place.is_dir():
        raise InputError([Fault.of(argument, None, "a folder, new or old, in a folder that exists", file=str(path))])
    # The half-written folder lies beside the target, so the folder around it must be writable too.
    if not os.access(place, os.W_OK) or not os.access(target.parent, os.W_OK):
        raise InputError(
            [Fault.of(argument, None, "a folder that can be written, in one that can be written", file=str(path))]
        )


def _mask() -> int:
    """The process's mask of permissions, which can only be read by setting it."""
    mask = os.umask(0)
    os.umask(mask)
    return mask
