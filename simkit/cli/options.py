"""Arguments and options that several commands share, each spelt and explained once."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

Design = Annotated[Path, typer.Argument(metavar="FILE", help="A design file (TOML).", show_default=False)]
AsJson = Annotated[bool, typer.Option("--json", help="Print one JSON object instead of tables.")]
Plot = Annotated[
    Path | None, typer.Option("--plot", metavar="PICTURE", help="Also draw a picture: .png, .svg or .pdf.")
]
Blown = Annotated[
    str | None,
    typer.Option(
        metavar="NAMES",
        help="Only these chambers; several with commas, or all, blown together: every chord too.",
        show_default=False,
    ),
]
Lossless = Annotated[bool, typer.Option("--lossless", help="Leave out viscous and thermal loss; radiation stays.")]
Mesh = Annotated[
    float, typer.Option("--mesh", metavar="TIMES", help="Size of the meshes' cells over the standard, 0.3 to 3.")
]
Still = Annotated[
    bool, typer.Option("--still", help="Of the piece by itself: windway shut, the room's air, nobody near.")
]


def in_state(still: bool) -> str:
    """The state that is asked about, as `simkit.predict` takes it."""
    return "still" if still else "played"  # as played where nothing is said: that is what a maker hears


def several(text: str | None) -> list[str] | None:
    """The words of an option, between commas; None where it is not given."""
    from simkit.vessel.spelling import words  # here: the help needs no vessel, which takes long to load

    return None if text is None else words(text)
