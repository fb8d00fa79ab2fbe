"""Every study as a page of its own, and an index that leads to each."""

import re
import runpy
import sys
from pathlib import Path

import pytest

STUDIES = Path(__file__).parents[2] / "studies"
NAMES = sorted(readme.parent.name for readme in STUDIES.glob("[0-9][0-9]_*/README.md"))


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pages") / "out"
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(sys, "argv", ["pages.py", "-o", str(folder)])
        runpy.run_path(str(STUDIES / "pages.py"), run_name="__main__")
    return folder


def test_every_study_has_its_page_and_the_index_leads_to_it(pages):
    index = (pages / "index.html").read_text()
    assert re.findall('href="([^"]+)"', index) == [f"{name}.html" for name in NAMES]
    assert sorted(page.name for page in pages.iterdir()) == sorted([*(f"{name}.html" for name in NAMES), "index.html"])


@pytest.mark.parametrize("name", NAMES)
def test_a_page_holds_its_pictures_and_leads_nowhere_else(pages, name):
    page = (pages / f"{name}.html").read_text()
    readme = (STUDIES / name / "README.md").read_text()
    assert page.count("data:image/") == len(re.findall(r"!\[|<img ", readme))
    assert set(re.findall('href="([^"#][^"]*)"', page)) <= {"index.html", *(f"{each}.html" for each in NAMES)}
    assert all(address.startswith("data:") for address in re.findall('src="([^"]+)"', page))
    assert len(page) < 3e6
