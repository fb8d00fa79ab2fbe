"""What the documents name is there: files, commands, rooms; and they name nothing of one machine."""

import re
from pathlib import Path

import pytest

import simkit
from simkit.cli import app
from simkit.making.cautions import CAUTIONS, FIRST

ROOT = Path(simkit.__file__).parents[1]
DOCUMENTS = [ROOT / name for name in ("README.md", "DEVELOPERS.md", "CHANGELOG.md")]
DOCUMENTS += sorted(ROOT.glob("studies/**/*.md"))
COMMANDS = {command.name or command.callback.__name__ for command in app.registered_commands}


@pytest.fixture(params=DOCUMENTS, ids=lambda path: str(path.relative_to(ROOT)))
def document(request):
    return request.param


def test_links_lead_somewhere(document):
    targets = re.findall(r"\]\(([^)]+)\)", document.read_text(encoding="utf-8"))
    targets += re.findall(r'src="([^"]+)"', document.read_text(encoding="utf-8"))
    inside = [target for target in targets if "://" not in target]
    assert [target for target in inside if not (document.parent / target).exists()] == []


def test_commands_are_there(document):
    named = set(re.findall(r"(?:`|bin/)simkit ([a-z]+)\b", document.read_text(encoding="utf-8")))
    assert named - COMMANDS == set()


def test_paths_of_the_developers_page_are_there():
    paths = re.findall(r"`((?:simkit|tests|studies|\.ci)/[\w/.]+)`", (ROOT / "DEVELOPERS.md").read_text("utf-8"))
    assert paths
    assert [path for path in paths if not (ROOT / path).exists() and not re.search("NN|NAME", path)] == []


def test_every_room_is_on_the_developers_page():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    package = ROOT / "simkit"
    rooms = {path.parent.name for path in package.glob("*/__init__.py")} | {path.stem for path in package.glob("*.py")}
    assert [room for room in sorted(rooms) if not room.startswith("__") and f"`{room}`" not in text] == []


def test_the_cautions_of_the_sheets_stand_in_the_readme_too():
    text = " ".join((ROOT / "README.md").read_text(encoding="utf-8").split())
    assert [what for what, said in CAUTIONS if text.count(f"**{what}**: {said}") != 1] == []
    assert text.count(FIRST) == 1


def test_no_document_names_a_machine(document):
    text = document.read_text(encoding="utf-8")
    assert not re.search(r"(?<![\w.])/(?:home|work|root|tmp|Users|usr)/", text)
