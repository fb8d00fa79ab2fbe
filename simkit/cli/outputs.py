"""Output of answers: standard output, standard error, files that can be written."""

from __future__ import annotations

import sys
from pathlib import Path

from simkit.errors import Fault, InputError
from simkit.files import check_output

INTERRUPTED = 130  # the shell's exit status after Ctrl-C: 128 + SIGINT


def tell(message: str, status: int) -> int:
    """Write a message to standard error; return the exit status."""
    sys.stderr.write(legible(message.rstrip()) + "\n")  # a title or a file's name may hold anything
    return status


def legible(text: str) -> str:
    """A text in which no sign can command a terminal: all but line ends are escaped, ESC as \\x1b."""
    # repr has the escape, within quotation marks.
    return "".join(sign if sign.isprintable() or sign == "\n" else repr(sign)[1:-1] for sign in text)


def print_json(answer: object) -> None:
    """Write one JSON object to standard output."""
    import json  # here, as everywhere in this room: what a command does not use it does not load

    # nan is no JSON: better an error of ours than one at the reader's
    sys.stdout.write(json.dumps(answer, ensure_ascii=False, allow_nan=False, indent=2) + "\n")


def check_picture(plot: Path | None) -> None:
    """Refuse a picture that cannot be written, before any work is done."""
    if plot is not None:
        from simkit.show.look import check_format  # matplotlib, which only a picture needs

        check_format(plot, "plot")
        check_output(plot, "plot")


def check_sound(sound: Path | None) -> None:
    """Refuse a sound file that cannot be written, before any work is done."""
    if sound is not None:
        if sound.suffix.lower() != ".wav":
            raise InputError([Fault.of("sound", None, "a name that ends in .wav", file=str(sound))])
        check_output(sound, "sound")
