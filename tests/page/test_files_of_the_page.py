"""Files that the page is made of, those among them that a report's page has too."""

import re
from pathlib import Path

import pytest

import simkit.page


@pytest.mark.parametrize("name", ["sound.js", "bench.js", "tuner.js", "tone.js", "pitch.js", "sound.css", "bench.css"])
def test_what_hears_and_sounds_is_served(page, name):
    status, headers, body = page.ask("GET", f"static/{name}")
    assert status == 200 and body
    assert headers["content-type"].startswith("text/css" if name.endswith("css") else "text/javascript")


@pytest.mark.parametrize("name", ["none.js", "../report.py", "%2e%2e/report.py", "pocket.html.j2"])
def test_nothing_else_of_that_folder_is(page, name):
    assert page.ask("GET", f"static/{name}")[0] == 404


def test_a_browser_is_told_with_the_page_what_that_will_ask_first(page):
    """RFC 8288, and no name of a design ends the header; the words are those of the script's own request."""
    _, headers, _ = page.ask("GET", "?design=dove%20%3E%0d%0aX.toml")
    assert headers["link"] == "<api/state?design=dove+%3E%0D%0AX.toml>; rel=preload; as=fetch; crossorigin"
    assert "link" not in page.ask("GET", "")[1]


def test_the_page_is_small():
    """Two megabytes in all, of which the 3-D library is the most."""
    files = list((Path(simkit.page.__file__).parent / "static").iterdir())
    assert sum(file.stat().st_size for file in files) < 2_000_000
    assert not [
        f.name
        for f in files
        if f.suffix in (".js", ".css", ".html") and re.search(r"(src|href)=\"https?:", f.read_text())
    ]
