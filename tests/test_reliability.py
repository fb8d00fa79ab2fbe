"""What is trusted must hold: the same bytes twice, no network, nothing half-written whenever a command is killed."""

import json
import os
import random
import re
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

import simkit
from simkit.cli import run
from simkit.vessel import load

DESIGNS = Path(__file__).parents[1] / "studies" / "designs"
WREN = str(DESIGNS / "pocket_wren.toml")


def simkit_process(arguments, folder, seed="0"):
    """The command as a process of its own, with its hash seed."""
    environment = {**os.environ, "PYTHONHASHSEED": seed}
    return subprocess.Popen(
        [sys.executable, "-m", "simkit", *arguments],
        cwd=folder,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
    )


@pytest.mark.slow
@pytest.mark.parametrize(
    "arguments",
    [
        ["predict", WREN, "--model", "lumped,ports", "--json"],
        ["chart", WREN, "--json"],
        ["resonances", WREN, "--json"],
        ["blow", WREN, "--json"],
        ["sheets", WREN, "-o", "out", "--json"],
        ["optimise", WREN, "--free", "holes,size", "-o", "out.toml"],
        ["predict", WREN, "--plot", "out.png"],
        ["report", WREN, "-o", "out.html"],
    ],
    ids=lambda arguments: arguments[0],
)
def test_a_command_run_twice_gives_the_same_bytes(arguments, tmp_path):
    """Across processes, and whatever order Python's sets come in."""
    answers = []
    for seed in ("1", "2"):
        folder = tmp_path / seed
        folder.mkdir()
        process = simkit_process(arguments, folder, seed)
        printed, _ = process.communicate(timeout=300)
        assert process.returncode == 0
        files = {str(file.relative_to(folder)): file.read_bytes() for file in folder.rglob("*") if file.is_file()}
        # How long it took, which optimise says, is nobody's to repeat, nor when, which a page says at its foot.
        files = {name: re.sub(rb"<footer>.*</footer>", b"", held, flags=re.DOTALL) for name, held in files.items()}
        answers.append((re.sub(rb"[\d.]+ s of one core", b"", printed), files))
    assert answers[0] == answers[1]


def test_no_command_asks_for_a_network(monkeypatch, capsys, tmp_path):
    def refused(*_, **__):
        raise AssertionError("a socket was opened")

    monkeypatch.setattr(socket, "socket", refused)
    monkeypatch.setattr(socket, "create_connection", refused)
    assert run(["predict", WREN, "--model", "lumped", "--json"]) == 0
    assert run(["new", "-o", str(tmp_path / "new.toml")]) == 0
    assert run(["resonances", WREN, "--closed", "--count", "1", "--json"]) == 0
    capsys.readouterr()


@pytest.mark.slow
def test_nothing_in_a_design_is_run(tmp_path, capsys):
    """Texts that look like code, templates or formats stay texts, wherever a design may hold them."""
    trap = tmp_path / "sprung"
    code = f"__import__('pathlib').Path('{trap}').touch()"
    text = Path(WREN).read_text().replace('"Pocket wren"', json.dumps(f"{{{{ {code} }}}} {{0}} %s $(touch {trap})"))
    design = tmp_path / "trap.toml"
    design.write_text(text)
    for arguments in (
        ["predict", str(design), "--model", "lumped"],
        ["sheets", str(design), "-o", str(tmp_path / "s")],
    ):
        assert run(arguments) == 0
    capsys.readouterr()
    assert not trap.exists()


def killed_at_random(arguments, folder, longest, chance):
    """Starts the command and kills it somewhere on its way; whether it was killed."""
    process = simkit_process(arguments, folder)
    try:
        process.wait(timeout=chance.uniform(0.2, longest))
    except subprocess.TimeoutExpired:
        process.send_signal(signal.SIGKILL)
    process.communicate()
    return process.returncode == -signal.SIGKILL


@pytest.mark.slow
@pytest.mark.parametrize(
    ("arguments", "written", "whole"),
    [
        (["new", "--shape", "egg", "-o", "new.toml"], "new.toml", lambda file: load(file)),
        (["predict", WREN, "--plot", "wren.svg"], "wren.svg", lambda file: file.read_text().index("</svg>")),
        (
            ["optimise", WREN, "--free", "holes,size", "-o", "tuned.toml"],
            "tuned.toml",
            lambda file: load(file),
        ),
    ],
    ids=["new", "plot", "optimise"],
)
def test_a_killed_command_leaves_its_file_whole_or_not_at_all(arguments, written, whole, tmp_path):
    began = time.monotonic()
    subprocess.run([sys.executable, "-m", "simkit", *arguments], cwd=tmp_path, check=True, capture_output=True)
    longest = time.monotonic() - began
    chance, kills = random.Random(3), 0
    for _ in range(16):
        file = tmp_path / written
        file.unlink(missing_ok=True)
        kills += killed_at_random(arguments, tmp_path, 1.1 * longest, chance)
        if file.exists():
            whole(file)
    assert kills >= 6


def test_the_readers_limit_holds_before_anything_is_read_whole(tmp_path):
    huge = tmp_path / "huge.toml"
    with open(huge, "wb") as file:
        file.truncate(50_000_000_000)  # sparse: no disk is used
    with pytest.raises(simkit.InputError, match="at most 256 kB"):
        load(huge)
