"""The report's part that answers by itself, in a real browser without a network."""

import re
import subprocess
from html.parser import HTMLParser

import numpy as np
import pytest
from scipy.io import wavfile

import simkit
from simkit.show.pocket import MODULES, joined, pocket
from simkit.show.report import rendered
from simkit.vessel.starter import starter
from tests.browser import needs_browser, opened
from tests.show.node import NODE, STATIC, needs_node

NAMES = ("title", "lead", "design", "source")


@pytest.fixture(scope="module")
def vessel():
    """A whistle of two notes and its holes."""
    whole = starter("sphere")
    return simkit.loads(whole[: [note.start() for note in re.finditer(r"\[\[chamber.note\]\]", whole)][2]])


@pytest.fixture(scope="module")
def page(vessel, tmp_path_factory):
    """A page with this part alone."""
    plain = {**dict.fromkeys(NAMES, "whistle"), "sections": [], "cautions": [], "care": [], "sheets": None}
    path = tmp_path_factory.mktemp("pocket") / "page.html"
    path.write_text(rendered("report.html.j2", pocket=pocket(vessel, simkit.blow(vessel, advise=False)), **plain))
    return path


class Scripts(HTMLParser):
    def __init__(self, text):
        super().__init__()
        self.kinds = []
        self.feed(text)

    def handle_starttag(self, tag, attributes):
        if tag == "script":
            self.kinds.append(dict(attributes))


def test_modules_in_one_script_stand_after_those_that_they_import():
    before = set()
    for name in MODULES:
        text = (STATIC / f"{name}.js").read_text(encoding="utf-8")
        assert set(re.findall(r'from "\./(\w+)\.js"', text)) <= before
        assert (
            "eval" not in text
            and "Function(" not in text
            and "http" not in text.replace("http://www.w3.org/2000/svg", "")
        )
        before.add(name)
    script = joined(MODULES)
    assert not re.search(r"^(import|export)\b", script, re.MULTILINE)


@needs_node
def test_the_one_script_runs(tmp_path):
    path = tmp_path / "joined.mjs"
    path.write_text(joined(MODULES) + 'if (typeof ports_js.fitted !== "function") throw new Error("no ports");\n')
    assert subprocess.run([NODE, str(path)], capture_output=True, text=True, check=True).stdout == ""


@pytest.mark.slow
def test_the_page_holds_all_and_lets_nothing_else_run(page):
    text = page.read_text()
    assert [kind["type"] for kind in Scripts(text).kinds] == ["application/json", "module"]
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', text)[1]
    assert re.fullmatch(
        r"default-src 'none'; img-src data: 'self'; style-src 'unsafe-inline'; script-src 'sha256-[^']*'", policy
    )


def test_the_tuners_scale_and_its_good_part_lie_about_the_hands_pivot():
    """As many degrees to either side as cents at which the hand stands there."""
    script = (STATIC / "pocket.js").read_text(encoding="utf-8")
    good, far = map(float, re.search(r"IN_TUNE = (\d+), FAR = (\d+)", script).groups())
    degrees, *pivot = map(float, re.search(r"rotate\(\$\{\(turn \* (\d+)\) / FAR\} (\d+) (\d+)\)", script).groups())
    markup = (STATIC.parent / "pocket.html.j2").read_text(encoding="utf-8")
    for part, cents in (("scale", far), ("good", good)):
        path = re.search(
            rf'class="pk-{part}" d="M([\d.]+),([\d.]+) A ([\d.]+) ([\d.]+) 0 0 1 ([\d.]+),([\d.]+)"', markup
        )
        x0, y0, wide, high, x1, y1 = map(float, path.groups())
        arms = np.array([[x0, y0], [x1, y1]]) - pivot
        np.testing.assert_allclose([*np.hypot(*arms.T), high], wide, atol=0.05)
        turned = np.degrees(np.arctan2(arms[:, 0], -arms[:, 1]))
        np.testing.assert_allclose(turned, np.array([-1, 1]) * cents * degrees / far, atol=0.05)


KEYS = """[...document.querySelectorAll("#pocket button")].filter((b) => b.offsetParent)
    .map((b) => [b.offsetWidth, b.offsetHeight])"""
CALLED = """[...document.querySelectorAll("#pocket input, #pocket button")]
    .map((e) => e.ariaLabel || e.textContent || e.labels?.[0]?.textContent)"""


CHANGED = "(was) => document.querySelector('[data-part=cents]').textContent !== was"


def cents_shown(opened_page):
    said = opened_page.locator('[data-part="cents"]').inner_text()
    return float(said.removesuffix(" cents").replace("\u2212", "-"))


@needs_browser
@pytest.mark.sample
def test_notes_holes_and_sliders_answer(page, vessel):
    expected = simkit.predict(vessel, "ports")
    with opened(page.as_uri()) as here:
        notes = here.locator('[data-part="notes"] button')
        for n, note in enumerate(expected.notes):
            notes.nth(n).click()
            assert here.locator('[data-part="note"]').inner_text() == note.pitch
            assert abs(cents_shown(here) - note.answer.cents) <= 0.51
        before = cents_shown(here)
        open_now = here.locator('[data-part="keys"] button[aria-pressed="true"]')
        assert open_now.count() == len(expected.notes[-1].open)
        key = here.locator('[data-part="keys"] button').first
        key.focus()
        here.keyboard.press("Space")  # all by keyboard
        here.keyboard.press("Space")
        assert cents_shown(here) == before
        here.locator("#pk-temperature").focus()
        for _ in range(12):  # six degrees: some twenty cents of a still piece, two where breath warms the air
            here.keyboard.press("ArrowRight")
        here.wait_for_function(CHANGED, arg=in_words(before))
        assert 1 <= cents_shown(here) - before <= 7
        here.get_by_text("Widths of the holes").click()
        wide = here.locator('[data-part="diameters"] input').first
        wide.focus()
        for _ in range(20):
            here.keyboard.press("ArrowLeft")
        here.get_by_role("button", name="As designed").click()
        here.wait_for_function(f"(was) => !({CHANGED})(was)", arg=in_words(before))


def in_words(value):
    return f"{'0' if value == 0 else f'{value:+.0f}'.replace('-', chr(0x2212))} cents"


@needs_browser
@pytest.mark.parametrize("dark", [False, True])
def test_a_narrow_screen_holds_it_and_its_keys_are_large_enough(page, dark):
    scheme = "dark" if dark else "light"
    with opened(page.as_uri(), viewport={"width": 320, "height": 700}, color_scheme=scheme) as here:
        here.get_by_text("Widths of the holes").click()
        assert here.evaluate("document.documentElement.scrollWidth") <= 320
        sizes = here.evaluate(KEYS)
        assert min(min(size) for size in sizes) >= 44
        names = here.evaluate(CALLED)
        assert all(names)


HESITANT = """() => {
    const media = navigator.mediaDevices, give = media.getUserMedia.bind(media);
    media.getUserMedia = async (what) => {
        await new Promise((done) => setTimeout(done, 500));
        return (window.given = await give(what));
    };
}"""


@needs_browser
def test_the_microphone_reads_a_tone(page, tmp_path):
    t = np.arange(48000 * 4) / 48000
    wavfile.write(tmp_path / "tone.wav", 48000, (9000 * np.sin(2 * np.pi * 587.33 * t)).astype(np.int16))
    flags = (
        "--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream",
        f"--use-file-for-fake-audio-capture={tmp_path / 'tone.wav'}",
    )  # fmt: skip
    with opened(page.as_uri(), *flags) as here:
        here.get_by_role("button", name="Microphone").click()
        here.wait_for_function("() => document.querySelector('[data-part=heard]').textContent.includes('held')")
        hz = float(re.search(r"([0-9.]+) Hz", here.locator('[data-part="heard"]').inner_text())[1])
        assert abs(1200 * np.log2(hz / 587.33)) < 1
        here.get_by_role("button", name="Microphone").click()
        assert not here.locator('[data-part="tuner"]').is_visible()
        here.evaluate(HESITANT)
        here.get_by_role("button", name="Microphone").click()
        here.get_by_role("button", name="Microphone").click()  # while the browser still asks
        here.locator('[data-part="tuner"]').wait_for()
        here.get_by_role("button", name="Microphone").click()
        assert here.evaluate("given.getTracks().map((track) => track.readyState)") == ["ended"]
