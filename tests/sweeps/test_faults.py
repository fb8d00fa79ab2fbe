"""Workers and the sweep itself are killed, on purpose and often: nothing stored is lost or wrong."""

import json
import os
import random
import resource
import signal
import sqlite3
import subprocess
import sys
import threading
import time

import pytest

from simkit.sweeps import sweep

MANY = """
base = "ball.toml"
compute = ["predict"]
[[variation]]
name = "air"
"air.temperature_c" = { from = 0, to = 40, count = 4000 }
[predict]
model = "lumped"
"""


def answers(folder, name="out"):
    with sqlite3.connect(folder / name / "results.sqlite") as database:
        assert database.execute("pragma integrity_check").fetchall() == [("ok",)]
        return dict(database.execute("select key, answers from results where status = 'done'"))


def honest(folder, keys, name="out"):
    """The answers of those cases computed here, without a sweep."""
    import simkit

    ball = simkit.load(folder / "ball.toml")
    with sqlite3.connect(folder / name / "results.sqlite") as database:
        for key in keys:
            ((settings,),) = database.execute("select settings from results where key = ?", (key,))
            told = simkit.predict(ball.with_values(json.loads(settings)), "lumped").as_dict()
            yield key, {"predict": json.loads(json.dumps(told))}


@pytest.mark.slow
def test_fifty_kills_of_the_sweep_lose_no_row_and_spoil_none(folder):
    (folder / "cases.toml").write_text(MANY)
    command = [sys.executable, "-m", "simkit", "sweep", "cases.toml", "-o", "out", "--workers", "2"]
    chance = random.Random(1)
    seen: dict[str, str] = {}
    kills = 0
    while kills < 50:
        process = subprocess.Popen(command, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        # One in three is killed wherever it may be by then, the others some time after they stored a row.
        if kills % 3:
            while process.poll() is None and len(_some(folder)) == len(seen):
                time.sleep(0.02)
        time.sleep(chance.uniform(0.0, 1.5))
        if process.poll() is not None:
            break
        process.send_signal(signal.SIGKILL)
        process.wait()
        kills += 1
        now = _some(folder)
        assert all(now[key] == value for key, value in seen.items())
        seen = now
    assert kills == 50 or len(seen) == 4000
    assert len(seen) > 100
    for key, told in honest(folder, random.Random(2).sample(sorted(seen), 40)):
        assert json.loads(seen[key]) == told


@pytest.mark.slow
def test_workers_outlive_their_sweep_by_no_more_than_moments(folder):
    (folder / "cases.toml").write_text(MANY)
    command = [sys.executable, "-m", "simkit", "sweep", "cases.toml", "-o", "out", "--workers", "2"]
    process = subprocess.Popen(command, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    children: list[int] = []
    for _ in range(600):
        time.sleep(0.1)
        listed = subprocess.run(["pgrep", "-P", str(process.pid)], capture_output=True, text=True, check=False).stdout
        children = [int(each) for each in listed.split()]
        if len(children) >= 2 and (folder / "out" / "results.sqlite").exists():
            break
    process.kill()
    process.wait()
    for _ in range(200):
        if not any(_runs(child) for child in children):
            return
        time.sleep(0.1)
    raise AssertionError(f"still running: {children}")


@pytest.mark.slow
def test_where_no_more_can_be_written_one_message_says_so_and_the_same_command_goes_on(folder):
    """The system itself refuses to let any file grow past 120 kB, as a full disk or a quota does."""
    (folder / "cases.toml").write_text(MANY.replace("4000", "120"))
    command = [sys.executable, "-m", "simkit", "sweep", "cases.toml", "-o", "out", "--workers", "1"]

    def narrow():
        resource.setrlimit(resource.RLIMIT_FSIZE, (120_000, 120_000))

    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, preexec_fn=narrow, check=False)
    (said,) = (line for line in done.stderr.splitlines() if not line.startswith("simkit: "))  # but for progress
    assert said.endswith("what was stored before is kept, the same command goes on")
    assert (done.returncode, done.stdout) == (1, "")
    before = answers(folder)
    assert 0 < len(before) < 120
    assert subprocess.run(command, cwd=folder, capture_output=True, check=False).returncode == 0
    after = answers(folder)
    assert len(after) == 120
    assert all(after[key] == value for key, value in before.items())


def _runs(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    return True


@pytest.mark.slow
@pytest.mark.sample
def test_a_cluster_that_loses_a_worker_still_answers_every_case(folder):
    distributed = pytest.importorskip("distributed")
    (folder / "cases.toml").write_text(MANY.replace("4000", "120"))
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, silence_logs="ERROR"
    ) as cluster:
        victim = next(iter(cluster.workers.values())).process.process.pid

        def kill_when_busy():
            while len(_some(folder)) < 10:
                time.sleep(0.02)
            os.kill(victim, signal.SIGKILL)

        killer = threading.Thread(target=kill_when_busy, daemon=True)
        killer.start()
        answer = sweep(folder / "cases.toml", folder / "out", scheduler=cluster.scheduler_address)
        killer.join(timeout=30)
    assert (answer.computed, answer.failed) == (120, 0)
    assert answer.lost >= 1
    kept = answers(folder)
    assert len(kept) == 120
    for key, told in honest(folder, sorted(kept)[::20]):
        assert json.loads(kept[key]) == told


def _some(folder):
    try:
        return answers(folder)
    except sqlite3.OperationalError:
        return {}
