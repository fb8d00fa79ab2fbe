"""What every test runs under: one thread for numerics, as in the command line; meshes shaken where that is asked.

The quick tests as a whole run in several processes, a folder of tests after the other in each.
"""

import gc
import os
import subprocess
import sys
from collections import OrderedDict
from pathlib import Path

import pytest
from hypothesis import settings

from simkit.machine import cores

MOST_PROCESSES = 4
MOST_AGAIN = 10
# Quick tests of physics want the meshes that users have; those of words, files, pictures and of how numbers hang
# together do with sizes so much coarser.
PHYSICS, ANSWERS = ("body", "field", "sound", "cli/test_sheets.py"), "sound/answers"
ROUGH = "1.25"
TESTS = Path(__file__).parent

settings.register_profile("unhurried", deadline=None, max_examples=25)  # on a busy machine a slow moment is no fault
settings.register_profile("many", deadline=None, max_examples=100)  # nightly: --hypothesis-profile many
settings.load_profile("unhurried")

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")  # before numpy is imported


def pytest_addoption(parser):
    parser.addoption(
        "--shake",
        type=float,
        metavar="FACTOR",
        help="multiply the sizes of every mesh, and draw it from other random numbers; nightly 0.97 and 1.03",
    )


def pytest_configure(config):
    factor = config.getoption("--shake")
    if factor is not None:
        from simkit.body import kernel

        low, high = kernel.SHAKEN
        if not low <= factor <= high:
            raise pytest.UsageError(f"--shake {factor}: a factor from {low:g} to {high:g}")
        os.environ[kernel.SHAKE] = str(factor)  # the processes that tests start have it too


def pytest_report_header(config):
    factor = config.getoption("--shake")
    return None if factor is None else f"meshes: every size times {factor}, other random numbers"


@pytest.fixture
def announce(tmp_path, monkeypatch):
    """Lays out a package as pip would: its module, and the metadata with one entry point (`name = module:object`)."""
    from simkit import provenance

    def made(module, text, group, point):
        place = tmp_path / "packages"
        metadata = place / f"{module}-1.2.dist-info"
        metadata.mkdir(parents=True)
        (place / f"{module}.py").write_text(text)
        (metadata / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {module}\nVersion: 1.2\n")
        (metadata / "entry_points.txt").write_text(f"[{group}]\n{point}\n")
        monkeypatch.syspath_prepend(place)
        monkeypatch.delitem(sys.modules, module, raising=False)

    def forget():  # what makes a result is found out once a process, and the package is part of it
        provenance.libraries.cache_clear()
        provenance.code.cache_clear()

    forget()
    yield made
    forget()


@pytest.hookimpl(tryfirst=True)  # before any fixture
def pytest_runtest_setup(item):
    """Coarser meshes where no figure hangs on them, if quick tests alone are asked for; nightly has standard ones."""
    from simkit.body import kernel

    if item.config.getoption("--shake") is not None or item.config.option.markexpr != "not slow":
        return
    physics = any(item.path.is_relative_to(TESTS / room) for room in PHYSICS)
    size = "" if physics and not item.path.is_relative_to(TESTS / ANSWERS) else ROUGH
    if os.environ.get(kernel.SHAKE, "") != size:
        os.environ[kernel.SHAKE] = size
        for name, module in list(sys.modules.items()):
            if name.startswith("simkit."):
                _forget(list(vars(module).values()))


def _forget(values):
    """Empty what a module keeps of its answers: they were of other meshes."""
    for value in values:
        if hasattr(value, "cache_clear"):
            value.cache_clear()
        elif isinstance(value, OrderedDict):
            value.clear()


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers(config):
    """A process a core for the quick tests as a whole; none beside it for tests that are named or slow: those may want
    all memory, or kill what they find."""
    whole = config.args_source is config.ArgsSource.TESTPATHS and config.option.markexpr == "not slow"
    if not whole or cores() == 1:
        return 0
    config.option.assertmode = "plain"  # to take 4,000 assertions apart costs each process as much as all else before
    # The processes read the command line anew, and the environment.
    os.environ["PYTEST_ADDOPTS"] = f"{os.environ.get('PYTEST_ADDOPTS', '')} --assert=plain"
    return min(cores(), MOST_PROCESSES)


def pytest_terminal_summary(terminalreporter, config):
    """Run what failed once more, by itself, where the values in a failed assertion were not told."""
    failed = [report.nodeid for kind in ("failed", "error") for report in terminalreporter.getreports(kind)]
    if config.option.assertmode == "plain" and failed:
        terminalreporter.section(f"once more, by themselves, the first {MOST_AGAIN} of what failed")
        terminalreporter.flush()
        how = ["--assert=rewrite", "-m", "slow or not slow"]
        subprocess.run([sys.executable, "-m", "pytest", *how, *failed[:MOST_AGAIN]], check=False)


@pytest.hookimpl(wrapper=True)
def pytest_collection():
    """What is collected stays to the end: the search for garbage need not pass through it again and again."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.freeze()
        gc.enable()


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config, log):
    """Tests of a folder stay together: they share fixtures, and what the package itself keeps of meshes. Those of
    `body`, the longest, share neither from file to file, and are shared out by files."""
    from xdist.scheduler import LoadScopeScheduling

    class ByFolder(LoadScopeScheduling):
        def _split_scope(self, nodeid):
            file = nodeid.partition("::")[0]
            folder = file.rpartition("/")[0]
            return file if folder == "tests/body" else folder

    return ByFolder(config, log)
