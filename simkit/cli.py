"""The door: `simkit COMMAND FILE`. Each command reads a design, asks one function and shows its answer.

Answers go to standard output, everything else to standard error. Exit status: 0 done, 1 could not reach what was
asked, 2 the input is wrong, 130 interrupted. What is heavy is imported inside the commands.
"""

from __future__ import annotations

import errno
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from simkit import __version__
from simkit.errors import Fault, InputError, OutOfReach, SimkitError
from simkit.files import check_folder, check_place, whole
from simkit.waiting import Waiting

if TYPE_CHECKING:
    from simkit.vessel import Vessel

INTERRUPTED = 130
LONGEST_MESSAGE = 1450  # characters; a broken file can have hundreds of faults

app = typer.Typer(
    epilog="Start with: simkit new -o dove.toml, then simkit predict dove.toml",
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)

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


def run(arguments: list[str]) -> int:
    """Runs one command line and returns its exit status; what can be expected to go wrong becomes one message."""
    # One thread a process: results do not depend on it, and many processes share the cores well.
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    try:
        status = app(arguments or ["--help"], prog_name="simkit", standalone_mode=False)
        sys.stdout.flush()
    except SimkitError as error:
        return _tell(_clipped(str(error)), error.exit_status)
    except typer.TyperException as error:
        return _tell(f"simkit: {_sentence(error.format_message())} See: {_command(arguments)} --help", 2)
    except BrokenPipeError:
        # The reader, `head` say, has seen enough. Python would complain again on closing standard output.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as error:
        if error.filename is not None or error.errno != errno.ENOSPC:
            raise
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return _tell(f"simkit: the answer could not be written ({error.strerror})", 1)
    if status == INTERRUPTED:  # typer has caught Ctrl-C
        return _tell("simkit: interrupted", INTERRUPTED)
    return status if isinstance(status, int) else 0


def _sentence(text: str) -> str:
    return text if text.endswith((".", "?")) else f"{text}."


def _command(arguments: list[str]) -> str:
    """The command that was meant, as far as it can be told: whose help to look at."""
    names = [command.name or getattr(command.callback, "__name__", "") for command in app.registered_commands]
    return " ".join(["simkit", *(name for name in arguments[:1] if name in names)])


def _tell(message: str, status: int) -> int:
    sys.stderr.write(message.rstrip() + "\n")
    return status


def _clipped(message: str) -> str:
    """As many lines as fit in one message, and how many more there are."""
    lines = [line if len(line) <= 400 else line[:396] + " ..." for line in message.splitlines()]
    told: list[str] = []
    while lines and sum(len(line) + 1 for line in told) + len(lines[0]) < LONGEST_MESSAGE - 30:
        told.append(lines.pop(0))
    return "\n".join([*told, *([f"and {len(lines)} more"] if lines else [])])


def _version(wanted: bool) -> None:
    if wanted:
        sys.stdout.write(f"simkit {__version__}\n")
        raise typer.Exit


@app.callback()
def _simkit(
    version: Annotated[
        bool, typer.Option("--version", help="Say which simkit this is.", callback=_version, is_eager=True)
    ] = False,
) -> None:
    """From a written design of a clay vessel flute to the notes it plays."""


@app.command(epilog='Example: simkit new --scale "C5 major" --holes 8 --shape egg --fingertip-mm 15 -o dove.toml')
def new(
    output: Annotated[Path, typer.Option("-o", metavar="FILE", help="The design file to write.", show_default=False)],
    shape: Annotated[
        str, typer.Option(metavar="NAME", help="sphere, ellipsoid, egg, lens, tube, box, sections or lobes.")
    ] = "egg",
    scale: Annotated[
        str | None, typer.Option(metavar="NAME", help='A scale from its lowest note, such as "C5 major".')
    ] = None,
    holes: Annotated[int | None, typer.Option(metavar="N", help="How many holes; with --scale, else 7.")] = None,
    notes: Annotated[
        int | None, typer.Option(metavar="N", help="How many notes; with --scale, else one more than the holes.")
    ] = None,
    fingertip_mm: Annotated[
        float | None, typer.Option(metavar="MM", help="Breadth of an index finger's tip; with --scale, else 17.")
    ] = None,
    hand: Annotated[
        str | None, typer.Option(metavar="WHOSE", help="In its place: a man's, a woman's or a child's hand.")
    ] = None,
    ends: Annotated[
        str | None,
        typer.Option("--range", metavar="NOTES", help='With --scale: from where to where, such as "G3 D6".'),
    ] = None,
    chambers: Annotated[
        int | None, typer.Option(metavar="N", help="With --range: divided over so many chambers, else 3.")
    ] = None,
    overlap: Annotated[
        int, typer.Option(metavar="N", help="With --range: notes at each crossing that both chambers play.")
    ] = 0,
    box_mm: Annotated[
        str | None, typer.Option(metavar="L,W,H", help="With --range: the most it may measure along, across and up.")
    ] = None,
    mass_g: Annotated[
        float | None, typer.Option(metavar="G", help="With --range: the most that its fired clay may weigh.")
    ] = None,
) -> None:
    """Write a design to start from.

    A small whistle of four holes, every key explained, with a sketch of what the words mean. With --scale the design
    is sized to the wish by the hand rule and then tuned; with --range as well it is divided over several chambers in
    one body, which takes some minutes.
    """
    from simkit.vessel.starter import starter

    if output.exists() and output.stat().st_size:
        raise InputError([Fault(str(output), "-o", None, "a file that is not there yet; this one is left as it is")])
    reached = True
    if hand is not None:
        from simkit.optimise.hands import people

        if fingertip_mm is not None:
            raise InputError([Fault("simkit new", "--hand", hand, "only without --fingertip-mm")])
        fingertip_mm = people(hand).index
    if scale is None:
        for option, value in (("--holes", holes), ("--notes", notes), ("--fingertip-mm", fingertip_mm)):
            if value is not None:
                raise InputError([Fault("simkit new", option, value, "only together with --scale")])
        _only_with(ends, chambers, overlap, box_mm, mass_g)
        text = starter(shape)
    elif ends is not None:
        check_place(output, "-o")
        text, reached, outcome = _divided(
            output, scale, ends, chambers or 3, overlap, fingertip_mm or 17.0, box_mm, mass_g
        )
    else:
        _only_with(ends, chambers, overlap, box_mm, mass_g)
        check_place(output, "-o")
        with Waiting("sizing and tuning"):
            from simkit.optimise.wish import Wish, wished

            wish = Wish(scale, 7 if holes is None else holes, shape, fingertip_mm or 17.0, notes)
            text, outcome = wished(wish)
            reached = outcome.reached
    with whole(output) as half:
        half.write_text(text, encoding="utf-8")
    if not reached:
        raise OutOfReach(f"the best compromise is in {output}\n{outcome.verdict}")
    _tell(f"wrote {output}; see what it plays with: simkit predict {output}", 0)


def _only_with(ends: str | None, chambers: int | None, overlap: int, box_mm: str | None, mass_g: float | None) -> None:
    """Refuses options of a divided range without one."""
    given = {"--range": ends, "--chambers": chambers, "--overlap": overlap or None, "--box-mm": box_mm}
    for option, value in (given | {"--mass-g": mass_g}).items():
        if value is not None:
            rule = "only together with --scale" if option == "--range" else "only together with --range"
            raise InputError([Fault("simkit new", option, value, rule)])


def _divided(output: Path, scale: str, ends: str, chambers: int, overlap: int, fingertip_mm: float,
             box_mm: str | None, mass_g: float | None) -> tuple[str, bool, Any]:  # fmt: skip
    """A range over several chambers: the file's text, whether all was reached, and how it came about.

    Ctrl-C leaves the best design so far in the file.
    """
    best: list[str] = []
    try:
        with Waiting("dividing the range"):
            from simkit.optimise.asking import asked
            from simkit.optimise.chambers import piece
            from simkit.optimise.dividing import Range

            box = asked(box_mm=box_mm)["limits"].box_mm
            made = piece(Range.read(scale, ends, chambers, overlap, fingertip_mm, box, mass_g), best.append)
    except KeyboardInterrupt:
        if best:
            with whole(output) as half:
                half.write_text(best[-1], encoding="utf-8")
            _tell(f"the best so far is in {output}", 0)
        raise
    along, across, up = made.box_mm
    _tell(f"{along:.0f} x {across:.0f} x {up:.0f} mm along, across and up; about {made.mass_g:.0f} g when fired", 0)
    return made.text, made.reached, made


@app.command(epilog="Example: simkit predict dove.toml --plot dove.png")
def predict(
    file: Design,
    model: Annotated[
        str,
        typer.Option(
            metavar="NAMES",
            help="One or several with commas: lumped, ports, resolved (the judge: half a minute a note).",
        ),
    ] = "ports",
    windway: Annotated[
        str, typer.Option(metavar="STATE", help="closed, or mouth for the pull of the breath's way.")
    ] = "closed",
    bench: Annotated[
        Path | None,
        typer.Option("--bench", metavar="LOG", help="As the piece came out by this log of simkit tune; FILE stays."),
    ] = None,
    blown: Blown = None,
    lossless: Lossless = False,
    as_json: AsJson = False,
    plot: Plot = None,
) -> None:
    """Say what each note will play.

    Frequency, cents off its target, by how many cents that may be wrong, and Q (linear: as if barely blown); by
    ports also by how many cents hand-made error may move it.
    """
    _check_picture(plot)
    with Waiting("predicting"):
        import simkit

        vessel = simkit.load(file)
        if bench is not None:
            from simkit.tuning import as_benched

            vessel, to_know = as_benched(vessel, bench)
            for text in to_know:
                _tell(f"{bench}: {text}", 0)
        prediction = simkit.predict(vessel, model, lossless=lossless, windway=windway, blown=blown)
        hand = None
        if "ports" in prediction.models and any(note.pitch for note in prediction.notes):
            from simkit.optimise.handmade import hand_error
            from simkit.optimise.trial import Setting

            hand = hand_error(vessel, setting=Setting(lossless, windway))
        if plot:
            from simkit.body import body_of
            from simkit.show.answers import prediction_page
            from simkit.show.look import save

            save(prediction_page(vessel, body_of(vessel), prediction), plot)
    if as_json:
        told = prediction.as_dict()
        for chamber in told["chambers"] if hand else ():
            for note, cents in zip(chamber["notes"], hand.of(chamber["name"]) if hand else (), strict=False):
                note["hand_cents"] = cents
        _print_json(told)
    else:
        from simkit.show.answers import prediction_text

        sys.stdout.write(prediction_text(vessel, prediction, hand))


@app.command(epilog="Example: simkit compare dove.toml")
def compare(
    file: Design,
    windway: Annotated[
        str, typer.Option(metavar="STATE", help="closed, or mouth for the pull of the breath's way.")
    ] = "closed",
    lossless: Lossless = False,
    as_json: AsJson = False,
    plot: Plot = None,
) -> None:
    """Set all models side by side, and say why they part.

    The judge among them, resolved, meshes all of the air: about half a minute a note.
    """
    _check_picture(plot)
    with Waiting("comparing"):
        import simkit

        vessel = simkit.load(file)
        comparison = simkit.compare(vessel, lossless=lossless, windway=windway)
        if plot:
            from simkit.body import body_of
            from simkit.show.answers import prediction_page
            from simkit.show.look import save

            save(prediction_page(vessel, body_of(vessel), comparison.prediction), plot)
    if as_json:
        _print_json(comparison.as_dict())
    else:
        from simkit.show.answers import comparison_text

        sys.stdout.write(comparison_text(vessel, comparison))


@app.command(epilog="Example: simkit chart pendant.toml --half --plot chart.png")
def chart(
    file: Design,
    model: Annotated[str, typer.Option(metavar="NAME", help="lumped or ports.")] = "ports",
    half: Annotated[bool, typer.Option("--half", help="Also with one of the open holes half covered.")] = False,
    windway: Annotated[
        str, typer.Option(metavar="STATE", help="closed, or mouth for the pull of the breath's way.")
    ] = "closed",
    lossless: Lossless = False,
    as_json: AsJson = False,
    plot: Plot = None,
) -> None:
    """Say what every combination of holes plays.

    Ascending in pitch, with the nearest note, and how many other combinations play that note within 15 cents.
    """
    _check_picture(plot)
    with Waiting("charting"):
        import simkit

        vessel = simkit.load(file)
        charted = simkit.chart(vessel, model, lossless=lossless, windway=windway, half=half)
        if plot:
            from simkit.show.answers import chart_page
            from simkit.show.look import save

            save(chart_page(vessel, charted), plot)
    if as_json:
        _print_json(charted.as_dict())
    else:
        from simkit.show.answers import chart_text

        sys.stdout.write(chart_text(vessel, charted))


@app.command(epilog="Example: simkit resonances dove.toml --closed --count 4 --plot modes.png")
def resonances(
    file: Design,
    closed: Annotated[bool, typer.Option("--closed", help="With every opening closed flush with the wall.")] = False,
    opened: Annotated[
        str, typer.Option("--open", metavar="NAMES", help="Holes that are open, with commas, or all.")
    ] = "",
    count: Annotated[int, typer.Option(metavar="N", help="How many, from the lowest.")] = 6,
    lossless: Lossless = False,
    as_json: AsJson = False,
    plot: Plot = None,
) -> None:
    """Say how the chamber rings above its note.

    Frequency, the shape's own wave number, and Q of the higher resonances; the picture shows their pressure.
    """
    _check_picture(plot)
    with Waiting("looking for resonances"):
        import simkit

        vessel = simkit.load(file)
        names = [name.strip() for name in opened.split(",") if name.strip()]
        if names == ["all"]:
            names = [hole.name for chamber in vessel.chambers for hole in chamber.holes]
        ringing = simkit.resonances(vessel, count, closed=closed, opened=names, lossless=lossless)
        if plot:
            from simkit.show.answers import ringing_page
            from simkit.show.look import save

            save(ringing_page(vessel, ringing), plot)
    if as_json:
        _print_json(ringing.as_dict())
    else:
        from simkit.show.answers import ringing_text

        sys.stdout.write(ringing_text(vessel, ringing))


@app.command(epilog="Example: simkit blow dove.toml --plot breath.png")
def blow(
    file: Design,
    model: Annotated[str, typer.Option(metavar="NAME", help="lumped or ports.")] = "ports",
    windway: Annotated[
        str, typer.Option(metavar="STATE", help="closed, or mouth for the pull of the breath's way.")
    ] = "closed",
    blown: Blown = None,
    lossless: Lossless = False,
    as_json: AsJson = False,
    plot: Plot = None,
    sound: Annotated[
        Path | None,
        typer.Option("--sound", metavar="FILE", help="Also write the notes as sound: .wav (takes some 10 s a note)."),
    ] = None,
    fit: Annotated[
        Path | None,
        typer.Option("--fit", metavar="READINGS", help="Instead fit [jet] to pressures and pitches read at the bench."),
    ] = None,
) -> None:
    """Say how hard to blow each note, and when it jumps.

    Breath, pitch, bend and onset, the margin to overblowing, and what may help. Pa are uncertain, ratios surer, until
    --fit has found the constants of the jet: READINGS is a file of tables [[reading]], each with note (or open),
    pressure_pa and frequency_hz; two notes at three breaths each will do. It prints the table [jet] for the design.
    """
    _check_picture(plot)
    _check_sound(sound)
    if fit is not None:
        if plot or sound:
            raise InputError([Fault("simkit blow", "--fit", str(fit), "without --plot and --sound")])
        return _fit(file, fit, model, as_json)
    with Waiting("blowing"):
        import simkit

        vessel = simkit.load(file)
        table = simkit.blow(vessel, model, lossless=lossless, windway=windway, blown=blown)
        heard = True
        squeals: tuple[str, ...] = ()
        if sound:
            from simkit.sound.blowing.listen import scale

            wav, squeals = scale(table)
            heard = _write_sound(wav, sound)
        if plot:
            from simkit.show.answers import blow_page
            from simkit.show.look import save

            save(blow_page(vessel, table), plot)
    if as_json:
        _print_json(table.as_dict())
    else:
        from simkit.show.answers import blow_text

        sys.stdout.write(blow_text(vessel, table))
    for squeal in squeals:
        _tell(f"{sound}: {squeal}", 0)
    if not heard:
        raise OutOfReach(f"{sound} was not written: no note speaks")


def _fit(file: Path, readings: Path, model: str, as_json: bool) -> None:
    """Prints the table [jet] that fits what was read at the bench."""
    with Waiting("fitting the jet"):
        import simkit
        from simkit.sound.blowing.readings import Readings, fitted

        vessel = simkit.load(file)
        found = fitted(vessel, Readings.load(readings), model)
    if as_json:
        _print_json(found.as_dict())
    else:
        sys.stdout.write(str(found))


def _check_sound(sound: Path | None) -> None:
    """Refuses a sound file that cannot be written, before any work is done."""
    if sound is not None:
        if sound.suffix.lower() != ".wav":
            raise InputError([Fault(str(sound), "--sound", None, "a name that ends in .wav")])
        check_place(sound, "--sound")


def _write_sound(wav: bytes | None, sound: Path) -> bool:
    """Writes what was heard; False where nothing was."""
    if wav is None:
        return False
    with whole(sound, "--sound") as half:
        half.write_bytes(wav)
    return True


@app.command(epilog="Example: simkit optimise dove.toml --free holes,size -o dove2.toml")
def optimise(
    file: Design,
    output: Annotated[Path, typer.Option("-o", metavar="NEW", help="The design file to write.", show_default=False)],
    free: Annotated[
        str | None,
        typer.Option(
            metavar="WHAT",
            help="With commas: diameters, places, holes (both), voicing, shape, size, or dotted keys; else [free].",
            show_default=False,
        ),
    ] = None,
    starts: Annotated[int, typer.Option(metavar="N", help="From so many starts, all but the first at random.")] = 1,
    seed: Annotated[int, typer.Option(metavar="N", help="What the random starts are drawn from.")] = 0,
    fingerings: Annotated[
        str | None,
        typer.Option(metavar="WAY", help="Choose the holes of each note too: linear, or few in combination."),
    ] = None,
    steady: Annotated[bool, typer.Option("--steady", help="Ask also for little harm by hand-made error.")] = False,
    even_breath: Annotated[bool, typer.Option("--even-breath", help="Ask also for an evenly rising breath.")] = False,
    margin: Annotated[
        float | None, typer.Option(metavar="N", help="Ask also for so much overblowing margin, such as 1.5.")
    ] = None,
    clay_mm: Annotated[float, typer.Option(metavar="MM", help="Least clay between two holes.")] = 3.0,
    box_mm: Annotated[
        str | None, typer.Option(metavar="L,W,H", help="The most that the piece may measure along, across and up.")
    ] = None,
    hand: Annotated[
        str | None, typer.Option(metavar="WHOSE", help="For the hands of a man, woman or child, not those of the file.")
    ] = None,
    trade: Annotated[
        str | None,
        typer.Option(
            metavar="ONE,OTHER",
            help="Weigh two aims against each other: of in-tune, steady, even-breath, margin, small-holes.",
        ),
    ] = None,
    judge: Annotated[
        bool | None,
        typer.Option(
            "--judge/--no-judge",
            help="Ask the air meshed as a whole about three notes of each chamber, too; of one chamber it is asked.",
            show_default=False,
        ),
    ] = None,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Let NEW take the place of a design.")] = False,
    keep_best: Annotated[bool, typer.Option("--keep-best", help="On Ctrl-C write the best so far.")] = False,
    windway: Annotated[
        str, typer.Option(metavar="STATE", help="closed, or mouth for the pull of the breath's way.")
    ] = "closed",
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
    check_place(output, "-o")
    if output.exists() and output.stat().st_size and not overwrite:
        raise InputError([Fault(str(output), "-o", None, "a file that is not there yet, or --overwrite; it is kept")])
    _check_picture(plot)
    with Waiting("optimising"):
        import simkit
        from simkit.optimise import judged, rewritten, source_text
        from simkit.optimise.asking import asked
        from simkit.optimise.hands import handed
        from simkit.show.optimised import optimised_text

        given = simkit.load(file)
        vessel = given if hand is None else handed(given, hand)
        wanted = asked(steady=steady, even_breath=even_breath, margin=margin, clay_mm=clay_mm, box_mm=box_mm)
        how: dict[str, Any] = {"lossless": lossless, "windway": windway}
        if trade is not None:
            return _traded(given, vessel, output, trade, free, wanted["limits"], how, as_json, plot)
        outcome = simkit.optimise(
            vessel, free, starts=starts, seed=seed, fingerings=fingerings, keep_best=keep_best, **wanted, **how
        )
        with whole(output, "-o") as half:
            half.write_text(rewritten(source_text(given), given, outcome.vessel), encoding="utf-8")
        asked_for = len(vessel.chambers) == 1 if judge is None else judge  # of several it would take half an hour
        if asked_for and not lossless and not outcome.interrupted:
            outcome = judged(outcome)
        if plot:
            from simkit.body import body_of
            from simkit.show.answers import prediction_page
            from simkit.show.look import save

            save(prediction_page(outcome.vessel, body_of(outcome.vessel), outcome.after), plot)
    if as_json:
        _print_json(outcome.as_dict())
    else:
        sys.stdout.write(optimised_text(outcome))
    if outcome.interrupted:
        _tell(f"the best so far is in {output}", 0)
        raise typer.Exit(INTERRUPTED)
    if not outcome.reached:
        raise OutOfReach(f"not reached; the best compromise is in {output}\n{outcome.verdict}")
    _tell(f"wrote {output}", 0)


def _traded(given: Vessel, vessel: Vessel, output: Path, trade: str, free: str | None, limits: Any,
            how: dict[str, Any], as_json: bool, plot: Path | None) -> None:  # fmt: skip
    """Two aims against each other: the curve told and drawn, the design in its middle written."""
    from simkit.optimise import InTune, rewritten, source_text, trade_off
    from simkit.optimise.asking import traded
    from simkit.show.look import page, save
    from simkit.show.optimised import trade_off_text
    from simkit.show.trade_off import trade_off_panel

    one, other = traded(trade)
    always = () if InTune in (type(one), type(other)) else (InTune(),)
    curve = trade_off(vessel, free, one, other, always=always, limits=limits, **how)
    with whole(output, "-o") as half:
        half.write_text(rewritten(source_text(given), given, curve.middle.vessel), encoding="utf-8")
    if plot:
        save(page(trade_off_panel(vessel.title or output.stem, curve)), plot)
    if as_json:
        _print_json(curve.as_dict())
    else:
        sys.stdout.write(trade_off_text(vessel, curve))
    _tell(f"wrote {output}, the design in the middle", 0)


@app.command(epilog="Example: simkit sheets dove.toml -o dove-sheets --reamer 2,14,60")
def sheets(
    file: Design,
    output: Annotated[Path, typer.Option("-o", metavar="DIR", help="The folder to write into.", show_default=False)],
    reamer: Annotated[
        list[str] | None,
        typer.Option(metavar="TIP,WIDE,LENGTH", help="A tapered reamer: its two diameters and its length, mm."),
    ] = None,
    bar: Annotated[
        str | None,
        typer.Option(metavar="WET,DRY,FIRED", help="Your own test bar between its marks, mm, or WET,FIRED."),
    ] = None,
    seam: Annotated[
        str, typer.Option(metavar="WAY", help="Where the shell parts: up, across or along, or such as up=2.")
    ] = "up",
    cut_at: Annotated[str, typer.Option(metavar="STAGE", help="wet, leather-hard or bone dry.")] = "leather-hard",
    temperature_c: Annotated[float | None, typer.Option(metavar="T", help="On the bench today.")] = None,
    as_json: AsJson = False,
) -> None:
    """Write what the bench needs: sheets at 1:1 and solids, all for clay that still shrinks.

    Wet sizes, what each note must read at each stage, cards to carve by, strips that place the holes, sticks for the
    voicing, drills and reamer marks (PDF and SVG); the inside form and the shell in two halves (STL, STEP).
    """
    check_folder(output)
    with Waiting("drawing the sheets"):
        import simkit
        from simkit.making import Bar, Reamer, at_temperature, stage, work_of
        from simkit.making import seam as seam_of
        from simkit.show.sheets import make

        vessel = simkit.load(file)
        work = work_of(
            vessel,
            shrinkage=Bar.read(bar).shrinkage() if bar else None,
            cut_at=stage(cut_at),
            reamers=[Reamer.read(text) for text in reamer or []],
            today=None if temperature_c is None else at_temperature(vessel, temperature_c),
        )
        made = make(work, output, seam_of(seam))
    if as_json:
        _print_json(made.as_dict(output))
    else:
        from simkit.show.sheets import made_text

        sys.stdout.write(made_text(made, output))


@app.command(epilog="Example: simkit report dove.toml -o dove.html")
def report(
    file: Design,
    output: Annotated[Path, typer.Option("-o", metavar="PAGE", help="The page to write: .html.", show_default=False)],
    judge: Annotated[
        bool, typer.Option("--judge", help="Ask the air meshed as a whole, too; half a minute a note.")
    ] = False,
    sheets: Annotated[
        Path | None, typer.Option(metavar="DIR", help="A folder of sheets to link to.", show_default=False)
    ] = None,
) -> None:
    """Write one page with all of it.

    What it plays and how it blows, in tables and pictures, every combination, what a slip of the hand does, why to
    believe it. The page is one file, opens from disk without a network, and prints.
    """
    if output.suffix.lower() not in (".html", ".htm"):
        raise InputError([Fault(str(output), "-o", None, "a name that ends in .html")])
    check_place(output, "-o")
    if sheets is not None and not sheets.is_dir():
        raise InputError([Fault(str(sheets), "--sheets", None, "a folder that simkit sheets has written")])
    with Waiting("writing the page"):
        import simkit
        from simkit.show.report import report as page_of

        link = None if sheets is None else Path(os.path.relpath(sheets, output.parent)).as_posix()
        text = page_of(simkit.load(file), judge=judge, sheets=link)
    with whole(output, "-o") as half:
        half.write_text(text, encoding="utf-8")
    _tell(f"wrote {output}", 0)


@app.command(epilog="Example: simkit sweep cases.toml -o cases")
def sweep(
    cases: Annotated[Path, typer.Argument(metavar="CASES", help="A file of cases (TOML).", show_default=False)],
    output: Annotated[Path, typer.Option("-o", metavar="DIR", help="The folder of the results.", show_default=False)],
    workers: Annotated[
        int | None, typer.Option(metavar="N", help="So many processes; else one a core.", show_default=False)
    ] = None,
    scheduler: Annotated[
        str | None,
        typer.Option(metavar="ADDRESS", help="Use the workers of a Dask scheduler instead.", show_default=False),
    ] = None,
    retry: Annotated[bool, typer.Option("--retry", help="Compute cases that failed once more.")] = False,
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
    check_folder(output)
    with Waiting("reading the cases"):
        import simkit

        try:
            swept = simkit.sweep(cases, output, workers=workers, scheduler=scheduler, retry=retry)
        except KeyboardInterrupt:
            _tell("what is stored is kept; the same command goes on from there", INTERRUPTED)
            raise
    if as_json:
        _print_json(swept.as_dict())
    else:
        sys.stdout.write(str(swept))
    if swept.failed:
        raise OutOfReach(f"{swept.failed} of {swept.cases} cases failed")


@app.command(epilog="Example: simkit tune dove.toml --volume-ml 72 --heard C5=498.2 --heard C5=499")
def tune(
    file: Design,
    heard: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NOTE=HZ", help="A note blown; holes for a name, how open they are too: 1+2:0.5=530. Repeat it."
        ),
    ] = None,
    record: Annotated[
        list[str] | None,
        typer.Option(metavar="WAV", help="Steady notes apart by silence; with names where in doubt: C5,D5=take.wav."),
    ] = None,
    cut: Annotated[
        list[str] | None,
        typer.Option(metavar="HOLE=MM", help="How wide a hole is now; else the last cut asked for is taken as done."),
    ] = None,
    stage: Annotated[
        str | None, typer.Option(metavar="STAGE", help="wet, leather-hard, bone dry or fired; else as last time.")
    ] = None,
    temperature_c: Annotated[float | None, typer.Option(metavar="T", help="Of the air today.")] = None,
    volume_ml: Annotated[
        float | None, typer.Option(metavar="ML", help="The chamber's air as it is now, weighed as water or fine sand.")
    ] = None,
    wall_mm: Annotated[float | None, typer.Option(metavar="MM", help="The wall as it is now, by calliper.")] = None,
    bar: Annotated[
        str | None, typer.Option(metavar="WET,DRY,FIRED", help="Your own test bar between its marks, mm.")
    ] = None,
    reamer: Annotated[
        str | None, typer.Option(metavar="TIP,WIDE,LENGTH", help="A tapered reamer, mm: says how deep it goes.")
    ] = None,
    pitch: Annotated[
        str, typer.Option(metavar="WAY", help="own: notes match the covered note as it came out; or written.")
    ] = "own",
    filled: Annotated[
        list[str] | None, typer.Option(metavar="HOLE", help="A hole that was filled up again; then --cut it anew.")
    ] = None,
    window_changed: Annotated[
        bool, typer.Option("--window-changed", help="The window was cut or filled since: find out anew what it is.")
    ] = False,
    chamber: Annotated[str | None, typer.Option(metavar="NAME", help="Which, where several are blown.")] = None,
    undo: Annotated[bool, typer.Option("--undo", help="Withdraw the last step of the log first.")] = False,
    as_json: AsJson = False,
) -> None:
    """Say the next cut, from what was blown so far.

    Calibrates window, wall and shrinkage on the notes heard, and stops short by what they leave open. Keeps a log
    beside the design, FILE.bench.jsonl; the design itself is not changed.
    """
    if pitch not in ("own", "written"):
        raise InputError([Fault("--pitch", "", pitch, "own, written")])
    with Waiting("tuning"):
        import simkit
        from simkit.making import Reamer
        from simkit.making import stage as stage_of
        from simkit.making.bench.log import log_path

        vessel = simkit.load(file)
        tuned = simkit.tune(
            vessel,
            log=log_path(file),
            chamber=chamber,
            stage=stage_of(stage, "--stage") if stage else None,
            temperature_c=temperature_c,
            heard=heard or (),
            cut=cut or (),
            records=record or (),
            volume_ml=volume_ml,
            wall_mm=wall_mm,
            bar=bar,
            filled=filled or (),
            window_changed=window_changed,
            reamer=Reamer.read(reamer) if reamer else None,
            own_pitch=pitch == "own",
            undo=undo,
        )
    if as_json:
        _print_json(tuned.as_dict())
    else:
        from simkit.show.tuned import tuned_text

        sys.stdout.write(tuned_text(tuned))


def _check_picture(plot: Path | None) -> None:
    """Refuses a picture that cannot be written, before any work is done."""
    if plot is not None:
        from simkit.show.look import check_format

        check_format(plot)
        check_place(plot, "--plot")


def _print_json(answer: object) -> None:
    import json

    sys.stdout.write(json.dumps(answer, ensure_ascii=False, allow_nan=False, indent=2) + "\n")
