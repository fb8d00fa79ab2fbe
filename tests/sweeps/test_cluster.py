"""A real Dask cluster on this machine, its workers and scheduler killed: nothing is lost, what happened is said."""

import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from contextlib import contextmanager
from importlib.util import find_spec

import pytest

import simkit.sweeps.workers
from simkit.errors import OutOfReach
from simkit.sweeps import sweep

if find_spec("distributed") is None:
    pytest.skip("distributed is not installed", allow_module_level=True)

# Each case takes a fraction of a second, so that there is a middle of the sweep to kill in.
SLOW = """
base = "ball.toml"
compute = ["resonances"]
[[variation]]
name = "size"
"body.diameter_mm" = { from = 40, to = 60, count = 30 }
[resonances]
count = 2
closed = true
"""


class Cluster:
    """A scheduler and two workers, each a process of its own that can be killed."""

    def __init__(self):
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self.address = f"tcp://127.0.0.1:{self.port}"
        self.scheduler, self.workers = None, []

    def start(self, *options):
        at = [*options, "--host", "127.0.0.1", "--port", str(self.port)]
        self.scheduler = self.process("distributed.cli.dask_scheduler", *at)
        self.workers = [
            self.process("distributed.cli.dask_worker", self.address, "--nthreads", "1", "--no-nanny") for _ in range(2)
        ]

    def process(self, module, *arguments):
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        return subprocess.Popen([sys.executable, "-m", module, *arguments, "--no-dashboard"], **quiet)

    def kill(self, *processes):
        for process in processes:
            process.send_signal(signal.SIGKILL)
            process.wait()

    def wait(self):
        from distributed import Client

        with Client(self.address, timeout="60s", set_as_default=False) as client:
            client.wait_for_workers(2, timeout=60)


@pytest.fixture
def cluster(folder):
    (folder / "cases.toml").write_text(SLOW)
    cluster = Cluster()
    cluster.start()
    try:
        cluster.wait()
        yield cluster
    finally:
        cluster.kill(*(each for each in (cluster.scheduler, *cluster.workers) if each.poll() is None))


def stored(folder):
    """Answers by key, and the time at which each was stored."""
    if not (folder / "out" / "results.sqlite").exists():
        return {}
    with sqlite3.connect(folder / "out" / "results.sqlite") as database:
        assert database.execute("pragma integrity_check").fetchall() == [("ok",)]
        try:
            return {key: rest for key, *rest in database.execute("select key, answers, at from results")}
        except sqlite3.OperationalError:  # not a table in it yet
            return {}


@contextmanager
def once(condition, then):
    """Does something in the middle of what this surrounds, as soon as a condition holds."""

    def watch():
        while not condition():
            time.sleep(0.02)
        then()

    watcher = threading.Thread(target=watch, daemon=True)
    watcher.start()
    yield
    watcher.join(timeout=60)
    assert not watcher.is_alive()


@pytest.mark.slow
def test_a_scheduler_that_is_killed_and_started_again_costs_no_row(folder, cluster):
    before = {}

    def kill_and_start_again():
        cluster.kill(cluster.scheduler, *cluster.workers)
        before.update(stored(folder))
        cluster.start()

    with once(lambda: len(stored(folder)) >= 5, kill_and_start_again):
        answer = sweep(folder / "cases.toml", folder / "out", scheduler=cluster.address)
    after = stored(folder)
    assert 5 <= len(before) < 30
    assert (answer.computed, answer.failed, len(after)) == (30, 0, 30)
    # What was finished was not done twice; what was out then was begun again, and that is said.
    assert all(after[key] == row for key, row in before.items())
    assert answer.lost == 2 and 1 <= answer.again <= 2
    assert f"2 workers died; {answer.again} case" in str(answer)


@pytest.mark.slow
def test_a_scheduler_that_stays_away_stops_the_sweep_with_one_message_and_the_same_command_goes_on(folder, cluster):
    command = [sys.executable, "-m", "simkit", "sweep", "cases.toml", "-o", "out"]
    process = subprocess.Popen(
        [*command, "--scheduler", cluster.address], cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    while len(stored(folder)) < 5:
        assert process.poll() is None
        time.sleep(0.02)
    cluster.kill(cluster.scheduler, *cluster.workers)
    printed, told = process.communicate(timeout=120)
    before = stored(folder)
    (said,) = (line for line in told.decode().splitlines() if not line.startswith("simkit: "))  # but for progress
    assert said == (
        f"the scheduler at {cluster.address} is gone; {len(before)} of 30 cases are stored, and the same call goes on"
        " from there"
    )
    assert (process.returncode, printed) == (1, b"")
    subprocess.run([*command, "--workers", "1"], cwd=folder, check=True, capture_output=True)
    after = stored(folder)
    assert len(after) == 30
    assert all(after[key] == row for key, row in before.items())


@pytest.mark.slow
def test_a_scheduler_that_loses_all_its_workers_is_not_waited_for_forever(folder, cluster, monkeypatch):
    monkeypatch.setattr(simkit.sweeps.workers, "WORKERS_BACK_S", 3.0)
    with (
        once(lambda: len(stored(folder)) >= 5, lambda: cluster.kill(*cluster.workers)),
        pytest.raises(OutOfReach, match=r"has had no workers for .*; [0-9]+ of 30 cases are stored"),
    ):
        sweep(folder / "cases.toml", folder / "out", scheduler=cluster.address)
    assert 5 <= len(stored(folder)) < 30


TLS = {"distributed.comm.tls.ca-file": "ca.pem"} | {
    f"distributed.comm.tls.{who}.{what}": f"{what}.pem"
    for who in ("scheduler", "worker", "client")
    for what in ("cert", "key")
}


def dask_knows(config):
    import dask  # distributed brings it, and takes a while to load

    return dask.config.set(config)


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl makes the certificates")
def test_certificates_of_dasks_configuration_let_in_who_has_them_and_nobody_else(folder, monkeypatch):
    """On the loopback address; the certificate signs itself, and so is its own authority."""
    made = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=localhost"]
    subprocess.run([*made, "-keyout", "key.pem", "-out", "cert.pem"], cwd=folder, check=True, capture_output=True)
    shutil.copy(folder / "cert.pem", folder / "ca.pem")
    (folder / "cases.toml").write_text(SLOW.replace("count = 30", "count = 2"))
    config = {key: str(folder / name) for key, name in TLS.items()} | {"distributed.comm.require-encryption": True}
    for key, value in config.items():
        monkeypatch.setenv("DASK_" + key.replace(".", "__").replace("-", "_").upper(), str(value))
    cluster = Cluster()
    cluster.address = cluster.address.replace("tcp", "tls")
    cluster.start("--protocol", "tls")
    try:
        with dask_knows(config):
            cluster.wait()
            answer = sweep(folder / "cases.toml", folder / "out", scheduler=cluster.address)
            assert (answer.computed, answer.failed) == (2, 0)
            with pytest.raises(simkit.InputError, match="starts with tls://, since"):
                sweep(folder / "cases.toml", folder / "other", scheduler=cluster.address.replace("tls", "tcp"))
        monkeypatch.setattr(simkit.sweeps.workers, "COMES_BACK_S", 3.0)
        with pytest.raises(simkit.InputError, match="a Dask scheduler that answers"):  # in the clear
            sweep(folder / "cases.toml", folder / "other", scheduler=cluster.address.replace("tls", "tcp"))
    finally:
        cluster.kill(*(each for each in (cluster.scheduler, *cluster.workers) if each.poll() is None))


def test_a_tls_address_without_certificates_is_one_message_at_once(folder):
    with pytest.raises(simkit.InputError, match="only with certificates in Dask's configuration"):
        sweep(folder / "cases.toml", folder / "out", scheduler="tls://127.0.0.1:9")


def test_certificates_that_are_not_there_are_one_message(folder):
    named = {key: str(folder / name) for key, name in TLS.items()}
    with dask_knows(named), pytest.raises(simkit.InputError, match="certificates that can be read"):
        sweep(folder / "cases.toml", folder / "out", scheduler="tls://127.0.0.1:9")


def test_no_scheduler_at_an_address_is_one_message(folder, monkeypatch):
    monkeypatch.setattr(simkit.sweeps.workers, "COMES_BACK_S", 0.5)
    with pytest.raises(simkit.InputError, match="the address of a Dask scheduler that answers"):
        sweep(folder / "cases.toml", folder / "out", scheduler="tcp://127.0.0.1:9")
    assert stored(folder) == {}
