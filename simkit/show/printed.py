"""Sheets of paper drawn at exactly 1:1: PDF with all of them, SVG one by one."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.patches import Polygon
from pypdf import PdfWriter
from pypdf.generic import DictionaryObject, NameObject

from simkit.air import moist_air
from simkit.body.printing import Seam, form_names
from simkit.errors import Fault, InputError
from simkit.files import MARK, check_folder, may_replace, whole_folder
from simkit.making import PAPERS, Paper, Stage, StageReading, Work, pages, solid_cautions, solids_of
from simkit.making.clay_rules import ClayWork, clay_work
from simkit.making.paper import Fill, Ink, Line, Page, Pen, Text
from simkit.making.solids import unmade
from simkit.making.wraps import Places
from simkit.show import look

WASHED = "#c6beb4"  # for the eye alone: three quarters of the paper's brightness
# Width in mm, colour, dashes in mm.
PENS: dict[Pen, tuple[float, str, tuple[float, ...]]] = {
    Pen.CUT: (0.35, look.INK, ()),
    Pen.OUTLINE: (0.25, look.INK, ()),
    Pen.THIN: (0.13, look.INK, ()),
    Pen.GUIDE: (0.13, look.QUIET, (3.0, 1.0, 0.6, 1.0)),
    Pen.HIDDEN: (0.18, look.INK, (1.6, 1.0)),
    Pen.MARK: (0.35, look.CLAY, ()),
    Pen.FAINT: (0.18, WASHED, ()),
    Pen.NONE: (0.0, look.INK, ()),
}
FILLS = {
    Fill.CLAY: look.BODY,
    Fill.TINT: look.AIR,
    Fill.INK: look.HOLLOW,
    Fill.BLACK: "#000000",
    Fill.ACCENT: look.CLAY,
    Fill.PAPER: look.PAPER,
}
INKS = {Ink.INK: look.INK, Ink.QUIET: look.QUIET, Ink.ACCENT: look.CLAY, Ink.PAPER: look.PAPER, Ink.FAINT: WASHED}
LEVELS = {"top": "top", "middle": "center_baseline", "base": "baseline"}
# fonttype 42: letters stay letters in the PDF; no simplifying: a template's line is as exact as it was computed.
STYLE: Any = {"pdf.fonttype": 42, "path.simplify": False}


def drawn(page: Page) -> Figure:
    """One sheet as a figure of the paper's size, whose coordinates are millimetres."""
    with look.styled(), mpl.rc_context(STYLE):
        # Not by pyplot: no window, no state that is left behind.
        figure = Figure(figsize=(page.paper.width * look.MM, page.paper.height * look.MM))
        FigureCanvasAgg(figure)
        paper = figure.add_axes((0, 0, 1, 1), xlim=(0, page.paper.width), ylim=(0, page.paper.height))
        paper.axis("off")
        named: set[str] = set()
        for order, mark in enumerate(page.marks):
            if isinstance(mark, Line):
                name = re.sub(r"[^A-Za-z0-9_-]+", "-", mark.name).strip("-")
                _line(paper, mark, order, None if name in named else name)  # an id may stand once in an SVG file
                named.add(name)
            else:
                _text(paper, mark, len(page.marks) + order)  # words over all lines
    return figure


def _line(paper: Axes, line: Line, order: int, name: str | None) -> None:
    width, color, dashes = PENS[line.pen]
    # Dashes are given in widths of the pen.
    style = (0, tuple(d / width for d in dashes)) if dashes else "-"
    paper.add_artist(  # not add_patch, which would look for limits that are already set
        Polygon(
            line.points,
            closed=line.closed,
            facecolor=FILLS[line.fill] if line.fill else "none",
            edgecolor=color if width else "none",
            linewidth=width * look.POINTS,
            linestyle=style,
            joinstyle="round",
            capstyle="butt",
            zorder=order,
            gid=name or None,
        )
    )


def _text(paper: Axes, text: Text, order: int) -> None:
    paper.text(
        *text.at,
        text.words,
        fontsize=text.size * look.POINTS,
        ha=text.align,
        va=LEVELS[text.level],
        rotation=text.turn_deg,
        rotation_mode="anchor",
        color=INKS[text.ink],
        fontweight="bold" if text.bold else "normal",
        zorder=order,
    )


def pdf(figures: Sequence[Figure]) -> bytes:
    """Sheets as one PDF that asks to be printed at its own size, the same bytes every time."""
    plain = io.BytesIO()
    with look.styled(), mpl.rc_context(STYLE):
        metadata: dict[str, Any] = {"CreationDate": None, "Producer": None, "Creator": None}
        with PdfPages(plain, metadata=metadata) as book:
            for figure in figures:
                book.savefig(figure)
    writer = PdfWriter(clone_from=io.BytesIO(plain.getvalue()))
    # Our mark alone: a date or a version would make each file another.
    writer.metadata = {"/Creator": MARK}
    writer.pdf_header = "%PDF-1.6"
    # ISO 32000-1, 12.2 (since PDF 1.6): viewers then offer no scaling by default.
    writer.root_object[NameObject("/ViewerPreferences")] = DictionaryObject(
        {NameObject("/PrintScaling"): NameObject("/None")}
    )
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


def svg(figure: Figure) -> str:
    """One sheet as SVG with its size in millimetres, the same text every time."""
    out = io.StringIO()
    with look.styled(), mpl.rc_context(STYLE):
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": MARK})
    width, height = (side / look.MM for side in figure.get_size_inches())
    # The writer gives points; a cutter's program asks for millimetres.
    return re.sub(
        r'width="[\d.]+pt" height="[\d.]+pt"', f'width="{width:g}mm" height="{height:g}mm"', out.getvalue(), count=1
    )


def write(pages: Sequence[Page], folder: Path) -> list[str]:
    """The sheets of each paper into a folder: `sheets-a4.pdf`, `sheets-a4-1.svg` and so on; the names written."""
    written = []
    for paper in dict.fromkeys(page.paper.name for page in pages):  # upright and lying sheets together
        figures = [drawn(page) for page in pages if page.paper.name == paper]
        stem = f"sheets-{paper.lower()}"  # the paper in the name: who prints the wrong one sees it
        (folder / f"{stem}.pdf").write_bytes(pdf(figures))
        written.append(f"{stem}.pdf")
        for number, figure in enumerate(figures, 1):
            name = f"{stem}-{number}.svg"
            (folder / name).write_text(svg(figure), encoding="utf-8")
            written.append(name)
    return written


@dataclass(frozen=True)
class SheetFiles:
    """Files written for a design, and the figures on them."""

    work: Work
    names: tuple[str, ...]
    cautions: tuple[str, ...]
    clay: ClayWork

    def as_dict(self, folder: str | Path = "") -> dict[str, Any]:
        """Content under the command line's JSON keys; a chamber's files are all but the other chambers' forms."""
        air = moist_air(*(getattr(self.work.vessel.air, key) for key in _AIR))
        forms = form_names(self.work.body)
        chambers = []
        for chamber, form in zip(self.work.chambers, forms, strict=True):
            # what is of all chambers, the sheets say, belongs to each
            own = [name for name in self.names if (stem := Path(name).stem) == form or stem not in forms]
            chambers.append(
                {
                    "name": chamber.name,
                    "volume_ml": 1e6 * chamber.volume,
                    "files": [str(Path(folder) / name) for name in own],
                    "notes": [_note(name, readings) for name, _, readings in chamber.notes],
                    "first_blow": _note(*chamber.first) if chamber.first else None,
                    "placing": _placing(chamber.places, 1e3 * self.work.shrinkage.size(self.work.cut_at)),
                }
            )
        return {
            "state": self.work.state,
            "air": {"sound_speed_m_s": air.sound_speed, "density_kg_m3": air.density},
            "shrinkage_percent": 100 * self.work.shrinkage.total,
            "files": [str(Path(folder) / name) for name in self.names],
            "clay": self.clay.as_dict(),
            "chambers": chambers,
            "cautions": list(self.cautions),
        }


_AIR = ("temperature_c", "humidity_percent", "pressure_pa", "co2_ppm")


def _note(name: str, readings: Sequence[StageReading]) -> dict[str, Any]:
    stages = [{**vars(each), "stage": str(each.stage), "nearest": str(each.nearest)} for each in readings]
    return {"pitch": name, "stages": stages}


def _placing(places: Places, scale: float) -> list[dict[str, Any]]:
    """Place of each opening, mm of the clay when it is cut; `scale` is these for a metre on the fired piece."""

    def mm(length: float | None) -> float | None:
        return None if length is None else scale * length

    return [
        {
            "opening": reach.opening.name if reach.opening.is_round else "window",
            "around_mm": mm(reach.around),
            "from_mouth_tip_mm": mm(reach.from_mouth),
            "from_far_tip_mm": mm(reach.from_far),
            "strip": wrap.letter,
            "line": spot.line,
            "from_line_mm": mm(spot.beside),
        }
        for reach in places.reaches
        for wrap, spot in [places.where(reach.opening)]
    ]


def make(work: Work, folder: str | Path, seam: Seam | None = None, papers: Sequence[Paper] = PAPERS) -> SheetFiles:
    """Write all sheets and solids of a design into a folder, all of them or none."""
    check_sheets(folder)
    solids = solids_of(work, seam)  # first: what takes longest and may fail
    found = [page for paper in papers for page in pages(work, paper)]
    with whole_folder(folder, "folder") as half:  # a set of sheets of two sizes would be worse than none
        names = write(found, half)
        for solid in solids:
            (half / f"{solid.name}.stl").write_bytes(solid.stl())
            names.append(f"{solid.name}.stl")
            if solid.step:  # only what is exact has one: the inside forms
                (half / f"{solid.name}.step").write_text(solid.step, encoding="ascii")
                names.append(f"{solid.name}.step")
    clay = clay_work(work.vessel, work.body, work.shrinkage, seam)
    mould = () if clay.undercut else solid_cautions(work, seam)  # of the inside alone, where the outside is said
    cautions = (*work.vessel.cautions, *mould, *clay.cautions, *unmade(work, names))
    cautions = (*cautions, *_left_over(Path(folder), names))
    return SheetFiles(work, tuple(names), cautions, clay)


def check_sheets(folder: str | Path, argument: str = "folder") -> None:
    """Refuse a folder that cannot be written, or in which a file has one of our names but was not made by simkit."""
    check_folder(folder, argument)
    old = sorted(Path(folder).iterdir()) if Path(folder).is_dir() else []
    others = [path.name for path in old if _OURS.fullmatch(path.name) and path.is_file() and not may_replace(path)]
    if others:
        allowed = "a folder without files of this name that simkit did not make; this one is kept"
        raise InputError([Fault.of(argument, name, allowed, file=str(folder)) for name in others])


# Names that simkit gives its files: only such may be replaced or reported as left over.
_OURS = re.compile(r"sheets-(a4|letter)(-\d+)?\.(pdf|svg)|(inside|shell|part|piece)-[\w-]+\.(stl|step)")


def _left_over(folder: Path, names: Sequence[str]) -> list[str]:
    """Files of an earlier run that this one has not replaced; their sizes may be outdated."""
    old = sorted(path.name for path in folder.iterdir() if _OURS.fullmatch(path.name) and path.name not in names)
    return [f"left from an earlier run, perhaps of other sizes: {', '.join(old)}"] if old else []


def sheets_text(files: SheetFiles, folder: str | Path) -> str:
    """Summary of what was written and what to do first, in a few lines."""
    clay = files.work.shrinkage
    sheets = [name for name in files.names if name.endswith(".pdf")]
    solids = [name for name in files.names if name.endswith((".stl", ".step"))]
    lines = [
        f"{folder}: {len(files.names)} files",
        f"  to print at 100 %: {', '.join(sheets)}; each sheet also as .svg",
        f"  solids at wet size, mm: {', '.join(solids)}",
        f"  wet clay shrinks by {100 * clay.total:.4g} % (from {clay.basis}): wet sizes are "
        f"{clay.size(Stage.WET):.4f} times the fired ones, and every note is then "
        f"{clay.to_come_cents(Stage.WET):.0f} cents flat; leather-hard {clay.to_come_cents(Stage.LEATHER_HARD):.0f}",
        *(f"  {said}" for said in files.clay.said),
        *(f"  caution: {caution}" for caution in files.cautions),
    ]
    return "\n".join(lines) + "\n"
