"""Response of the air: `simkit field` in space, `simkit admittance` over frequency."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

from simkit.cli.options import AsJson, Design, Lossless, Mesh, Plot, Still, flag, in_state, option, several
from simkit.cli.outputs import check_picture, print_json, tell
from simkit.errors import Fault, InputError
from simkit.sound.catalogue import in_help
from simkit.waiting import Waiting

Note = Annotated[str | None, option("PITCH", "A note of the design; else all holes covered.", show_default=False)]
Opened = Annotated[str | None, option("NAMES", "Instead of a note: holes that are open, with commas.", "--open")]
OneChamber = Annotated[str | None, option("NAME", "Of several chambers, which; else the first that has the note.")]


def field(
    file: Design,
    output: Annotated[Path, option("FILE", "The field to write: .vtu.", "-o", show_default=False)],
    note: Note = None,
    opened: Opened = None,
    chamber: OneChamber = None,
    # closed, 0 would be even pressure at 0 Hz
    mode: Annotated[int, option("N", "0 for the note, 1 for the resonance next above, ...")] = 0,
    closed: Annotated[bool, flag("--closed", "With every opening closed flush; --mode from 1.")] = False,
    model: Annotated[
        str, option("NAME", f"{in_help('fields')}: the air around the clay too, half a minute.")
    ] = "ports",
    still: Still = False,
    lossless: Lossless = False,
    mesh: Mesh = 1.0,
    as_json: AsJson = False,
    plot: Plot = None,
) -> None:
    """Write how the air swings in a note: pressure and velocity.

    A VTK file for ParaView or PyVista: real and imaginary part of each at every node, where the pressure is largest in
    the chamber 1 Pa. Says frequency, Q, and what flows through each opening; --plot draws the pressure where the piece
    is cut along its middle.
    """
    check_picture(plot)
    with Waiting("looking for the field"):
        import simkit
        from simkit.sound.answers.air_field import check_field

        check_field(output, "output")  # here too, before the air is meshed: it may take half a minute
        vessel = simkit.load(file)
        found = simkit.air_field(
            vessel,
            _meant(note, opened),
            mode=mode,
            model=model,
            closed=closed,
            chamber=chamber,
            lossless=lossless,
            state=in_state(still),
            mesh=mesh,
        )
        found.write(output)  # within the wait: a fine mesh takes a moment to write
        if plot:
            from simkit.show.look import page, save
            from simkit.show.plane import plane_panel

            save(page(plane_panel(vessel.title, found)), plot, "plot")
    if as_json:
        print_json({"state": in_state(still), **found.as_dict()})
    else:
        sys.stdout.write(f"{found}\n")
    tell(f"wrote {output}", 0)  # on standard error: standard output is the answer alone, perhaps for a program


def admittance(
    file: Design,
    note: Note = None,
    opened: Opened = None,
    chamber: OneChamber = None,
    # below the lowest note of any vessel that we start
    low_hz: Annotated[float, option("HZ", "The lowest frequency.", "--from")] = 100.0,
    high_hz: Annotated[float, option("HZ", "The highest.", "--to")] = 5000.0,
    # steps of 3 cents: no peak is missed
    count: Annotated[int, option("N", "At so many, evenly in pitch.")] = 2000,
    model: Annotated[str, option("NAME", f"{in_help()}.")] = "ports",
    still: Still = False,
    lossless: Lossless = False,
    mesh: Mesh = 1.0,
    as_json: AsJson = False,
    plot: Plot = None,
) -> None:
    """Say what the air answers at the window, at any frequency.

    The flow into the chamber for unit pressure that drives it there. The table has the peaks, where the jet finds most
    to drive; --json and --plot have every frequency.
    """
    check_picture(plot)
    if not 2 <= count <= MOST_POINTS:
        raise InputError([Fault.of("count", count, f"2 to {MOST_POINTS}")])
    if not 0 < high_hz <= HIGHEST:
        raise InputError([Fault.of("high_hz", high_hz, f"more than 0, at most {HIGHEST:g}")])
    if not 0 < low_hz < high_hz:
        raise InputError([Fault.of("low_hz", low_hz, f"more than 0, less than `high_hz`, {high_hz:g}")])
    with Waiting("driving the window"):
        import numpy as np

        import simkit
        from simkit.show.admittance_picture import admittance_panel, admittance_text
        from simkit.sound.answers.asked import meant

        vessel = simkit.load(file)
        hz = np.geomspace(low_hz, high_hz, count)  # evenly in pitch
        asked = _meant(note, opened)
        found = simkit.admittance(
            vessel, asked, hz, model=model, chamber=chamber, lossless=lossless, state=in_state(still), mesh=mesh
        )
        part, holes = meant(vessel, asked, chamber)  # which chamber was answered for, where only a note was named
        if plot:
            from simkit.show.look import page, save

            save(page(admittance_panel(vessel, holes, hz, found, in_state(still))), plot, "plot")
    if as_json:
        # complex numbers in two columns: JSON has none
        columns = {"frequencies_hz": hz, "admittance_re": found.real, "admittance_im": found.imag}
        listed = {name: column.tolist() for name, column in columns.items()}  # numpy's arrays are no JSON
        print_json({"state": in_state(still), "chambers": [{"name": part.name, "open": list(holes), **listed}]})
    else:
        sys.stdout.write(admittance_text(vessel, holes, hz, found, in_state(still)))


MOST_POINTS = 100_000  # frequencies: JSON of some megabytes
HIGHEST = 20_000.0  # Hz, as `simkit.admittance` takes it


def _meant(note: str | None, opened: str | None) -> str | list[str]:
    """A note, or the holes that are open in its place."""
    if note is not None and opened is not None:  # they may contradict each other
        raise InputError([Fault.of("note", note, "only without `opened`")])
    return note if note is not None else [name for name in several(opened) or () if name]  # an empty list: all covered
