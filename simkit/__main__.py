"""Entry of the command `simkit`: the door, opened so that Ctrl-C is quiet from the first moment on."""

from __future__ import annotations

import gc
import os
import signal
import sys
import threading

TYPE_CHECKING = False  # that of typing, which takes a moment to load
if TYPE_CHECKING:
    from types import FrameType
    from typing import NoReturn


def main() -> NoReturn:
    """Run the command line; interrupted while it still loads, say so and nothing more."""
    pressed: list[int] = []

    def interrupt(number: int, frame: FrameType | None) -> NoReturn:
        pressed.append(number)
        raise KeyboardInterrupt

    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:  # else somebody wants it otherwise, nohup say
        signal.signal(signal.SIGINT, interrupt)
    gc.set_threshold(20_000, 20, 20)  # what loads makes many objects and hardly a ring: to look every 700 takes long
    try:
        from simkit.cli import run

        status = run(sys.argv[1:])
    except KeyboardInterrupt:
        status = _interrupted()
    except Exception:
        # What Ctrl-C breaks off in a library that loads comes out under other names too: Python makes a RuntimeError
        # of it where a class is being made, pydantic an error of its schema.
        if not pressed:
            raise
        status = _interrupted()
    gc.freeze()  # all goes with the process: not to be looked through for rings on the way out, a tenth of a second
    # Named as `field.fem.factor` does, which is heavy to load: a factor that nobody wants any more would be waited for.
    if any(thread.name == "factoring" for thread in threading.enumerate()):
        for stream in (sys.stdout, sys.stderr):
            stream.flush()
        os._exit(status)
    sys.exit(status)


def _interrupted() -> int:
    sys.stderr.write("simkit: interrupted\n")
    return 130  # 128 + SIGINT, as a shell reports it


if __name__ == "__main__":
    main()
