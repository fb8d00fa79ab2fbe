"""A helper process: it answers, it fails with the same error, it ends in time and with whoever asked."""

import os
import signal
import subprocess
import sys
import time

import numpy as np
import pytest

from simkit.child import in_own_process
from simkit.errors import MeshError, OutOfReach


def fails(what):
    raise MeshError(what, 0.5, "make it thicker")


def test_it_answers():
    assert in_own_process(np.arange, 4, seconds=60, what=("counting", "do less")).tolist() == [0, 1, 2, 3]


def test_what_it_raises_is_raised_here():
    with pytest.raises(MeshError, match=r"the air could not be meshed at 0\.5 mm: make it thicker"):
        in_own_process(fails, "the air", seconds=60, what=("failing", "do less"))


@pytest.mark.parametrize(
    "code", [pytest.param("while True: pass", marks=pytest.mark.slow), "import time; time.sleep(600)"]
)
def test_it_ends_in_time(code, monkeypatch):
    monkeypatch.setattr("simkit.child.WAITING", 4)
    with pytest.raises(OutOfReach, match=r"idling: not done after 0\.025 minutes; do less"):
        in_own_process(exec, code, seconds=1.5, what=("idling", "do less"))


def test_a_helper_that_dies_is_one_sentence():
    with pytest.raises(OutOfReach, match="dying: ended without a word"):
        in_own_process(os._exit, 3, seconds=60, what=("dying", "do less"))


@pytest.mark.skipif(sys.platform == "win32", reason="signals of a terminal")
@pytest.mark.parametrize("how", [pytest.param(signal.SIGINT, marks=pytest.mark.slow), signal.SIGKILL])
def test_it_ends_with_whoever_asked(how, tmp_path):
    """Ctrl-C, and an asker that is killed: in both cases nothing goes on."""
    note = tmp_path / "helper"
    code = f"import os; open({str(note)!r}, 'w').write(str(os.getpid())); import time; time.sleep(600)"
    # A job in the background starts deaf to Ctrl-C.
    heard = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)"
    asked = f"in_own_process(exec, {code!r}, seconds=600, what=('sleeping', 'do less'))"
    asker = f"{heard}; from simkit.child import in_own_process; {asked}"
    with subprocess.Popen([sys.executable, "-c", asker], stderr=subprocess.DEVNULL) as process:
        for _ in range(600):
            if note.exists() and note.read_text():
                break
            time.sleep(0.1)
        process.send_signal(how)
        process.wait(60)
    helper = int(note.read_text())
    for _ in range(600):
        try:
            os.kill(helper, 0)
        except ProcessLookupError:
            return
        time.sleep(0.1)
    raise AssertionError("the helper goes on")
