"""At the bench: `simkit sheets` and `simkit tune`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

from simkit.cli.options import AsJson, Design, flag, in_state, option
from simkit.cli.outputs import print_json
from simkit.errors import Fault, InputError
from simkit.waiting import Waiting

DrillsHad = Annotated[str | None, option("SIZES", "The drills you have, mm or inches: 3,3.5,1/8,0.2in.", "--drills")]


def sheets(
    file: Design,
    folder: Annotated[Path, option("DIR", "The folder to write into.", "-o", show_default=False)],
    reamer: Annotated[
        list[str] | None, option("TIP,WIDE,LENGTH", "A tapered reamer: its two diameters and its length, mm.")
    ] = None,
    bar: Annotated[
        str | None, option("WET,DRY,FIRED", "Your own test bar between its marks, mm, or WET,FIRED.")
    ] = None,
    seam: Annotated[str, option("WAY", "Where the shell parts: up, across or along, or such as up=2.")] = "up",
    drills: DrillsHad = None,
    cut_at: Annotated[str, option("STAGE", "wet, leather-hard or bone dry.")] = "leather-hard",
    temperature_c: Annotated[float | None, option("T", "On the bench today.")] = None,
    still: Annotated[bool, flag("--still", "Readings of the piece by itself: a loudspeaker at its window.")] = False,
    as_json: AsJson = False,
) -> None:
    """Write what the bench needs: sheets at 1:1 and solids, all for clay that still shrinks.

    Wet sizes, what each note must read at each stage, cards to carve by, strips that place the holes, sticks for the
    voicing, drills and reamer marks (PDF and SVG); the inside form and the shell in two halves (STL, STEP).
    """
    from simkit.vessel.seams import seam_words

    seam_words(seam)  # refused before anything that takes its time is loaded
    from simkit.show.printed import check_sheets

    # a file of somebody else's under one of our names is found before minutes of drawing
    check_sheets(folder, "folder")
    with Waiting("drawing the sheets"):
        import simkit
        from simkit.making import Bar, Reamer, at_temperature, own_drills, stage, with_first_blow, work_of
        from simkit.making import seam as seam_of
        from simkit.show.printed import make
        from simkit.tuning import before_holes, still_over_played

        # what can be wrong in the options, before the design is read
        parted, reamers, when = seam_of(seam), [Reamer.read(text) for text in reamer or []], stage(cut_at)
        shrinkage = Bar.read(bar).shrinkage() if bar else None
        had = () if drills is None else own_drills(drills)  # none named: a set in halves of a millimetre
        vessel = simkit.load(file)
        work = work_of(
            vessel,
            shrinkage=shrinkage,
            cut_at=when,
            reamers=reamers,
            drills=had,
            today=None if temperature_c is None else at_temperature(vessel, temperature_c),
            # takes a solve of every chamber, and is asked for rarely
            still=still_over_played(vessel) if still else None,
        )
        files = make(with_first_blow(work, before_holes(vessel, work.shrinkage)), folder, parted)
    if as_json:
        print_json(files.as_dict(folder))
    else:
        from simkit.show.printed import sheets_text

        sys.stdout.write(sheets_text(files, folder))  # only after all files are in place


Heard = Annotated[
    list[str] | None,
    option("NOTE=HZ", "A note blown; holes for a name, how open they are too: 1+2:0.5=530. Repeat it."),
]
Records = Annotated[
    list[str] | None,
    option("WAV", "Steady notes apart by silence; with names where in doubt: C5,D5=take.wav.", "--record"),
]
Cut = Annotated[
    list[str] | None, option("HOLE=MM", "How wide a hole is now; else the last cut asked for is taken as done.")
]
Stage = Annotated[str | None, option("STAGE", "wet, leather-hard, bone dry or fired; else as last time.")]
TemperatureC = Annotated[float | None, option("T", "Of the air today.")]
VolumeMl = Annotated[float | None, option("ML", "The chamber's air as it is now, weighed as water or fine sand.")]
WallMm = Annotated[float | None, option("MM", "The wall as it is now, by calliper.")]
BarOption = Annotated[str | None, option("WET,DRY,FIRED", "Your own test bar between its marks, mm.")]
ReamerOption = Annotated[str | None, option("TIP,WIDE,LENGTH", "A tapered reamer, mm: says how deep it goes.")]
Pitch = Annotated[str, option("WAY", "own: notes match the covered note as it came out; or written.")]
Filled = Annotated[list[str] | None, option("HOLE", "A hole that was filled up again; then --cut it anew.")]
WindowChanged = Annotated[
    bool, flag("--window-changed", "The window was cut or filled since: find out anew what it is.")
]
Sure = Annotated[bool, flag("--sure", "Every --cut is as told, however unlikely: it was measured twice.")]
Chamber = Annotated[str | None, option("NAME", "Which, where several are blown.")]
Undo = Annotated[bool, flag("--undo", "Withdraw the last step of the log first.")]


def tune(
    file: Design,
    heard: Heard = None,
    records: Records = None,
    cut: Cut = None,
    stage: Stage = None,
    temperature_c: TemperatureC = None,
    volume_ml: VolumeMl = None,
    wall_mm: WallMm = None,
    bar: BarOption = None,
    reamer: ReamerOption = None,
    drills: DrillsHad = None,
    pitch: Pitch = "own",
    filled: Filled = None,
    window_changed: WindowChanged = False,
    sure: Sure = False,
    chamber: Chamber = None,
    undo: Undo = False,
    still: Annotated[bool, flag("--still", "Today's notes were not blown but read of the piece by itself.")] = False,
    as_json: AsJson = False,
) -> None:
    """Say the next cut, from what was blown so far.

    Calibrates window, wall and shrinkage on the notes heard, and stops short by what they leave open. Keeps a log
    beside the design, FILE.bench.jsonl; the design itself is not changed.
    """
    if pitch not in ("own", "written"):
        raise InputError([Fault.of("pitch", pitch, "own, written")])
    with Waiting("tuning"):
        import simkit
        from simkit.making import Reamer, own_drills
        from simkit.making import stage as stage_of
        from simkit.making.bench.log import log_path

        vessel = simkit.load(file)
        tuned = simkit.tune(
            vessel,
            log=log_path(file),  # beside the design: both are moved together, and no option can mix two pieces up
            chamber=chamber,
            stage=stage_of(stage, "stage") if stage else None,  # else as in the log
            temperature_c=temperature_c,
            heard=heard or (),  # typer gives None for an option that was not given
            cut=cut or (),
            records=records or (),
            volume_ml=volume_ml,
            wall_mm=wall_mm,
            bar=bar,
            filled=filled or (),
            window_changed=window_changed,
            sure=sure,
            reamer=Reamer.read(reamer) if reamer else None,
            drills=() if drills is None else own_drills(drills),
            own_pitch=pitch == "own",
            undo=undo,
            state=in_state(still),
        )
    if as_json:
        print_json(tuned.as_dict())
    else:
        from simkit.show.tuned import tuned_text

        sys.stdout.write(tuned_text(tuned))
