"""Every study reruns: its --quick way, in a folder of its own, finds all that its record holds.

They rerun nightly, one of them in the sample; in the quick tests each is loaded, its page made anew from the record.
"""

import importlib.util
import json
import os
import re
import subprocess
import sys
from datetime import datetime
from functools import partial
from pathlib import Path

import pytest

from simkit.provenance import LIBRARIES, provenance

SAMPLED = "00_first_whistle"

STUDIES = sorted(path.parent for path in (Path(__file__).parents[2] / "studies").glob("[0-9][0-9]_*/study.py"))


def keys(value):
    """The value without its numbers and texts: keys, and what the items of a list have in common."""
    if isinstance(value, dict):
        return {key: keys(item) for key, item in value.items()}
    if isinstance(value, list):
        shapes = [keys(item) for item in value]
        return [shape for n, shape in enumerate(shapes) if shape not in shapes[:n]]
    return None


def recorded(folder):
    return json.loads((folder / "result.json").read_text(encoding="utf-8"))


def marks(name):
    return [pytest.mark.slow, *([pytest.mark.sample] if name == SAMPLED else [])]


RERUN = [pytest.param(study, id=study.name, marks=marks(study.name)) for study in STUDIES]


@pytest.mark.parametrize("study", RERUN)
def test_a_study_reruns_and_finds_what_its_record_holds(study, tmp_path):
    before = {path: path.stat().st_mtime_ns for path in study.iterdir() if path.is_file()}
    command = [sys.executable, study / "study.py", "--quick", "-o", tmp_path]
    done = subprocess.run(command, capture_output=True, text=True, cwd=tmp_path, env={**os.environ, "COLUMNS": "80"})
    assert done.returncode == 0, done.stderr
    assert keys(recorded(tmp_path)) == keys(recorded(study))
    pictures = {path.name for path in study.glob("*.png")}  # an .svg is a drawing that it begins from
    assert pictures <= {path.name for path in tmp_path.iterdir()}
    assert {path: path.stat().st_mtime_ns for path in before} == before


@pytest.mark.parametrize("study", STUDIES, ids=lambda path: path.name)
def test_a_record_says_what_made_it(study):
    made = recorded(study)["provenance"]
    assert made.keys() == provenance().as_dict().keys()
    assert made["libraries"].keys() == set(LIBRARIES)
    assert re.fullmatch("[0-9a-f]{12}(, changed since)?", made["commit"])
    assert datetime.fromisoformat(made["at"]).tzinfo
    assert made["command"].startswith(f"studies/{study.name}/")


@pytest.mark.parametrize("study", STUDIES, ids=lambda path: path.name)
def test_a_study_says_its_question_method_number_and_verdict(study):
    text = (study / "README.md").read_text(encoding="utf-8").lower()
    for part in ("question", "method", "number", "verdict", f"python studies/{study.name}/study.py", "minute"):
        assert part in text


@pytest.mark.parametrize("study", STUDIES, ids=lambda path: path.name)
def test_a_page_takes_its_numbers_from_its_record(study, monkeypatch):
    monkeypatch.syspath_prepend(str(study))  # what lies beside a study
    spec = importlib.util.spec_from_file_location(f"study_{study.name}", study / "study.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    page = module.readme if hasattr(module, "readme") else partial(module.filled, study)
    assert page(recorded(study)) == (study / "README.md").read_text(encoding="utf-8")
