"""The page to work on: `simkit open`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from simkit.cli.options import flag, option
from simkit.cli.outputs import tell

Place = Annotated[
    Path | None,
    typer.Argument(metavar="[FILE]", help="A design file (TOML), or a folder of them; else the folder you are in."),
]


def open(  # noqa: A001 the command's word
    file: Place = None,
    # 0: two pages at once do not want the same
    port: Annotated[int, option("N", "Of the address; 0 is any that is free.")] = 0,
    no_browser: Annotated[bool, flag("--no-browser", "Only say the address.")] = False,
) -> None:
    """Work on designs in the browser: move a hole, and see and hear what it does.

    The page is served to this machine alone, from its own files, until Ctrl-C; nothing leaves the machine. It sees the
    designs of one folder, and saves only where you say so.
    """
    from simkit.page.serving import serve  # here: a web server, which no other command needs

    serve(file, port=port, say=print_address, browser=not no_browser)


def print_address(text: str) -> None:
    """Tell where the page is."""
    tell(text, 0)
