"""`simkit optimise`, and two aims weighed against each other."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from simkit.cli.options import AsJson, Design, Lossless, Plot, Still, flag, in_state, option, several
from simkit.cli.outputs import INTERRUPTED, check_picture, print_json, tell
from simkit.errors import Fault, InputError, OutOfReach
from simkit.files import check_new, whole
from simkit.waiting import Waiting

if TYPE_CHECKING:
    from simkit.optimisation import Outcome
    from simkit.vessel import Vessel


Output = Annotated[Path, option("NEW", "The design file to write.", "-o", show_default=False)]
Free = Annotated[
    str | None,
    option(
        "WHAT",
        "With commas: diameters, places, holes (both), voicing, windway, shape, size, offsets, inside, dotted "
        "keys; else what [free] says.",
        show_default=False,
    ),
]
Keep = Annotated[
    str | None, option("WHAT", "What stays all the same: holes by name, such as 5,6, groups, dotted keys.")
]
Pairs = Annotated[str | None, option("HOLES", "Holes that stay mirror images left and right, such as 1=4,2=3.")]
Starts = Annotated[int, option("N", "From so many starts, all but the first at random.")]
Seed = Annotated[int, option("N", "What the random starts are drawn from.", min=0)]
Fingerings = Annotated[str | None, option("WAY", "Choose the holes of each note too: linear, or few in combination.")]
Steady = Annotated[bool, flag("--steady", "Ask also for little harm by hand-made error.")]
EvenBreath = Annotated[bool, flag("--even-breath", "Ask also for an evenly rising breath.")]
Margin = Annotated[float | None, option("N", "Ask also for so much overblowing margin, such as 1.5.")]
ClayMm = Annotated[float, option("MM", "Least clay between two holes.")]
BoxMm = Annotated[str | None, option("L,W,H", "The most that the piece may measure along, across and up.")]
MassG = Annotated[float | None, option("G", "The most that the piece's fired clay may weigh.")]
Hand = Annotated[str | None, option("WHOSE", "For the hands of a man, woman or child, not those of the file.")]
Trade = Annotated[
    str | None,
    option(
        "ONE,OTHER", "Weigh two aims against each other: of in-tune, steady, even-breath, margin, small-holes, range."
    ),
]
Judge = Annotated[
    bool, flag("--judge", "Ask the air meshed as a whole, too, about three notes of each chamber: minutes.")
]
Overwrite = Annotated[bool, flag("--overwrite", "Let NEW take the place of a design.")]
KeepBest = Annotated[bool, flag("--keep-best", "On Ctrl-C write the best so far.")]


def optimise(
    file: Design,
    output: Output,
    free: Free = None,
    keep: Keep = None,
    pairs: Pairs = None,
    starts: Starts = 1,
    seed: Seed = 0,
    fingerings: Fingerings = None,
    steady: Steady = False,
    even_breath: EvenBreath = False,
    margin: Margin = None,
    clay_mm: ClayMm = 3.0,
    box_mm: BoxMm = None,
    mass_g: MassG = None,
    hand: Hand = None,
    trade: Trade = None,
    judge: Judge = False,
    overwrite: Overwrite = False,
    keep_best: KeepBest = False,
    still: Still = False,
    lossless: Lossless = False,
    as_json: AsJson = False,
    plot: Plot = None,
) -> None:
    """Move what is free until the notes are in tune.

    Writes the new design with the remarks of the old one. Before and after, what moved, which limits it stands at, and
    what 0.1 mm of each hole does to each note. Where the scale cannot be reached: which notes, what is in the way, and
    the best compromise, with exit status 1. With --trade a row of best designs from all for the one aim to all for the
    other, --plot its curve, and NEW is the one in the middle.
    """
    check_new(output, "output", overwrite)  # minutes of work are not to end in a refusal
    check_picture(plot)
    if trade is not None:
        _without_trade(
            steady=steady, even_breath=even_breath, margin=margin, fingerings=fingerings, keep=keep, pairs=pairs,
            # 1 is what is done without asking
            starts=starts if starts != 1 else None, judge=judge, keep_best=keep_best,
        )  # fmt: skip
    with Waiting("optimising"):
        import simkit
        from simkit.optimisation.asking import asked

        given, text, vessel = _loaded(file, hand)  # given: as in the file, by which the remarks are kept
        wanted = asked(
            steady=steady, even_breath=even_breath, margin=margin, clay_mm=clay_mm, box_mm=several(box_mm),
            mass_g=mass_g,
        )  # fmt: skip
        how: dict[str, Any] = {"lossless": lossless, "state": in_state(still)}
        if trade is not None:
            return _traded(text, given, vessel, output, trade, free, wanted["limits"], how, as_json, plot)
        outcome = simkit.optimise(
            vessel, several(free), keep=several(keep), pairs=_pairs(pairs), starts=starts, seed=seed,
            fingerings=fingerings, keep_best=keep_best, **wanted, **how,
        )  # fmt: skip
        _write(output, text, given, outcome.vessel)  # before the judge, who takes minutes and may be interrupted
        outcome = _judged(outcome, judge, plot)
    _answer(outcome, output, as_json)


def _loaded(file: Path, hand: str | None) -> tuple[Vessel, str, Vessel]:
    """The design of a file, its text, and the design for the hand that is asked for."""
    import simkit
    from simkit.optimisation import source_text
    from simkit.vessel.hands import handed

    given = simkit.load(file)
    text = source_text(given)  # as it is now: it may be edited before the answer comes
    return given, text, given if hand is None else handed(given, hand)


def _pairs(text: str | None) -> list[list[str]]:
    # "1=4,2=3": whether such holes exist is asked of the design
    return [[name.strip() for name in pair.split("=")] for pair in several(text) or ()]


def _write(output: Path, text: str, given: Vessel, found: Vessel) -> None:
    """The new design, with the remarks of the old one."""
    from simkit.optimisation import rewritten

    with whole(output, "output") as half:
        # newline="": line ends stay as the file has them.
        half.write_text(rewritten(text, given, found), encoding="utf-8", newline="")


def _judged(outcome: Outcome, judge: bool, plot: Path | None) -> Outcome:
    """The outcome with the judge's word on it, where that is asked for, and drawn."""
    if judge and not outcome.interrupted:  # who pressed Ctrl-C does not want to wait for minutes
        from simkit.optimisation import judged

        outcome = judged(outcome)
    if plot:
        from simkit.show.look import save
        from simkit.show.plates import prediction_page

        save(prediction_page(outcome.vessel, outcome.after), plot, "plot")
    return outcome


def _answer(outcome: Outcome, output: Path, as_json: bool) -> None:
    """Print the outcome, and raise what gives the exit status where it is not a plain success."""
    if as_json:
        print_json(outcome.as_dict())
    else:
        from simkit.show.optimised import optimised_text

        sys.stdout.write(optimised_text(outcome))
    if outcome.interrupted:
        tell(f"the best so far is in {output}", 0)
        raise typer.Exit(INTERRUPTED)  # a script can tell an answer that was cut short
    if not outcome.reached:
        first, _, _ = outcome.verdict.partition("\n")  # all of it is in the answer already
        raise OutOfReach(f"not reached: {first}; the best compromise is in {output}")
    tell(f"wrote {output}", 0)


def _without_trade(**given: Any) -> None:
    """Refuse options that do not apply to a curve of two aims."""
    for name, value in given.items():
        if value is not None and value is not False:
            raise InputError([Fault.of(name, None if value is True else value, "only without `trade`")])


def _traded(text: str, given: Vessel, vessel: Vessel, output: Path, trade: str, free: str | None, limits: Any,
            how: dict[str, Any], as_json: bool, plot: Path | None) -> None:  # fmt: skip
    """Two aims against each other: prints and draws the curve, writes the design in its middle."""
    from simkit.optimisation import trade_off
    from simkit.optimisation.asking import always_wanted, traded
    from simkit.show.look import page, save
    from simkit.show.optimised import trade_off_text
    from simkit.show.plates import trade_off_panel

    one, other = traded(several(trade) or ())  # refused before the search, which takes minutes
    # always: in tune, or an even scale where its range is weighed
    curve = trade_off(vessel, several(free), one, other, always=always_wanted(one, other), limits=limits, **how)
    _write(output, text, given, curve.middle.vessel)
    if plot:
        save(page(trade_off_panel(vessel.title or output.stem, curve)), plot, "plot")
    if as_json:
        print_json({"state": how["state"], **curve.as_dict()})
    else:
        sys.stdout.write(trade_off_text(vessel, curve))
    tell(f"wrote {output}, the design in the middle", 0)
