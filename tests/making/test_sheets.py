"""All sheets of a design: what is on them, and what is refused before anything is drawn."""

import re
from functools import cache

import pytest

from simkit.errors import InputError
from simkit.making import PAPERS, Reamer, Stage, pages, with_first_blow, work_of
from simkit.making.cautions import CAUTIONS
from simkit.making.paper import Line
from simkit.vessel import AirState, loads
from simkit.vessel.starter import STARTER_SHAPES, starter

PURPOSES = ["Inside form", "Section cards", "Strips to place the openings", "Window, windway and edge", "Holes"]


def words(page):
    return [mark.words for mark in page.marks if not isinstance(mark, Line)]


@pytest.fixture(scope="module")
def heron(lopsided):
    vessel, body = lopsided
    return work_of(vessel, body=body, reamers=[Reamer(2, 14, 60)])


@pytest.fixture(scope="module")
def cut_at(lopsided):
    """The work of each stage at which the openings may be cut."""
    vessel, body = lopsided
    return cache(lambda stage: work_of(vessel, body=body, cut_at=stage))


@pytest.fixture(scope="module")
def usual(cut_at):
    return cut_at(Stage.LEATHER_HARD)


@pytest.mark.parametrize("paper", PAPERS)
def test_a_design_gets_all_its_sheets(heron, paper):
    found = pages(heron, paper)
    titles = list(dict.fromkeys(page.title for page in found))
    assert titles == ["Lopsided heron", *PURPOSES]
    for number, page in enumerate(found, 1):
        assert f"{number} / {len(found)}" in words(page)
        assert {page.line("ruler across").length, page.line("ruler up").length} == {100.0}


@pytest.mark.parametrize(
    "shape",
    [pytest.param(s, marks=[pytest.mark.slow] * (s != "lobes")) for s in STARTER_SHAPES],
)
def test_nothing_falls_off_any_sheet(shape):
    work = work_of(loads(starter(shape), "starter.toml"))
    for paper in PAPERS:
        for page in pages(work, paper):
            for mark in page.marks:
                for x, y in mark.points if isinstance(mark, Line) else [mark.at]:
                    assert 4 <= x <= page.paper.width - 4 and 4 <= y <= page.paper.height - 4, (page.title, mark)


def test_the_cautions_stand_once(heron):
    told = " ".join(" ".join(words(page)) for page in pages(heron, PAPERS[0]))
    for word, text in CAUTIONS:
        assert told.count(text.split(".")[0].split(":")[0][:30]) == 1, word
    assert all(len(text) < 130 for _, text in CAUTIONS)
    for source in ("ASTM C738", "ISO 6486"):
        assert source in told


def test_the_stage_is_on_every_sheet_that_is_measured(heron):
    for page in pages(heron, PAPERS[0]):
        stage = {"Inside form": "WET", "Section cards": "WET"}.get(page.title, "LEATHER-HARD")
        assert page.title == "Lopsided heron" or stage in words(page)


def test_holes_are_drawn_at_the_size_of_the_stage_asked(cut_at):
    for stage in (Stage.WET, Stage.LEATHER_HARD):
        work = cut_at(stage)
        (page,) = (page for page in pages(work, PAPERS[0]) if page.title == "Holes")
        x = [p[0] for p in page.line("disc 1").points]
        assert max(x) - min(x) == pytest.approx(6 * work.shrinkage.size(stage), rel=2e-3)


def test_without_a_voicing_the_rest_is_drawn():
    text = re.sub(r"\[chamber.voicing\].*?(?=# The holes)", "", starter("egg"), flags=re.S)
    titles = {page.title for page in pages(work_of(loads(text, "plain.toml")), PAPERS[0])}
    assert titles == {"First whistle", *PURPOSES} - {"Window, windway and edge"}


def test_a_plain_chamber_gets_form_and_cards():
    text = '[clay]\nwall_mm = 4\nshrinkage_percent = 12\n[[chamber]]\nname = "a"\nshape = "sphere"\ndiameter_mm = 50'
    assert [page.title for page in pages(work_of(loads(text)), PAPERS[0])] == [
        "untitled",
        "Inside form",
        "Section cards",
    ]


def test_readings_on_the_sheet_are_those_of_today(lopsided, usual):
    vessel, body = lopsided
    cold = work_of(vessel, body=body, today=AirState(temperature_c=5))
    for (_, _, now), (_, _, planned) in zip(cold.chambers[0].notes, usual.chambers[0].notes, strict=True):
        assert all(a.frequency_hz < b.frequency_hz for a, b in zip(now, planned, strict=True))
    assert any("5 °C" in w and "today" in w for w in words(pages(cold, PAPERS[0])[0]))


@pytest.mark.parametrize("stage", [Stage.WET, Stage.LEATHER_HARD])
def test_sizes_are_bold_at_the_stage_when_they_are_made(cut_at, usual, stage):
    page = pages(cut_at(stage), PAPERS[0])[0]
    bold = [mark.words for mark in page.marks if not isinstance(mark, Line) and mark.bold]
    size = 1 / 0.95 / 0.94 if stage is Stage.WET else usual.shrinkage.size(Stage.LEATHER_HARD)
    assert f"{4.5 * size:.2f}" in bold and f"{5 * size:.2f}" in bold, "hole 2, and the cut-up"
    assert f"{4 / 0.95 / 0.94:.2f}" in bold, "the wall is that of the wet form"


def test_the_reading_with_no_hole_cut_stands_under_the_covered_one(usual):
    """Both at one stage, the design's 12 cents apart."""
    work = with_first_blow(usual, {"body": dict.fromkeys(Stage, 12.0)})
    (chamber,) = work.chambers
    pitch, read = chamber.first
    assert pitch == "A5"
    for with_holes, without in zip(chamber.notes[0][2], read, strict=True):
        assert without.frequency_hz == pytest.approx(with_holes.frequency_hz * 2 ** (12 / 1200))
    told = words(pages(work, PAPERS[0])[0])
    assert "no hole cut" in told and f"{read[1].frequency_hz:.1f}" in told
    assert "no hole cut" not in words(pages(usual, PAPERS[0])[0])


def test_readings_of_the_piece_by_itself_are_told_as_such(lopsided, usual):
    """Each note by its own factor, the columns' cents those of the clay alone; the first blow as the covered note."""
    vessel, body = lopsided
    factors = tuple(1 + 0.001 * n for n in range(1, 1 + len(vessel.chambers[0].notes)))
    alone = with_first_blow(work_of(vessel, body=body, still={"body": factors}), {"body": dict.fromkeys(Stage, 12.0)})
    blown = with_first_blow(usual, {"body": dict.fromkeys(Stage, 12.0)})
    (a,), (b,) = alone.chambers, blown.chambers
    assert (alone.state, blown.state) == ("still", "played")
    for factor, (_, _, read), (_, _, played) in zip(factors, a.notes, b.notes, strict=True):
        for each, other in zip(read, played, strict=True):
            assert each.frequency_hz == pytest.approx(factor * other.frequency_hz)
            assert each.cents == pytest.approx(other.cents)
    for each, other in zip(a.first[1], b.first[1], strict=True):
        assert each.frequency_hz == pytest.approx(factors[0] * other.frequency_hz)
    told = " ".join(words(pages(alone, PAPERS[0])[0]))
    assert "loudspeaker at its window" in told and "simkit tune, as one of the piece by itself" in told
    assert "loudspeaker" not in " ".join(words(pages(blown, PAPERS[0])[0]))


def test_a_thin_shell_cannot_be_made():
    text = '[clay]\nwall_mm = 0\nshrinkage_percent = 12\n[[chamber]]\nname = "a"\nshape = "sphere"\ndiameter_mm = 50'
    with pytest.raises(InputError, match=r"shell.toml: clay.wall_mm = 0: allowed: more than 0"):
        work_of(loads(text, "shell.toml"))


def test_a_reamer_too_thick_is_refused(lopsided):
    vessel, body = lopsided
    with pytest.raises(InputError, match=r"reamer = '8,20,80': allowed: for body.hole.1"):
        work_of(vessel, body=body, reamers=[Reamer(8, 20, 80)])


def test_the_same_design_gives_the_same_pages(heron, lopsided):
    vessel, body = lopsided
    again = work_of(vessel, body=body, reamers=[Reamer(2, 14, 60)])
    assert pages(again, PAPERS[0]) == pages(heron, PAPERS[0])


def test_two_chambers_are_told_apart():
    text = starter("egg").partition("[[chamber.note]]")[0] + (
        '\n[[chamber]]\nname = "tail"\nshape = "sphere"\ndiameter_mm = 30\noffset_mm = [76, 0, 0]\nturn_deg = 20\n'
        '[[chamber.hole]]\nname = "t"\nalong_mm = 15\naround_deg = 90\ndiameter_mm = 5\n'
    )
    found = pages(work_of(loads(text, "two.toml")), PAPERS[0])
    assert any("First whistle: tail" in words(page) for page in found)
    assert any("First whistle: body" in words(page) for page in found)
