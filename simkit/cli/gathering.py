"""Many answers at once: `simkit report` on a page, `simkit sweep` in a database."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Annotated
from urllib.parse import quote

import typer

from simkit.cli.options import AsJson, Design, Still, flag, in_state, option
from simkit.cli.outputs import INTERRUPTED, legible, print_json, tell
from simkit.errors import Fault, InputError, OutOfReach
from simkit.files import check_folder, check_output, whole
from simkit.waiting import Waiting


def report(
    file: Design,
    output: Annotated[Path, option("PAGE", "The page to write: .html.", "-o", show_default=False)],
    judge: Annotated[  # the only part of a page that takes minutes
        bool, flag("--judge", "Ask the air meshed as a whole, too: half a minute, then seconds a note.")
    ] = False,
    sheets: Annotated[Path | None, option("DIR", "A folder of sheets to link to.", show_default=False)] = None,
    still: Still = False,
) -> None:
    """Write one page with all of it.

    What it plays and how it blows, in tables and pictures, every combination, what a slip of the hand does, why to
    believe it; and the piece to play: tap its holes, slide their widths, the air, the breath. The page is one file,
    opens from disk without a network, and prints.
    """
    if output.suffix.lower() not in (".html", ".htm"):  # a browser goes by the name's end
        raise InputError([Fault.of("output", None, "a name that ends in .html", file=str(output))])
    check_output(output, "output")
    if sheets is not None and not sheets.is_dir():  # a link that leads nowhere is seen too late
        raise InputError([Fault.of("sheets", None, "a folder that simkit sheets has written", file=str(sheets))])
    with Waiting("writing the page"):
        import simkit
        from simkit.show.report import report as page_of

        # As the page's browser sees it.
        # relative, so that page and sheets can be moved together
        link = None if sheets is None else quote(f"./{Path(os.path.relpath(sheets, output.parent)).as_posix()}")
        text = page_of(simkit.load(file), judge=judge, sheets=link, state=in_state(still))
    with whole(output, "output") as half:
        half.write_text(text, encoding="utf-8")
    tell(f"wrote {output}", 0)


def sweep(
    cases: Annotated[Path, typer.Argument(metavar="CASES", help="A file of cases (TOML).", show_default=False)],
    folder: Annotated[Path, option("DIR", "The folder of the results.", "-o", show_default=False)],
    workers: Annotated[int | None, option("N", "So many processes; else one a core.", show_default=False)] = None,
    scheduler: Annotated[
        str | None, option("ADDRESS", "Use the workers of a Dask scheduler instead.", show_default=False)
    ] = None,
    # else a failure is an answer too, and not computed again
    retry: Annotated[bool, flag("--retry", "Compute cases that failed once more.")] = False,
    as_json: AsJson = False,
) -> None:
    """Compute many designs, and keep every answer.

    CASES says which designs, what varies in them and what to compute. Each answer is a row of DIR/results.sqlite as
    it comes. Interrupted, the same command goes on where it stopped.

    \b
    base = "dove.toml"                       # or a list of designs
    compute = ["predict", "resonances"]      # chart, blow, optimise too
    [[variation]]                            # its keys go together, row by row
    name = "size"
    "body.length_mm" = [80, 90, 100]
    "body.width_mm" = { from = 50, to = 60, count = 3 }
    [[variation]]                            # variations combine, each with each
    name = "makers"
    draws = 200
    seed = 7
    "clay.wall_mm" = { low = 4, high = 6 }
    "body.hole.1.diameter_mm" = { mean = 6, sd = 0.1 }
    [[variation]]
    name = "jars"
    table = "jars.csv"                       # dotted keys on top, a row a line
    [predict]                                # options as the command has them
    model = "lumped,ports"
    """
    check_folder(folder, "folder")  # before the cases are read, which may be thousands
    with Waiting("reading the cases"):
        import simkit

        try:
            swept = simkit.sweep(cases, folder, workers=workers, scheduler=scheduler, retry=retry)
        except KeyboardInterrupt:
            # each answer was stored as it came
            tell("what is stored is kept; the same command goes on from there", INTERRUPTED)
            raise
    if as_json:
        print_json(swept.as_dict())
    else:
        sys.stdout.write(legible(str(swept)))  # names of cases are the user's, errors may be of any package
    if swept.failed:
        # the answers that came are there all the same
        raise OutOfReach(f"{swept.failed} of {swept.cases} cases failed")
