"""`simkit new`: a design to start from, or the design of a wish."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from simkit.cli.outputs import tell
from simkit.errors import Fault, InputError, OutOfReach
from simkit.files import check_new, whole
from simkit.waiting import Waiting


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
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Let it take the place of a design.")] = False,
) -> None:
    """Write a design to start from.

    A small whistle of four holes, every key explained, with a sketch of what the words mean. With --scale the design
    is sized to the wish by the hand rule and then tuned; with --range as well it is divided over several chambers in
    one body, which takes some minutes. Where --box-mm is too small for them side by side they are shaped to nest.
    """
    from simkit.vessel.starter import starter

    check_new(output, "-o", overwrite)
    reached = True
    if hand is not None:
        from simkit.optimise.hands import people

        if fingertip_mm is not None:
            raise InputError([Fault("simkit new", "--hand", hand, "only without --fingertip-mm")])
        fingertip_mm = people(hand).index
    tip = 17.0 if fingertip_mm is None else fingertip_mm
    if scale is None:
        given = (("--holes", holes), ("--notes", notes), ("--hand", hand), ("--fingertip-mm", fingertip_mm))
        for option, value in given:
            if value is not None:
                raise InputError([Fault("simkit new", option, value, "only together with --scale")])
        _only_with(ends, chambers, overlap, box_mm, mass_g)
        text = starter(shape)
    elif ends is not None:
        for option, value in (("--holes", holes), ("--notes", notes), ("--shape", None if shape == "egg" else shape)):
            if value is not None:
                raise InputError([Fault("simkit new", option, value, "only without --range, which finds it itself")])
        text, reached, outcome = _divided(
            output, scale, ends, 3 if chambers is None else chambers, overlap, tip, box_mm, mass_g
        )
    else:
        _only_with(ends, chambers, overlap, box_mm, mass_g)
        with Waiting("sizing and tuning"):
            from simkit.optimise.wish import Wish, wished

            wish = Wish(scale, 7 if holes is None else holes, shape, tip, notes)
            text, outcome = wished(wish)
            reached = outcome.reached
    with whole(output) as half:
        half.write_text(text, encoding="utf-8")
    if not reached:
        raise OutOfReach(f"the best compromise is in {output}\n{outcome.verdict}")
    tell(f"wrote {output}; what it plays: simkit predict {output}; how hard to blow: simkit blow {output}", 0)


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
            tell(f"the best so far is in {output}", 0)
        raise
    along, across, up = made.box_mm
    tell(f"{along:.0f} x {across:.0f} x {up:.0f} mm along, across and up; about {made.mass_g:.0f} g when fired", 0)
    return made.text, made.reached, made
