"""Every study reruns: its --quick way, in a folder of its own, finds all that its record holds.

They rerun nightly, one of them in the sample; in the quick tests each is loaded, its page made anew from the record.
Numbers that the --quick way finds as the whole way does are held to the record's. What one mesh and the next are apart
is known: notes by `ports` 0.01 to 0.06 cents, by the judge 0.1, on shaken meshes and on those of older processors.
"""

import importlib.util
import json
import os
import re
import subprocess
import sys
from datetime import datetime
from decimal import Decimal
from functools import partial
from pathlib import Path

import pytest

from simkit.provenance import LIBRARIES, provenance

SAMPLED = "00_first_whistle"

CENTS = 0.4  # of a pitch, or between two: four times what meshes are apart, well below what any study tells apart
SHARE, LEAST = 0.03, 0.005  # of any other number, pressures, losses and doubts; and in its own unit

# Beginnings of what --quick finds otherwise than the whole way does, and how many numbers are left to hold. Of studies
# that are not here the keys alone are held.
OTHERWISE = {
    "00_first_whistle": (("slips", "bench"), 100),
    "03_window_and_windway": (("silent_cells", "percent_per_percent", "jump_pa", "airier_db"), 6),
    "05_hand_made_error": (("makers", *(f"designs.{name}.share_within" for name in ("ordinary", "steady"))), 35),
    "09_what_matters": (("over_all",), 100),
    "10_a_figure_on_legs": (("off", "from_sketch.own_hz"), 40),
    "11_player_and_table": ((), 150),
}

STUDIES = sorted(path.parent for path in (Path(__file__).parents[2] / "studies").glob("[0-9][0-9]_*/study.py"))


def keys(value):
    """The value without its numbers and texts: keys, and what the items of a list have in common."""
    if isinstance(value, dict):
        return {key: keys(item) for key, item in value.items()}
    if isinstance(value, list):
        shapes = [keys(item) for item in value]
        return [shape for n, shape in enumerate(shapes) if shape not in shapes[:n]]
    return None


def numbers(record, found, path=""):
    """The places of a record with what stands there and in a rerun, where both have a number.

    Items of lists are matched by their texts (a name, a note), rows of numbers by their place.
    """
    if isinstance(record, dict) and isinstance(found, dict):
        for key in record.keys() & found.keys():
            yield from numbers(record[key], found[key], f"{path}.{key}".strip("."))
    elif isinstance(record, list) and isinstance(found, list):
        called = {texts(item): item for item in record if texts(item)}
        if called:
            for item in found:
                if texts(item) in called:
                    yield from numbers(called[texts(item)], item, f"{path}[{'/'.join(texts(item))}]")
        elif len(record) == len(found):
            for n, pair in enumerate(zip(record, found, strict=True)):
                yield from numbers(*pair, f"{path}[{n}]")
    elif all(isinstance(value, int | float) and not isinstance(value, bool) for value in (record, found)):
        yield path, record, found


def texts(item):
    """The texts of a table, which tell it from others of its list."""
    return tuple(str(value) for value in item.values() if isinstance(value, str)) if isinstance(item, dict) else ()


def is_near(path, recorded, found):
    """Whether a number is that of the record but for the mesh, by its key."""
    key = re.sub(r"\[.*?\]", "", path).rpartition(".")[2]
    off = max(abs(found - recorded) - last_figure(recorded), 0.0)
    if "cents" in path and "uncertainty" not in key:
        return off <= CENTS
    if key == "hz" or key.endswith("_hz"):
        return off <= abs(recorded) * (2 ** (CENTS / 1200) - 1)
    return off <= SHARE * abs(recorded) + LEAST


def last_figure(value):
    """One in the last figure that a record keeps of a number, the fourth at least (`studies/written.rounded`).

    >>> last_figure(1062.0), last_figure(587.046)
    (1.0, 0.001)
    """
    digits = Decimal(repr(value)).normalize().as_tuple()
    return 10.0 ** (digits.exponent - max(4 - len(digits.digits), 0)) if value else 0.0


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
    otherwise, least = OTHERWISE.get(study.name, (("",), 0))
    found = [
        each for each in numbers(recorded(study), recorded(tmp_path)) if not each[0].startswith(("minutes", *otherwise))
    ]
    assert [each for each in found if not is_near(*each)] == []
    assert len(found) >= least
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
