"""`simkit new`: a design to start from, or the design of a wish."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from simkit.cli.options import flag, option, several
from simkit.cli.outputs import tell
from simkit.errors import Fault, InputError, OutOfReach
from simkit.files import check_new, whole
from simkit.waiting import Waiting

if TYPE_CHECKING:
    from simkit.vessel import Vessel
    from simkit.vessel.wishes import WishedRange


Output = Annotated[Path, option("FILE", "The design file to write.", "-o", show_default=False)]
Shape = Annotated[str, option("NAME", "sphere, ellipsoid, egg, lens, tube, box, sections or lobes.")]
Scale = Annotated[str | None, option("NAME", 'A scale from its lowest note, such as "C5 major" or "A4 pentatonic".')]
Holes = Annotated[int | None, option("N", "How many holes; with --scale, else 7.")]
Notes = Annotated[int | None, option("N", "How many notes; with --scale, else one more than the holes.")]
FingertipMm = Annotated[float | None, option("MM", "Breadth of an index finger's tip; with --scale, else 17.")]
Hand = Annotated[str | None, option("WHOSE", "In its place: a man's, a woman's or a child's hand.")]
WallMm = Annotated[float | None, option("MM", "Thickness of the fired wall; else 4, with --range 4.5.")]
ShrinkagePercent = Annotated[
    float | None, option("PERCENT", "Of your clay, wet to fired; else 10, with --range 11.", "--shrinkage")
]
Ends = Annotated[str | None, option("NOTES", 'With --scale: from where to where, such as "G3 D6".', "--range")]
Chambers = Annotated[int | None, option("N", "With --range: divided over so many chambers, else 3; 2 with --drone.")]
Overlap = Annotated[int, option("N", "With --range: notes at each crossing that both chambers play.")]
Drone = Annotated[str | None, option("NOTE", "With --scale: one chamber more, which plays this note alone.")]
BoxMm = Annotated[str | None, option("L,W,H", "With --range: the most it may measure along, across and up.")]
MassG = Annotated[float | None, option("G", "With --range: the most that its fired clay may weigh.")]
Sketch = Annotated[
    Path | None,
    option(
        "FILE",
        "Traced from a drawing, .svg with a layer for each outline, or from a picture of dark outlines.",
        "--sketch",
        show_default=False,
    ),
]
RulerMm = Annotated[
    float | None, option("MM", "With --sketch: how long the drawing's ruler is, from dot to dot in a picture.")
]
Blank = Annotated[bool, flag("--paper", "Write the sheet to draw on instead: .svg with its layers, or .pdf to print.")]
Overwrite = Annotated[bool, flag("--overwrite", "Let it take the place of a design.")]


def new(
    output: Output,
    shape: Shape = "egg",
    scale: Scale = None,
    holes: Holes = None,
    notes: Notes = None,
    fingertip_mm: FingertipMm = None,
    hand: Hand = None,
    wall_mm: WallMm = None,
    shrinkage_percent: ShrinkagePercent = None,
    ends: Ends = None,
    chambers: Chambers = None,
    overlap: Overlap = 0,
    drone: Drone = None,
    box_mm: BoxMm = None,
    mass_g: MassG = None,
    sketch: Sketch = None,
    ruler_mm: RulerMm = None,
    paper: Blank = False,
    overwrite: Overwrite = False,
) -> None:
    """Write a design to start from.

    A small whistle of four holes, every key explained, with a sketch of what the words mean. With --scale the design
    is sized to the wish by the hand rule and then tuned; with --range as well it is divided over several chambers in
    one body, which takes some minutes. Where --box-mm is too small for them side by side they are shaped to nest.
    Scales: major, minor, their harmonic, melodic and natural kinds, the seven modes by name, pentatonic, minor
    pentatonic, blues, whole tone, chromatic.

    With --sketch the design is traced: draw on the sheet that --paper writes, mouth end at the left.
    """
    check_new(output, "output", overwrite)  # a design of hours is not lost by a name typed twice
    # None is not given: then each way to begin has its own usual size
    clay = _given(wall_mm=wall_mm, shrinkage_percent=shrinkage_percent)
    only_wished = {"holes": holes, "notes": notes, "hand": hand, "fingertip_mm": fingertip_mm}
    # None for what is not given, so that one rule refuses any of them.
    only_several = {"chambers": chambers, "overlap": overlap or None, "box_mm": box_mm, "mass_g": mass_g}
    other_shape = {"shape": None if shape == "egg" else shape}  # the usual one is not told from none, and does no harm
    wished = {"scale": scale, "ends": ends, "drone": drone} | only_wished | only_several | other_shape
    if paper:
        _refused(wished | clay | {"sketch": sketch, "ruler_mm": ruler_mm}, "only without `paper`")
        return _sheet_to_draw_on(output)  # no design is made
    if sketch is not None:
        _refused(wished, "only without `sketch`")
        return _traced(output, sketch, _given(ruler_mm=ruler_mm) | clay)
    # an option without effect would be believed to have one
    _refused({"ruler_mm": ruler_mm}, "only together with `sketch`")
    several = ends is not None or drone is not None
    tip = _fingertip_mm(fingertip_mm, hand)  # refused here where nobody has such a hand
    if scale is None:
        _refused(only_wished | {"ends": ends, "drone": drone}, "only together with `scale`")
    if ends is None:
        # A drone's wish may have box and mass: with it the range is that of one chamber.
        held = only_several if drone is None else {name: only_several[name] for name in ("chambers", "overlap")}
        _refused(held, "only together with `ends`")
    else:
        _refused({"holes": holes, "notes": notes}, "only without `ends`, which finds it itself")
    if several:
        _refused(other_shape, "only without `ends` and `drone`: they make eggs")
    if scale is None:
        from simkit.vessel.starter import starter

        text, verdict, vessel = starter(shape, **clay), None, None
    elif several:
        if ends is None:
            ends, chambers = _ends(scale, 7 if holes is None else holes, notes), 1  # a drone beside one chamber
        elif drone is not None and chambers is None:
            chambers = 2  # and the drone's: three, as without a drone
        # what is not given keeps the default of the wish
        of = _given(chambers=chambers, overlap=overlap, box_mm=box_mm, mass_g=mass_g, drone=drone)
        text, verdict, vessel = _divided(output, scale, ends, {"fingertip_mm": tip} | clay | of)
    else:
        text, verdict, vessel = _wished(scale, _given(holes=holes, notes=notes) | {"shape": shape} | clay, tip)
    with whole(output, "output") as half:
        half.write_text(text, encoding="utf-8")
    for caution in vessel.cautions if vessel else ():
        tell(f"caution: {caution}", 0)
    if verdict is not None:
        # exit status 1, and yet a file: both are true
        raise OutOfReach(f"the best compromise is in {output}\n{verdict}")
    tell(f"wrote {output}; what it plays: simkit predict {output}; how hard to blow: simkit blow {output}", 0)


def _sheet_to_draw_on(output: Path) -> None:
    """Write the sheet to draw on, as the name's ending says."""
    from simkit.sketching import blank_pages, blank_svg

    match output.suffix.lower():
        case ".svg":  # with a layer for each outline, for a drawing program
            content = blank_svg().encode()
        case ".pdf":  # for paper, to be photographed
            from simkit.show.printed import drawn, pdf

            content = pdf([drawn(page) for page in blank_pages()])
        case _:
            raise InputError([Fault.of("output", None, "a name that ends in .svg or .pdf", file=str(output))])
    with whole(output, "output") as half:
        half.write_bytes(content)
    how = "draw in its layers" if output.suffix.lower() == ".svg" else "print a page at 100 %, draw with a black pen"
    tell(f"wrote {output}: {how}, then: simkit new --sketch FILE -o design.toml", 0)


def _traced(output: Path, drawing: Path, of: dict[str, Any]) -> None:
    """Write the design that a drawing makes, and say how far it lies from the lines."""
    from simkit.sketching.from_sketch import misfit_words, sketch

    found = sketch(drawing, **of)
    with whole(output, "output") as half:
        half.write_text(found.text, encoding="utf-8")
    # first how well it fits, then what was passed over
    for said in (*misfit_words(found.inside, found.outside), *found.said):
        tell(said, 0)
    for caution in found.vessel.cautions:
        tell(f"caution: {caution}", 0)
    tell(f"wrote {output}; what it plays: simkit predict {output}", 0)


def _refused(given: dict[str, Any], rule: str) -> None:
    """Refuse those of some options that are given."""
    for name, value in given.items():
        if value is not None:
            raise InputError([Fault.of(name, value, rule)])


def _given(**options: Any) -> dict[str, Any]:
    """Options that are given."""
    return {name: value for name, value in options.items() if value is not None}


def _fingertip_mm(fingertip_mm: float | None, hand: str | None) -> float:
    if hand is None:
        return 17.0 if fingertip_mm is None else fingertip_mm  # mm, as the help says: between a woman's and a man's
    if fingertip_mm is not None:
        raise InputError([Fault.of("hand", hand, "only without `fingertip_mm`")])
    from simkit.vessel.hands import people

    return people(hand).index


def _ends(scale: str, holes: int, notes: int | None) -> str:
    """The range of a scale that one chamber plays, for a wish without --range."""
    from simkit.vessel.wishes import Wish

    wish = Wish(scale, holes, notes=notes)
    if wish.faults:
        raise InputError(list(wish.faults))
    if not wish.in_a_row:
        raise InputError([Fault.of("notes", notes, "at most one more than the holes, beside a drone")])
    return f"{wish.pitches[0]} {wish.pitches[-1]}"


def _wished(scale: str, of: dict[str, Any], fingertip_mm: float) -> tuple[str, str | None, Vessel]:
    """One chamber for a scale: the file's text, the verdict where not all was reached, the design."""
    from simkit.vessel.wishes import Wish

    wish = Wish(scale, **{"holes": 7} | of, fingertip_mm=fingertip_mm)
    if wish.faults:
        raise InputError(list(wish.faults))  # before anything that takes its time is loaded
    with Waiting("sizing and tuning"):
        from simkit.optimisation.designing.wish import wished

        text, outcome = wished(wish)
    return text, None if outcome.reached else outcome.verdict, outcome.vessel


def _divided(output: Path, scale: str, ends: str, of: dict[str, Any]) -> tuple[str, str | None, Vessel]:
    """A range over several chambers: the file's text, the verdict where not all was reached, the design.

    Ctrl-C leaves the best design so far in the file.
    """
    best: list[tuple[str, str]] = []  # filled from within: a stopped search returns nothing
    wish = _range(scale, ends, of)
    try:
        with Waiting("dividing the range"):
            from simkit.optimisation.designing.joining import piece

            design = piece(wish, lambda text, verdict: best.append((text, verdict)))
    except KeyboardInterrupt:
        if best:
            text, verdict = best[-1]
            with whole(output, "output") as half:
                half.write_text(text, encoding="utf-8")
            tell(f"the best so far is in {output}: {verdict}", 0)
        raise
    along, across, up = design.box_mm  # where it was asked for or not: who divides a range wants to know
    tell(f"{along:.0f} x {across:.0f} x {up:.0f} mm along, across and up; about {design.mass_g:.0f} g when fired", 0)
    for said in design.cautions:
        tell(f"caution: {said}", 0)
    return design.text, None if design.reached else design.verdict, design.vessel


def _range(scale: str, ends: str, of: dict[str, Any]) -> WishedRange:
    from simkit.vessel.wishes import WishedRange, box

    given = of | ({"box_mm": box(several(of["box_mm"]) or ())} if "box_mm" in of else {})
    wish = WishedRange.read(scale, ends.split(), **given)
    if wish.faults:
        raise InputError(list(wish.faults))
    return wish
