"""What `python -m pytest` does on its own: in several processes, and what fails is told with its values."""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

FAILING = """
import pytest

def test_a_sum():
    found = [1, 1 + 1]
    assert found == [1, 3]

@pytest.mark.slow
def test_another():
    test_a_sum()
"""


@pytest.mark.slow
@pytest.mark.parametrize("asked", [[], ["-m", "slow", "--assert=plain"]])
def test_what_fails_is_told_with_its_values_though_assertions_run_plain(asked, tmp_path):
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    (tmp_path / "tests").mkdir()
    shutil.copy(ROOT / "tests/conftest.py", tmp_path / "tests")
    (tmp_path / "tests/test_sum.py").write_text(FAILING)
    command = [sys.executable, "-m", "pytest", *asked]
    ran = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert ran.returncode == 1
    plain, _, again = ran.stdout.partition("once more, by themselves")
    assert "diff" not in plain and "assert found == [1, 3]" in plain
    assert "At index 1 diff: 2 != 3" in again
