"""The page in a real browser; all slow."""

import contextlib
import functools
import http.server
import itertools
import os
import re
import shutil
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from simkit.page import replies
from simkit.vessel import loads
from tests.browser import PATIENCE, driven, in_a_browser, watched
from tests.page.conftest import DOVE

pytestmark = in_a_browser

DRAWN = ("--enable-unsafe-swiftshader", "--use-gl=angle", "--use-angle=swiftshader")  # WebGL without a card for it


class Desk:
    """A folder with a design, `simkit open` on it, and its address."""

    def __init__(self, folder, design=DOVE):
        self.file = folder / "dove.toml"
        self.file.write_text(design)
        self.server = subprocess.Popen(
            [sys.executable, "-m", "simkit", "open", "dove.toml", "--no-browser"],
            cwd=folder, stderr=subprocess.PIPE, text=True, start_new_session=True,
        )  # fmt: skip
        self.address = re.search(r"http\S+", self.server.stderr.readline())[0]

    def close(self):
        self.server.terminate()
        self.server.wait(30)
        self.server.stderr.close()


@pytest.fixture(scope="module")
def chromium():
    with driven() as started:
        yield functools.partial(started, *DRAWN, viewport={"width": 1280, "height": 900})


@pytest.fixture(scope="module")
def browser(chromium):
    with chromium() as context:
        yield context


@pytest.fixture
def desk(tmp_path):
    made = Desk(tmp_path)
    yield made
    made.close()


@pytest.fixture
def potters(tmp_path):
    """A desk with a design whose clay shrinks, which the bench must know."""
    made = Desk(tmp_path, DOVE.replace("wall_mm = 4", "wall_mm = 4\nshrinkage_percent = 10"))
    yield made
    made.close()


@pytest.fixture
def tab(browser, desk):
    with opened(browser, desk) as page:
        yield page


@contextlib.contextmanager
def opened(context, desk):
    """A tab with the design, drawn and with the model's numbers; no script may fail in it."""
    page = context.new_page()
    page.on("dialog", lambda dialog: dialog.accept())
    try:
        with watched(page, console=False):  # a server that is lost, a save that is refused stand in the console
            page.goto(desk.address)
            page.wait_for_selector(".outline .clay-face", state="attached")
            page.wait_for_selector('.by[data-by="model"]')
            yield page
    finally:
        page.close(run_before_unload=False)


def said(page, what):
    return page.evaluate(f"() => {{ const s = window.simkitPage.session; return {what}; }}")


def until(page, what):
    """Waits until something is so in the page; its policy forbids what Playwright would do."""
    deadline = time.monotonic() + PATIENCE / 1000
    while not said(page, what):
        assert time.monotonic() < deadline, what
        page.wait_for_timeout(30)


def hole(page, name, view="from above"):
    return page.locator(f'svg.outline[data-side="{view}"] g.grip.hole', has_text=re.compile(f"^{name}$"))


def middle(page, locator):
    box = locator.locator(".rim").bounding_box()
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2, box


def change(page, diameter, version):
    page.locator("#part").select_option(label="hole 1")
    page.get_by_label("diameter, mm").fill(diameter)
    page.keyboard.press("Enter")
    until(page, f"s.state.version === {version}")


def drag(page, start, by, steps=6):
    page.mouse.move(*start)
    page.mouse.down()
    for n in range(1, steps + 1):
        page.mouse.move(start[0] + by[0] * n / steps, start[1] + by[1] * n / steps)
    return page.mouse.up


SEEN = """new MutationObserver(() => {
    if (!window.seen && document.querySelector(".outline .clay-face")) window.seen = performance.now();
}).observe(document, { subtree: true, childList: true });"""
STARTED = """() => Object.fromEntries(performance.getEntriesByType("resource").map(
    (each) => [each.name.split("/").pop().split("?")[0], each.startTime]))"""


def test_what_the_first_picture_wants_comes_first(browser, desk):
    """The design is asked for with the page, once; the library for the round waits until the outlines are there."""
    page, asked = browser.new_page(), []
    page.on("request", lambda request: asked.append(request.url))
    page.add_init_script(SEEN)
    page.goto(desk.address)
    page.wait_for_selector(".round[data-painted]")
    started, seen = page.evaluate(STARTED), page.evaluate("window.seen")
    assert started["state"] < seen < started["three.core.min.js"]
    assert sum("api/state" in address for address in asked) == 1
    page.close()


@pytest.mark.sample
def test_a_hole_is_dragged_undone_and_saved(tab, desk):
    """By slopes while it moves, by the model when that answers; the file's remarks stay."""
    until(tab, "s.state.known.slopes?.slopes['body.hole.1.along_mm'] !== undefined")
    before = said(tab, "s.notes.map((n) => n.cents)")
    x, y, _ = middle(tab, hole(tab, "1"))
    tab.evaluate(
        """() => {
            const { session } = window.simkitPage;
            window.kinds = [];
            session.on("numbers", () => window.kinds.push(session.notes[1].by));
        }"""
    )
    up = drag(tab, (x, y), (60, 0))
    dragged = said(tab, "s.hand.values['body.hole.1.along_mm']")
    assert dragged > 36
    until(tab, "s._heard !== null")
    assert "slopes" in tab.evaluate("window.kinds")
    until(tab, "s.notes[1].by === 'model'")
    by_model = said(tab, "s.notes.map((n) => n.cents)")
    assert by_model[1] != before[1]
    until(tab, "s.notes[1].blown_by === 'model'")  # doubt and margin too, of the place where the hand is
    doubts, margins = (said(tab, f"s.notes.map((n) => n.{what})") for what in ("doubt_cents", "margin"))
    told = replies.predicted(DOVE, "x", {"body.hole.1.along_mm": dragged})["notes"]
    assert doubts == pytest.approx([n["doubt_cents"] for n in told], rel=1e-3)
    assert margins == pytest.approx([n["margin"] for n in told], rel=1e-3)
    up()
    until(tab, "s.state.version === 2 && s.notes[1].by === 'model'")
    along = said(tab, "s.design.chambers[0].holes[0].along_mm")
    assert along == pytest.approx(dragged, abs=0.006)
    assert tab.locator("#file").inner_text() == "dove.toml, not saved"
    tab.keyboard.press("Control+s")
    until(tab, "s.state.saved")
    text = desk.file.read_text()
    assert loads(text).value("body.hole.1.along_mm") == along
    assert [line.split("#")[1] for line in text.splitlines() if "#" in line] == [
        line.split("#")[1] for line in DOVE.splitlines() if "#" in line
    ]
    tab.locator("#undo").click()
    until(tab, "s.state.version === 3 && s.notes[1].by === 'model'")
    assert said(tab, "s.notes.map((n) => n.cents)") == pytest.approx(before)
    tab.locator("#redo").click()
    until(tab, "s.state.version === 4")
    assert said(tab, "s.design.chambers[0].holes[0].along_mm") == along


def test_a_rim_is_pulled_wider_a_window_slides_and_the_body_is_stretched(tab):
    x, y, box = middle(tab, hole(tab, "2"))
    drag(tab, (x + 0.45 * box["width"], y), (5, 0))()
    until(tab, "s.state.version === 2")
    assert said(tab, "s.design.chambers[0].holes[1].diameter_mm") > 7.1
    assert said(tab, "s.design.chambers[0].holes[1].along_mm") == 50
    grip = tab.get_by_role("slider", name="body, length")
    box = grip.locator(".pull").bounding_box()
    drag(tab, (box["x"] + 2, box["y"] + box["height"] / 2), (40, 0))()
    until(tab, "s.state.version === 3")
    assert said(tab, "s.handles[0].numbers[0].of_mm") > 72
    window = tab.get_by_role("slider", name="window")
    window.focus()
    for _ in range(4):
        tab.keyboard.press("ArrowUp")
    until(tab, "s.state.version === 4")
    assert said(tab, "s.handles.find((h) => h.kind === 'window').numbers[0].value") > 15


@pytest.mark.sample
def test_every_handle_is_reached_by_keys_and_named(tab):
    tab.locator("#save").focus()
    names = []
    for _ in range(60):
        tab.keyboard.press("Tab")
        at = tab.evaluate(
            "() => ['role', 'aria-label', 'aria-valuetext'].map((each) => document.activeElement.getAttribute(each))"
        )
        if at[0] == "slider" and at[1].split(":")[0] in names:
            break  # once round
        if at[0] == "slider":
            names.append(at[1].split(":")[0])
            assert re.search(r"\d", at[2])
    assert sorted(names) == sorted(["hole 1", "hole 2", "window", "body, length", "body, width", "body, height"])
    tab.evaluate("window.simkitPage.piece.restMs = 1e6")  # no rest between keys, however busy the machine is
    tab.get_by_role("slider", name="hole 1").focus()
    tab.keyboard.press("+")
    tab.keyboard.press("Shift+ArrowUp")
    assert said(tab, "s.hand.values") == {"body.hole.1.diameter_mm": pytest.approx(6.1), "body.hole.1.along_mm": 36.5}
    tab.keyboard.press("Escape")
    assert said(tab, "s.hand") is None
    tab.evaluate("window.simkitPage.piece.restMs = 100")
    tab.keyboard.press("-")
    until(tab, "s.state.version === 2")  # after a rest it is left there
    assert said(tab, "s.design.chambers[0].holes[0].diameter_mm") == pytest.approx(5.9)
    tab.get_by_label("around, °").fill("-25")
    tab.keyboard.press("Enter")
    until(tab, "s.state.version === 3")
    assert said(tab, "s.design.chambers[0].holes[0].around_deg") == -25


def test_a_tap_shows_a_fingering_and_opens_a_hole(tab):
    tab.get_by_role("button", name="D5").click()
    assert said(tab, "s.fingering.open") == ["1"]
    assert "is-open" in hole(tab, "1").get_attribute("class") and "is-covered" in hole(tab, "2").get_attribute("class")
    x, y, _ = middle(tab, hole(tab, "2"))
    tab.mouse.click(x, y)
    assert sorted(said(tab, "s.fingering.open")) == ["1", "2"] and said(tab, "s.state.version") == 1


def test_what_may_not_be_is_shown_while_dragging(tab):
    x, y, _ = middle(tab, hole(tab, "1"))
    there, below, _ = middle(tab, hole(tab, "2"))
    up = drag(tab, (x, y), (0.7 * (there - x), 0.7 * (below - y)))
    until(tab, "s.limits.length > 0")
    tab.wait_for_selector(".limits li")
    assert "clay between hole 1 and hole 2" in tab.locator(".limits").inner_text()
    assert "troubled" in hole(tab, "2").get_attribute("class")
    tab.keyboard.press("Escape")
    tab.mouse.move(x + 20, y)  # what has been put back is no longer in the hand
    assert said(tab, "s.hand") is None
    up()
    assert said(tab, "s.state.version") == 1


def test_on_a_telephone_what_a_drag_does_is_seen_while_it_is_done(tab):
    tab.set_viewport_size({"width": 320, "height": 640})
    tab.evaluate("document.querySelector('.outlines').scrollIntoView()")
    assert not in_sight(tab, ".notes tbody tr >> nth=-1")
    x, y, _ = middle(tab, hole(tab, "1"))
    there, below, _ = middle(tab, hole(tab, "2"))
    up = drag(tab, (x, y), (0.7 * (there - x), 0.7 * (below - y)))
    tab.wait_for_selector(".limits li")
    for what in (".limits", ".notes tbody tr >> nth=0", ".notes tbody tr >> nth=-1"):
        assert in_sight(tab, what)
    _, _, held = middle(tab, hole(tab, "1"))
    assert held["y"] + held["height"] < tab.locator(".limits").bounding_box()["y"]
    tab.keyboard.press("Escape")
    up()
    assert not in_sight(tab, ".notes tbody tr >> nth=-1")


def in_sight(page, what):
    box = page.locator(what).bounding_box()
    return 0 <= box["y"] <= page.viewport_size["height"] - box["height"]


def test_two_tabs_show_one_design(browser, desk):
    with opened(browser, desk) as one, opened(browser, desk) as other:
        change(one, "6.4", 2)
        until(other, "s.state.version === 2")
        assert said(other, "s.design.chambers[0].holes[0].diameter_mm") == 6.4
        other.locator("#undo").click()
        until(one, "s.state.version === 3")
        assert said(one, "s.design.chambers[0].holes[0].diameter_mm") == 6


def test_a_design_that_another_program_changed_is_not_written_over(tab, desk):
    change(tab, "6.4", 2)
    desk.file.write_text(theirs := DOVE.replace("Test dove", "Theirs"))
    tab.locator("#save").click()
    tab.wait_for_selector("#changed:not([hidden])")
    assert desk.file.read_text() == theirs
    tab.get_by_role("button", name="Take what it wrote").click()
    until(tab, "s.design.title === 'Theirs'")
    assert tab.locator("#changed").is_hidden()


HIDDEN = """(away) => {
    Object.defineProperty(document, "hidden", { value: away, configurable: true });
    document.dispatchEvent(new Event("visibilitychange"));
}"""


def test_a_server_that_is_lost_is_said_and_a_browser_that_slept_comes_back(browser, desk):
    with opened(browser, desk) as page, opened(browser, desk) as other:
        page.evaluate(HIDDEN, True)
        assert said(page, "s._stream.readyState") == 2  # it hears nothing any more
        change(other, "6.6", 2)
        assert said(page, "s.state.version") == 1
        page.evaluate(HIDDEN, False)
        until(page, "s.state.version === 2")  # and looks anew when it is looked at
        line = browser.new_cdp_session(page)
        line.send("Network.enable")
        away = {"latency": 0, "downloadThroughput": 0, "uploadThroughput": 0}
        line.send("Network.emulateNetworkConditions", {"offline": True, **away})
        page.evaluate("window.simkitPage.session._stream.close(); window.simkitPage.session.connect()")
        page.wait_for_selector("#lost:not([hidden])")
        change(other, "6.4", 3)
        line.send(
            "Network.emulateNetworkConditions",
            {"offline": False, **away, "downloadThroughput": -1, "uploadThroughput": -1},
        )
        page.wait_for_selector("#lost", state="hidden")
        until(page, "s.state.version === 3")
        desk.server.terminate()
        desk.server.wait(30)
        page.wait_for_selector("#lost:not([hidden])")
        page.locator("#undo").click()
        page.wait_for_selector("#said.shown:has-text('Start it again')")


PLACES = {  # each with what it shows when all of it is there
    "change": ".boxes input", "tune": "#panel-tune .key", "hear": ".hear-keys .key", "bench": ".bench-notes tbody tr",
    "print": "#panel-print .key", "folder": ".card[data-file='lark.toml'] .strip",
}  # fmt: skip


def test_nobody_is_kept_out(browser, potters):
    """axe-core's rules (WCAG 2.2 A and AA): no serious finding; nothing wider than a small telephone's screen."""
    from axe_playwright_python.sync_playwright import Axe

    potters.file.with_name("lark.toml").write_text(DOVE.replace("Test dove", "Test lark, of a name that is long"))
    with opened(browser, potters) as page:
        until(page, "s.state.known.predicted !== undefined")
        page.get_by_role("button", name="D5").click()  # a fingering is shown
        for place, shows in PLACES.items():
            page.set_viewport_size({"width": 1280, "height": 900})
            page.locator("#all" if place == "folder" else f"#tab-{place}").click()
            page.wait_for_selector(shows)
            for scheme, wide in itertools.product(("light", "dark"), (1280, 768, 320)):
                page.emulate_media(color_scheme=scheme, reduced_motion="reduce")
                page.set_viewport_size({"width": wide, "height": 900})
                page.wait_for_timeout(100)
                if kept := os.environ.get("SCREENSHOTS"):
                    page.screenshot(path=f"{kept}/{place}-{scheme}-{wide}.png", full_page=True)
                found = Axe().run(page).response["violations"]
                serious = [
                    (v["id"], v["impact"], [n["html"][:120] for n in v["nodes"]])
                    for v in found
                    if v["impact"] in ("serious", "critical")
                ]
                assert serious == [], (place, scheme, wide)
                assert page.evaluate("document.documentElement.scrollWidth") <= wide, (place, scheme)
                ground = page.evaluate("getComputedStyle(document.body.parentElement).backgroundColor")
                assert ground == ("rgb(255, 255, 255)" if scheme == "light" else "rgb(28, 23, 20)")


def test_without_webgl_the_outlines_remain(chromium, desk):
    with chromium("--disable-3d-apis") as context, opened(context, desk) as page:
        page.wait_for_selector(".round", state="hidden")
        assert page.locator(".outline .clay-face").count() == 3
        x, y, _ = middle(page, hole(page, "1"))
        drag(page, (x, y), (40, 0))()
        until(page, "s.state.version === 2")


UNDER_THE_POINTER = """() => {
    const canvas = document.querySelector(".round canvas"), box = canvas.getBoundingClientRect(), found = [];
    for (let x = box.x + 4; x < box.right; x += 4) for (let y = box.y + 4; y < box.bottom; y += 4) {
        canvas.dispatchEvent(new PointerEvent("pointermove", { clientX: x, clientY: y }));
        if (canvas.style.cursor === "move") found.push([x, y]);
    }
    return { corner: [box.x + 12, box.y + 12], holes: found };
}"""


def test_in_the_round_a_hole_is_dragged_and_the_piece_is_turned(tab):
    tab.wait_for_selector(".round[data-painted]")
    places = tab.evaluate(UNDER_THE_POINTER)
    before = tab.locator(".round canvas").screenshot()
    drag(tab, places["corner"], (90, 40))()
    tab.wait_for_timeout(400)
    assert tab.locator(".round canvas").screenshot() != before
    assert said(tab, "s.state.version") == 1  # looking changes nothing
    places = tab.evaluate(UNDER_THE_POINTER)["holes"]
    up = drag(tab, places[len(places) // 2], (15, 0))
    assert {name.rpartition(".")[2] for name in said(tab, "Object.keys(s.hand.values)")} == {"along_mm", "around_deg"}
    up()
    until(tab, "s.state.version === 2")


ELSEWHERE = Path(__file__).with_name("elsewhere.html")  # tries to read and to save from another origin


def test_a_page_from_elsewhere_that_knows_the_address_can_neither_read_nor_save(browser, desk, tmp_path):
    (tmp_path / "web").mkdir()
    shutil.copy(ELSEWHERE, tmp_path / "web" / "index.html")

    class Quiet(http.server.SimpleHTTPRequestHandler):
        def __init__(self, *given):
            super().__init__(*given, directory=tmp_path / "web")

        def log_message(self, *_):
            pass

    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), Quiet) as elsewhere:
        threading.Thread(target=elsewhere.serve_forever, daemon=True).start()
        with opened(browser, desk) as ours:  # so that there is what to save
            change(ours, "6.4", 2)
        page = browser.new_page()
        page.goto(f"http://127.0.0.1:{elsewhere.server_port}/?to={desk.address.partition('?')[0]}")
        deadline = time.monotonic() + PATIENCE / 1000
        while page.title() != "done":
            assert time.monotonic() < deadline
            page.wait_for_timeout(50)
        tried = page.evaluate("window.tried")
        page.close()
        elsewhere.shutdown()
    assert {name: tried[name] for name in ("read", "save", "stream", "script")} == dict.fromkeys(
        ("read", "save", "stream", "script"), "refused"
    )
    assert tried["blind"] in ("opaque", "refused") and tried["frame"] in ("hidden", "refused")
    assert desk.file.read_text() == DOVE
