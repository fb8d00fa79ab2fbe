"""Making in clay: wet sizes, what a note must read before the kiln, sheets at 1:1, solids.

shrinkage    what clay loses, by ASTM C326; a maker's own bar; doubts in cents
readings     what each note must read at each stage, from plain frequencies
drills       the drill to start with, how deep a tapered reamer goes
slices       cuts through the piece, exact
wraps        strips that find the openings on the curved outside
cards, strips, voicing, holes, overview, tables    what is drawn of all that
page, layout    lines and words in mm on a sheet of paper
sheets, solids  the whole from a design
bench        from measured pitches to an estimate of the piece, and on to the next cut
"""

from simkit.making.drills import Drill, Reamer, own_drills
from simkit.making.paper import A4, PAPERS, Paper
from simkit.making.readings import StageReading, at_temperature
from simkit.making.sheets import Work, pages, with_first_blow, work_of
from simkit.making.shrinkage import Bar, Shrinkage, Stage, shrinkage_of, stage
from simkit.making.solids import seam, solid_cautions, solids_of

__all__ = [
    "A4", "PAPERS", "Bar", "Drill", "Paper", "Reamer", "Shrinkage", "Stage", "StageReading", "Work",
    "at_temperature", "own_drills", "pages", "seam", "shrinkage_of", "solid_cautions", "solids_of", "stage",
    "with_first_blow", "work_of",
]  # fmt: skip
