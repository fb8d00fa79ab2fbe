"""Blowing: `simkit blow`, its sound, and the jet fitted to readings."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

from simkit.cli.options import AsJson, Blown, Design, Lossless, Plot, Still, in_state, option, several
from simkit.cli.outputs import check_picture, check_sound, print_json, tell
from simkit.errors import Fault, InputError, OutOfReach
from simkit.files import whole
from simkit.sound.catalogue import in_help
from simkit.waiting import Waiting


def blow(
    file: Design,
    model: Annotated[str, option("NAME", f"{in_help('motion')}.")] = "ports",
    still: Still = False,
    blown: Blown = None,
    lossless: Lossless = False,
    as_json: AsJson = False,
    plot: Plot = None,
    sound: Annotated[
        Path | None, option("FILE", "Also write the notes as sound: .wav (a second each; takes some 10 s).", "--sound")
    ] = None,
    fit: Annotated[
        Path | None, option("READINGS", "Instead fit [jet] to pressures and pitches read at the bench.", "--fit")
    ] = None,
) -> None:
    """Say how hard to blow each note, and when it jumps.

    Breath, pitch, bend and onset, the margin to overblowing, and what may help. Pa are uncertain, ratios surer, until
    --fit has found the constants of the jet: READINGS is a file of tables [[reading]], each with note (or open),
    pressure_pa and frequency_hz; two notes at three breaths each will do. It prints the table [jet] for the design.
    """
    check_picture(plot)
    check_sound(sound)  # like the picture: ten seconds before it is written
    if fit is not None:
        if plot or sound:
            raise InputError([Fault.of("fit", str(fit), "without `plot` and `sound`")])  # a fit has neither
        return _fit(file, fit, model, as_json)
    with Waiting("blowing"):
        import simkit

        vessel = simkit.load(file)
        table = simkit.blow(vessel, model, lossless=lossless, state=in_state(still), blown=several(blown))
        audible = True  # nobody asked for sound: nothing is missing
        squeals: tuple[str, ...] = ()
        if sound:
            from simkit.sound.blowing.listen import scale

            wav, squeals = scale(table)
            audible = write_sound(wav, sound)
        if plot:
            from simkit.show.look import save
            from simkit.show.plates import blow_page

            save(blow_page(vessel, table), plot, "plot")
    if as_json:
        print_json(table.as_dict())
    else:
        from simkit.show.as_text import blow_text

        sys.stdout.write(blow_text(vessel, table))
    for squeal in squeals:  # after the table, in which they are not
        tell(f"{sound}: {squeal}", 0)
    if not audible:
        raise OutOfReach(f"{sound} was not written: no note speaks")  # a silent file would be taken for one that failed


def _fit(file: Path, readings: Path, model: str, as_json: bool) -> None:
    """Print the table [jet] that fits what was read at the bench."""
    with Waiting("fitting the jet"):
        import simkit
        from simkit.sound.blowing.jet_readings import Readings, fitted

        vessel = simkit.load(file)
        found = fitted(vessel, Readings.load(readings), model)
    if as_json:
        print_json(found.as_dict())
    else:
        sys.stdout.write(str(found))


def write_sound(wav: bytes | None, sound: Path) -> bool:
    """Write the sound; False where no note speaks."""
    if wav is None:
        return False
    with whole(sound, "sound") as half:
        half.write_bytes(wav)
    return True
