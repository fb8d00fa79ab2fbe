"""Scripts that a report's page and the page to work on both have."""

import pytest


@pytest.mark.parametrize("name", ["sound.js", "bench.js", "tuner.js", "tone.js", "pitch.js", "sound.css", "bench.css"])
def test_what_hears_and_sounds_is_served(page, name):
    status, headers, body = page.ask("GET", f"static/{name}")
    assert status == 200 and body
    assert headers["content-type"].startswith("text/css" if name.endswith("css") else "text/javascript")


@pytest.mark.parametrize("name", ["none.js", "../report.py", "%2e%2e/report.py", "pocket.html.j2"])
def test_nothing_else_of_that_folder_is(page, name):
    assert page.ask("GET", f"static/{name}")[0] == 404
