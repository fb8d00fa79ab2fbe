"""Notes and resonances: `simkit predict`, `compare`, `chart` and `resonances`."""

from __future__ import annotations

import sys
from contextlib import suppress
from pathlib import Path
from typing import Annotated

from simkit.cli.options import AsJson, Blown, Design, Lossless, Mesh, Plot, Still, flag, in_state, option, several
from simkit.cli.outputs import check_picture, print_json, tell
from simkit.sound.catalogue import BUILT_IN, in_help
from simkit.waiting import Waiting

Model = Annotated[
    str, option("NAMES", f"One or several with commas: {', '.join(f'{m.name} ({m.says})' for m in BUILT_IN)}.")
]
Log = Annotated[Path | None, option("LOG", "As the piece came out by this log of simkit tune; FILE stays.", "--bench")]


def predict(
    file: Design,
    model: Model = "ports",
    still: Still = False,
    parts: Annotated[bool, flag("--parts", "Also what each part of playing moves each note.")] = False,
    log: Log = None,
    blown: Blown = None,
    lossless: Lossless = False,
    mesh: Mesh = 1.0,
    as_json: AsJson = False,
    plot: Plot = None,
) -> None:
    """Say what each note will play.

    Frequency, cents off its target, by how many cents that may be wrong, and Q (linear: as if barely blown); by
    ports also by how many cents hand-made error may move it.
    """
    check_picture(plot)
    with Waiting("predicting"):
        import simkit

        vessel = simkit.load(file)
        if log is not None:
            from simkit.tuning import as_benched

            vessel, to_know = as_benched(vessel, log)  # only in memory: the file stays the design
            for text in to_know:
                tell(f"{log}: {text}", 0)  # what the bench has only assumed
        prediction = simkit.predict(
            vessel, several(model) or (), lossless=lossless, state=in_state(still), blown=several(blown), mesh=mesh
        )
        hand = None
        # slopes are those of ports, whose table has the column
        if "ports" in prediction.models and any(note.pitch for note in prediction.notes):
            from simkit.optimisation.aims.handmade import hand_error
            from simkit.optimisation.problem.trial import Setting
            from simkit.vessel import DesignError

            with suppress(DesignError):  # a note that is silent is moved by no hand
                hand = hand_error(vessel, setting=Setting(lossless, in_state(still)))
        if plot:
            from simkit.show.look import save
            from simkit.show.plates import prediction_page

            save(prediction_page(vessel, prediction), plot, "plot")
    if as_json:
        answer = prediction.as_dict()  # hand error is no part of a prediction: it is asked of the optimiser's slopes
        for chamber in answer["chambers"] if hand else ():
            # a chamber without notes has its covered one, and no row of hand
            for note, cents in zip(chamber["notes"], hand.of(chamber["name"]) if hand else (), strict=False):
                note["hand_cents"] = cents
        print_json(answer)
    else:
        from simkit.show.as_text import prediction_text

        sys.stdout.write(prediction_text(vessel, prediction, hand, parts))


def compare(
    # no model: all are asked
    file: Design,
    still: Still = False,
    lossless: Lossless = False,
    as_json: AsJson = False,
    plot: Plot = None,
) -> None:
    """Set all models side by side, and say why they part.

    The judge among them, resolved, meshes all of the air: about half a minute, then some
    seconds a note.
    """
    check_picture(plot)
    with Waiting("comparing"):
        import simkit

        vessel = simkit.load(file)
        comparison = simkit.compare(vessel, lossless=lossless, state=in_state(still))
        if plot:
            from simkit.show.look import save
            from simkit.show.plates import prediction_page

            save(prediction_page(vessel, comparison.prediction), plot, "plot")
    if as_json:
        print_json(comparison.as_dict())
    else:
        from simkit.show.as_text import comparison_text

        sys.stdout.write(comparison_text(vessel, comparison))


def chart(
    file: Design,
    model: Annotated[str, option("NAME", f"{in_help('quick')}.")] = "ports",
    half: Annotated[bool, flag("--half", "Also with one of the open holes half covered.")] = False,
    still: Still = False,
    lossless: Lossless = False,
    as_json: AsJson = False,
    plot: Plot = None,
) -> None:
    """Say what every combination of holes plays.

    Ascending in pitch, with the nearest note, and how many other combinations play that note within 15 cents.
    """
    check_picture(plot)
    with Waiting("trying every combination of holes"):
        import simkit

        vessel = simkit.load(file)
        # 65,536 of sixteen holes still come in a second
        charted = simkit.chart(vessel, model, lossless=lossless, state=in_state(still), half=half)
        if plot:
            from simkit.show.look import page, save
            from simkit.show.plates import chart_panels

            save(page(*chart_panels(vessel, charted)), plot, "plot")
    if as_json:
        print_json(charted.as_dict())
    else:
        from simkit.show.as_text import chart_text

        sys.stdout.write(chart_text(vessel, charted))


def resonances(
    file: Design,
    closed: Annotated[bool, flag("--closed", "With every opening closed flush with the wall.")] = False,
    opened: Annotated[str, option("NAMES", "Holes that are open, with commas, or all.", "--open")] = "",
    count: Annotated[int, option("N", "How many above the note.")] = 6,
    model: Annotated[str, option("NAME", f"{in_help()}, unless all is closed.")] = "ports",
    still: Still = False,
    lossless: Lossless = False,
    mesh: Mesh = 1.0,
    as_json: AsJson = False,
    plot: Plot = None,
) -> None:
    """Say how the chamber rings: its note, and the resonances above.

    Of each the frequency and by how many cents it may be wrong, the shape's own wave number, Q, and how strongly the
    window drives it, the note being 100 % (closed: the uniform pressure); the picture shows the higher ones' pressure.
    """
    check_picture(plot)
    with Waiting("looking for resonances"):
        import simkit

        vessel = simkit.load(file)
        names = [name for name in several(opened) or () if name]  # --open "" is all covered
        if names == ["all"]:  # of every chamber
            names = [hole.name for chamber in vessel.chambers for hole in chamber.holes]
        ringing = simkit.resonances(
            vessel, count, model=model, closed=closed, opened=names, lossless=lossless, state=in_state(still), mesh=mesh
        )
        if plot:
            from simkit.show.look import page, save
            from simkit.show.plates import ringing_panels

            save(page(*ringing_panels(vessel, ringing)), plot, "plot")
    if as_json:
        print_json(ringing.as_dict())
    else:
        from simkit.show.as_text import ringing_text

        sys.stdout.write(ringing_text(vessel, ringing))
