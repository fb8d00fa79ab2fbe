"""The page of a design: whole in itself, honest to the numbers, readable by eye and by ear."""

import itertools
import re
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pypdfium2
import pytest

import simkit
import simkit.show
from simkit.show.look import Panel
from simkit.show.report import report
from simkit.vessel.starter import starter
from tests.browser import asked, needs_chromium

DESIGN = Path(__file__).parents[2] / "studies" / "designs" / "pocket_wren.toml"
LARGEST = 3e6  # bytes
SMUGGLED = "<script>alert(1)</script>"


class Seen(HTMLParser):
    """What a page holds: its tags with their attributes, and its words."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.words = [], []
        self.feed(text)

    def handle_starttag(self, tag, attributes):
        self.tags.append((tag, dict(attributes)))

    def handle_data(self, data):
        self.words.append(data)

    def all(self, tag):
        return [attributes for name, attributes in self.tags if name == tag]


@pytest.fixture(scope="module")
def vessel():
    """A whistle of two notes and one hole, for what holds of every page; with a title that wants to be more."""
    whole = starter("sphere").replace('"First whistle"', f'"{SMUGGLED}"')
    starts = [found.start() for found in re.finditer(r"\[\[chamber.(hole|note)\]\]", whole)]
    notes = whole.index("[[chamber.note]]")
    return simkit.loads(whole[: starts[1]] + whole[notes : [start for start in starts if start >= notes][2]])


@pytest.fixture(scope="module")
def text(vessel):
    with pytest.MonkeyPatch.context() as patch:  # its picture in the round is drawn in test_in_the_round
        patch.setattr("simkit.show.report.in_the_round", lambda vessel, body: Panel(60, 40, lambda figure: None))
        return report(vessel)


@pytest.fixture(scope="module")
def long():
    """The page of a whole instrument, for what its length makes of it."""
    return report(simkit.load(DESIGN))


def test_the_page_is_one_file_and_asks_for_nothing_else(text):
    seen = Seen(text)
    assert len(text.encode()) < LARGEST
    assert not seen.all("link") and not seen.all("iframe")
    assert [script["type"] for script in seen.all("script")] == ["application/json", "module"]  # both in the file
    assert not any("src" in script for script in seen.all("script"))
    assert all(image["src"].startswith("data:image/") for image in seen.all("img"))
    assert all(link["href"].startswith("#") for link in seen.all("a"))
    plain = re.sub(r'src="data:[^"]*"', "", text).replace("http://www.w3.org/2000/svg", "")  # a name, no address
    assert not re.search(r"url\(|@import|https?://", plain)


@pytest.mark.slow
def test_the_page_of_three_chambers_is_not_too_large_either(long):
    assert len(long.encode()) < LARGEST
    assert len(report(simkit.load(DESIGN.with_name("three_terns.toml"))).encode()) < LARGEST


def test_it_can_be_read_by_ear(text):
    seen = Seen(text)
    assert seen.all("html")[0]["lang"] == "en"
    assert all(len(image["alt"]) > 20 for image in seen.all("img"))
    levels = [int(tag[1]) for tag, _ in seen.tags if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(levels))
    assert len(seen.all("table")) == len(seen.all("caption"))
    assert all(head["scope"] == "col" for head in seen.all("th"))
    targets = {attributes.get("id") for _, attributes in seen.tags}
    assert all(link["href"][1:] in targets for link in seen.all("a"))


def test_it_says_what_the_commands_say(vessel, text):
    words = " ".join(Seen(text).words)
    for note in simkit.predict(vessel, ["lumped", "ports"]).notes:
        assert f"{note.by('ports').frequency_hz:.1f}" in words
        assert f"{note.by('lumped').frequency_hz:.1f}" in words
    for note in simkit.blow(vessel, advise=False).chambers[0].notes:
        assert f"{note.blown.pressure:.0f}" in words
    assert "Local rules, your kiln's manual and trained people come first." in words


@pytest.mark.slow
def test_the_same_design_gives_the_same_page(vessel):
    """But for the foot, which says when it was made."""
    again, before = (report(vessel).partition("<footer>") for _ in range(2))
    assert again[0] == before[0]


def test_the_page_says_what_made_it(text):
    foot = text.partition("<footer>")[2]
    assert f"simkit {simkit.__version__} (" in foot and f"numpy {np.__version__}" in foot
    assert re.search(r"20\d\d-\d\d-\d\dT", foot)


def test_a_title_cannot_smuggle_anything_in(vessel, text):
    assert vessel.title == SMUGGLED
    # The page has scripts and data of its own: none of them is, or is ended by, what a title says.
    assert "<script>alert" not in text and "alert(1)</script" not in text
    assert "&lt;script&gt;" in text


@pytest.mark.slow
def test_a_chamber_without_window_and_notes_has_a_page_too():
    plain = 'clay.wall_mm = 4\n[[chamber]]\nname = "a"\nshape = "sphere"\ndiameter_mm = 50'
    page = report(simkit.loads(plain), state="still")
    assert "What it plays" in page and "humidity, still" in page and "as played" not in page


@pytest.mark.slow  # at once, of a chamber without a window, above
def test_a_page_of_the_piece_by_itself_says_what_the_commands_say(vessel):
    words = " ".join(Seen(report(vessel, state="still")).words)
    for note in simkit.predict(vessel, "ports", state="still").notes:
        assert f"{note.answer.frequency_hz:.1f}" in words
    for note in simkit.blow(vessel, advise=False, state="still").chambers[0].notes:
        assert f"{note.blown.pressure:.0f}" in words
    assert "humidity, still" in words


@pytest.mark.slow
def test_the_command_writes_it_with_a_link_to_the_sheets(tmp_path):
    from simkit.cli import run

    (tmp_path / "wren sheets").mkdir()
    arguments = ["-o", str(tmp_path / "wren.html"), "--sheets", str(tmp_path / "wren sheets")]
    assert run(["report", str(DESIGN), *arguments]) == 0
    assert 'href="./wren%20sheets"' in (tmp_path / "wren.html").read_text()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["-o", "page.pdf"], "a name that ends in .html"),
        (["-o", "no/page.html"], "a file in a folder that exists"),
        (["-o", "page.html", "--sheets", "none"], "a folder that simkit sheets has written"),
    ],
)
def test_what_cannot_be_written_is_said_before_any_work(arguments, said, capsys, tmp_path, monkeypatch):
    from simkit.cli import run

    monkeypatch.chdir(tmp_path)
    assert run(["report", str(DESIGN), *arguments]) == 2
    assert said in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.slow
@needs_chromium
def test_printed_a_short_table_stays_with_what_it_follows(tmp_path):
    """Not with the next heading and its picture, which have no room on the page."""
    template = (Path(simkit.show.__file__).parent / "page.html.j2").read_text(encoding="utf-8")
    style = re.search("<style>.*?</style>", template, re.DOTALL).group()
    rows = "".join(f"<tr><td>row {n}</td></tr>" for n in range(3))
    table = f"<div class=scroll><table><thead><tr><th>hole</th></tr></thead><tbody>{rows}</tbody></table></div>"
    tall = "<figure style='height: 14cm'></figure>"
    page, out = tmp_path / "page.html", tmp_path / "page.pdf"
    page.write_text(f"{style}<main>{tall}{table}<h2>Next</h2>{tall}</main>")
    asked(page, "--no-pdf-header-footer", f"--print-to-pdf={out}")
    words = [each.get_textpage().get_text_range() for each in pypdfium2.PdfDocument(out)]
    assert ["row 2" in each for each in words] == [True, False]


@pytest.mark.slow
@needs_chromium
def test_printed_no_page_is_nearly_blank_and_no_heading_stands_alone(long, tmp_path):
    """On the browser's own paper: each page but the last is more than 0.4 full, and the last has some lines."""
    page, out = tmp_path / "page.html", tmp_path / "page.pdf"
    page.write_text(long)
    asked(page, "--no-pdf-header-footer", f"--print-to-pdf={out}")
    pages = list(pypdfium2.PdfDocument(out))
    headings = set(re.findall("<h2>(.*?)</h2>", long))
    for number, printed in enumerate(pages):
        dots = printed.render(scale=0.5).to_numpy()[..., :3].min(axis=2)
        last_row = np.flatnonzero((dots < 200).any(axis=1)).max() / len(dots)
        words = printed.get_textpage()
        assert last_row > 0.4 or number == len(pages) - 1, f"page {number + 1} is blank from {last_row:.0%} on"
        assert len(words.get_text_range().splitlines()) > 3
        for heading in headings:
            found = words.search(heading, match_case=True).get_next()
            if found:  # something stands under it, a picture or words
                assert last_row > 1 - words.get_charbox(found[0])[1] / printed.get_height() + 0.03, heading


@pytest.mark.slow
@needs_chromium
@pytest.mark.parametrize(("width", "name"), [(1200, "desk"), (390, "phone")])
def test_a_browser_shows_it_without_a_network(long, tmp_path, width, name):
    """The page's words come out of a real browser's document, and nothing is wider than the screen of a phone."""
    page = tmp_path / "page.html"
    probe = (
        "<script>addEventListener('load', () => { document.title = 'wide ' + document.documentElement.scrollWidth"
        " + ' broken ' + [...document.images].filter(i => !i.naturalWidth).length; });</script></body>"
    )
    # Only this copy may run a script: it measures.
    measured = re.sub("<meta http-equiv=.*?>", "", long).replace("</body>", probe)
    page.write_text(measured)
    shown = asked(page, f"--window-size={width},900", "--dump-dom")
    title = re.search("<title>wide ([0-9]+) broken ([0-9]+)</title>", shown)
    assert title is not None
    # Headless Chromium makes no window narrower than 500.
    assert int(title[1]) <= max(width, 500)
    assert int(title[2]) == 0
    assert "What it plays" in shown
