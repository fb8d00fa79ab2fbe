"""Arguments and options that several commands share, each spelt and explained once."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer


def option(metavar: str, help: str, *names: str, **more: Any) -> Any:  # noqa: A002 typer's word
    """An option with a value: what that is called in help, and what help says; its name, where that is another."""
    return typer.Option(*names, metavar=metavar, help=help, **more)


def flag(name: str, help: str) -> Any:  # noqa: A002 typer's word
    """An option without a value; named, or typer would add a --no-... to it."""
    return typer.Option(name, help=help)


Design = Annotated[Path, typer.Argument(metavar="FILE", help="A design file (TOML).", show_default=False)]
AsJson = Annotated[bool, flag("--json", "Print one JSON object instead of tables.")]
Plot = Annotated[Path | None, option("PICTURE", "Also draw a picture: .png, .svg or .pdf.", "--plot")]
Blown = Annotated[
    str | None,
    option(
        "NAMES",
        "Only these chambers; several with commas, or all, blown together: every chord too.",
        show_default=False,
    ),
]
Lossless = Annotated[bool, flag("--lossless", "Leave out viscous and thermal loss; radiation stays.")]
Mesh = Annotated[float, option("TIMES", "Size of the meshes' cells over the standard, 0.3 to 3.", "--mesh")]
Still = Annotated[bool, flag("--still", "Of the piece by itself: windway shut, the room's air, nobody near.")]


def in_state(still: bool) -> str:
    """The state that is asked about, as `simkit.predict` takes it."""
    return "still" if still else "played"  # as played where nothing is said: that is what a maker hears


def several(text: str | None) -> list[str] | None:
    """The words of an option, between commas; None where it is not given."""
    from simkit.vessel.spelling import words  # here: the help needs no vessel, which takes long to load

    return None if text is None else words(text)
