"""What the command `simkit` runs: the door, opened so that Ctrl-C is quiet from the first moment on."""

from __future__ import annotations

import sys

TYPE_CHECKING = False  # that of typing, which takes a moment to load
if TYPE_CHECKING:
    from typing import NoReturn


def main() -> NoReturn:
    """Run the command line; interrupted while the door itself still loads, say so and nothing more."""
    try:
        from simkit.cli import run

        status = run(sys.argv[1:])
    except KeyboardInterrupt:
        sys.stderr.write("simkit: interrupted\n")
        status = 130
    sys.exit(status)


if __name__ == "__main__":
    main()
