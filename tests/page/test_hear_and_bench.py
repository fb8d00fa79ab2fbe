"""Notes heard and notes listened to, in a real browser whose microphone plays a file; all slow."""

import json

import numpy as np
import pytest
from scipy.io import wavfile

import simkit
from tests.browser import in_a_browser
from tests.page.test_browser import (  # noqa: F401  (fixtures)
    browser,
    chromium,
    desk,
    opened,
    potters,
)

pytestmark = in_a_browser

RENDERED = """async (tone) => {
    const { Instrument } = await import("./static/tone.js"), { frequencyOf } = await import("./static/pitch.js");
    const instrument = new Instrument(), rate = 48000;
    instrument.made = new OfflineAudioContext(1, 1.2 * rate, rate);
    instrument.made.resume = () => {};
    instrument.play({ hz: tone.hz, tone });
    const sound = (await instrument.made.startRendering()).getChannelData(0);
    const grown = Math.log(1000) / tone.growth_per_s;
    const level = (hz, from, length) => {
        let re = 0, im = 0;
        for (let n = 0; n < length; n++) {
            const turn = (2 * Math.PI * hz * n) / rate, w = 1 - Math.cos((2 * Math.PI * n) / length);
            re += w * sound[from + n] * Math.cos(turn);
            im += w * sound[from + n] * Math.sin(turn);
        }
        return (2 * Math.hypot(re, im)) / length;
    };
    const late = sound.slice(0.9 * rate, 1.05 * rate), steady = 0.9 * rate;
    return {
        hz: frequencyOf(late, rate).hz,
        partials: tone.partials.map((_, n) => level((n + 1) * tone.hz, steady, 7200)),
        rise: [0.5, 1, 1.5].map((part) => level(tone.hz, Math.round(part * grown * rate), 480)),
    };
}"""


def test_a_note_is_made_as_the_numbers_say(browser, desk):  # noqa: F811
    """Its pitch within a cent, its partials within a hundredth, and half its growth where the rate has it."""
    tone = {
        "hz": 587.33, "level_pa": 0.5, "partials": [1.0, 0.02, 0.2, 0.0, 0.06], "growth_per_s": 40.0, "noise": 1e-4,
        "noise_hz": 4000.0,
    }  # fmt: skip
    with opened(browser, desk) as page:
        found = page.evaluate(RENDERED, tone)
    assert abs(1200 * np.log2(found["hz"] / tone["hz"])) < 1
    partials = np.array(found["partials"])
    np.testing.assert_allclose(partials / partials[0], tone["partials"], atol=0.01)
    # Landau's amplitude reaches 1/sqrt(2) at ln(1/a0)/s, a thousandth of it being the start.
    early, middle, late = np.array(found["rise"]) / partials[0]
    assert early < 0.1 and 0.6 < middle < 0.85 and late > 0.95


def test_notes_are_played_by_keys_and_by_holes(browser, desk):  # noqa: F811
    with opened(browser, desk) as page:
        page.get_by_role("tab", name="Hear").click()
        page.wait_for_selector(".hear-keys .key:not(:disabled)")
        blown = simkit.blow(simkit.load(desk.file), advise=False).chambers[0].notes
        page.keyboard.down("a")
        page.wait_for_selector(".hear-keys .sounds")
        assert f"{blown[0].blown.sounding_hz:.1f} Hz" in page.locator(".hear-word").inner_text()
        page.keyboard.up("a")
        assert page.locator(".hear-keys .sounds").count() == 0
        page.evaluate("window.simkitPage.session.pressHole('body', '2', true)")
        page.evaluate("window.simkitPage.session.emit('tap', { chamber: 'body', hole: '2' })")
        page.wait_for_selector(".hear-word:has-text('This fingering')")
        page.get_by_role("tab", name="Change").click()
        page.keyboard.press("a")  # and keys are keys again
        assert page.evaluate("window.simkitPage.session.fingering.open") == ["2"]


def test_a_held_note_becomes_a_reading_and_the_next_cut_is_said(chromium, potters, tmp_path):  # noqa: F811
    first = simkit.tune(simkit.load(potters.file), stage=None).first
    assert first is not None
    hz = first[1].frequency_hz * 2 ** (15 / 1200)
    t = np.arange(48000 * 4) / 48000
    tone = np.sin(2 * np.pi * hz * t) + 0.1 * np.sin(4 * np.pi * hz * t)
    wavfile.write(tmp_path / "tone.wav", 48000, (9000 * tone).astype(np.int16))
    flags = (
        "--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream",
        f"--use-file-for-fake-audio-capture={tmp_path / 'tone.wav'}",
    )  # fmt: skip
    with chromium(*flags) as context, opened(context, potters) as page:
        page.get_by_role("tab", name="Bench").click()
        page.wait_for_selector(".bench-next:has-text('Blow C5')")
        page.get_by_role("button", name="Listen").click()
        page.wait_for_selector(".bench-read:has-text('C5 reads')")
        page.get_by_role("button", name="Take the reading").click()
        page.wait_for_selector(".bench-next:has-text('Hole 1 to')")
        log = potters.file.with_name(potters.file.name + ".bench.jsonl")
        read = [each for each in map(json.loads, log.read_text().splitlines()) if each["kind"] == "heard"]
        assert len(read) == 1 and abs(1200 * np.log2(read[0]["hz"] / hz)) < 1
        size = float(page.locator(".bench-next").evaluate("(e) => parseFloat(getComputedStyle(e).fontSize)"))
        assert size >= 40  # of 16 px a metre away one reads little
        assert page.get_by_role("button", name="Take the reading").is_disabled()
        page.get_by_role("button", name="Undo the last step").click()
        page.wait_for_selector(".bench-next:has-text('Blow C5')")


@pytest.mark.parametrize(("panel", "shows"), [("Hear", ".hear-keys .key"), ("Bench", ".bench-notes tbody tr")])
def test_another_design_is_another_panel(browser, potters, panel, shows):  # noqa: F811
    """What is heard, or goes into a log, is of the design that is shown."""
    potters.file.with_name("lark.toml").write_text(potters.file.read_text().replace('"D5"', '"E5"'))
    with opened(browser, potters) as page:
        page.get_by_role("tab", name=panel).click()
        page.wait_for_selector(f"{shows}:has-text('D5')")
        page.evaluate("window.simkitPage.session.open('lark.toml')")
        page.wait_for_selector(f"{shows}:has-text('E5')")
        assert page.locator(f"{shows}:has-text('D5')").count() == 0
