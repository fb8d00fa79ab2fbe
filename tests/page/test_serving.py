"""`simkit open` from its beginning to its end, as a process of its own."""

import contextlib
import http.client
import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from simkit.cli import run
from simkit.files import HALF


@contextlib.contextmanager
def opened(folder, *arguments):
    """The process, and the port and token of its address."""
    command = [sys.executable, "-m", "simkit", "open", *arguments, "--no-browser"]
    with subprocess.Popen(command, cwd=folder, stderr=subprocess.PIPE, text=True, start_new_session=True) as server:
        try:
            line = server.stderr.readline()
            found = re.fullmatch(
                r"the page is at http://127\.0\.0\.1:(\d+)/([\w-]{32})/(?:\?design=(\S+))?  \(Ctrl-C ends it\)\n", line
            )
            assert found, line + server.stderr.read()
            yield server, int(found[1]), found[2], found[3]
        finally:
            server.kill()


def descendants(pid):
    """Processes that a process has started, by /proc."""
    found = []
    for entry in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            if int((entry / "stat").read_text().rsplit(")", 1)[1].split()[1]) == pid:
                found += [int(entry.name), *descendants(int(entry.name))]
    return found


def gone(pids):
    deadline = time.monotonic() + 20
    while any(os.path.exists(f"/proc/{pid}") for pid in pids) and time.monotonic() < deadline:
        time.sleep(0.02)
    return not any(os.path.exists(f"/proc/{pid}") for pid in pids)


linux = pytest.mark.skipif(not os.path.isdir("/proc/self"), reason="looks for processes in /proc, as Linux has it")


@linux
def test_it_serves_this_machine_alone_and_ctrl_c_leaves_nothing(tmp_path):
    (tmp_path / f".dove.toml.k3j2h1_x{HALF}").mkdir()  # of a run that was killed while it saved
    with opened(tmp_path) as (server, port, token, first):
        assert first is None and os.listdir(tmp_path) == []
        # Every address of the machine but loopback is closed (127.0.0.2 is loopback too, and another address).
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection(("127.0.0.2", port), 2)
        line = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
        line.request("GET", f"/{token}/api/events")
        assert line.getresponse().status == 200  # a page that listens does not hold up the end
        started = descendants(server.pid)
        assert len(started) == 2
        began = time.monotonic()
        server.send_signal(signal.SIGINT)
        assert server.wait(20) == 0
        assert time.monotonic() - began < 10
        assert server.stderr.read() == ""
        line.close()
        assert gone(started) and list(tmp_path.iterdir()) == []


@linux
def test_a_server_that_is_killed_takes_its_companions_with_it(tmp_path):
    with opened(tmp_path) as (server, _, _, _):
        started = descendants(server.pid)
        server.kill()
        server.wait()
        assert started and gone(started)


def test_what_cannot_be_opened_is_said(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "a.txt").write_text("")
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        for given, said in (
            (["none.toml"], "none.toml: allowed: a design that is there, or a folder\n"),
            (["a.txt"], "a.txt: allowed: a name that ends in .toml\n"),
            (["--port", "99999"], "--port = 99999: allowed: 0 to 65535"),
            (["--port", str(taken.getsockname()[1])], f"--port = {taken.getsockname()[1]}: allowed: 0 to 65535"),
        ):
            assert run(["open", *given, "--no-browser"]) == 2
            out, err = capsys.readouterr()
            assert out == "" and err.startswith(said)


@pytest.mark.slow
@pytest.mark.sample
def test_what_the_page_says_is_what_the_command_says():
    """The numbers beside the piece, and those after a drag, against `simkit predict` and `simkit blow`."""
    import simkit
    from simkit.page import replies
    from tests.page.conftest import DOVE

    for text, values in ((DOVE, {}), (DOVE, {"body.hole.1.along_mm": 37.5, "body.hole.2.diameter_mm": 6.6})):
        vessel = simkit.loads(text).with_values(values)
        predicted, blown = simkit.predict(vessel), simkit.blow(vessel, advise=False)
        shown = replies.sounded(text, "x", values)["notes"]
        assert [n["hz"] for n in shown] == pytest.approx(predicted.frequencies_hz.tolist(), rel=1e-7)
        assert [n["cents"] for n in shown] == pytest.approx(predicted.cents.tolist(), abs=1e-4)
        told = replies.predicted(text, "x", values)["notes"]
        assert [n["doubt_cents"] for n in told] == pytest.approx(predicted.uncertainties_cents.tolist())
        assert [n["pressure_pa"] for n in told] == pytest.approx(blown.pressures_pa.tolist())


@pytest.mark.slow
def test_what_was_not_saved_is_named_at_the_end(tmp_path):
    from tests.page.conftest import DOVE

    (tmp_path / "dove.toml").write_text(DOVE)
    with opened(tmp_path, "dove.toml") as (server, port, token, first):
        assert first == "dove.toml"
        line = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
        sent = {"design": "dove.toml", "tab": "t", "base": 1, "values": {"body.hole.1.diameter_mm": 6.2}}
        headers = {"Origin": f"http://127.0.0.1:{port}", "Content-Type": "application/json"}
        with contextlib.closing(line):
            line.request("POST", f"/{token}/api/change", json.dumps(sent), headers)
            assert line.getresponse().status == 200
        server.send_signal(signal.SIGINT)
        assert server.wait(30) == 0
        assert server.stderr.read() == "dove.toml: what was changed and not saved is gone\n"
    assert (tmp_path / "dove.toml").read_text() == DOVE


@pytest.mark.slow
def test_slopes_are_those_of_the_models_own_numbers():
    """Central differences of what the model plays, over steps much smaller than a drag."""
    from simkit.page import replies
    from simkit.vessel import loads
    from tests.page.conftest import DOVE

    for which, names in (
        ("openings", {"body.hole.1.diameter_mm": 0.02, "body.hole.2.along_mm": 0.05, "body.voicing.cut_up_mm": 0.02}),
        ("bodies", {"body.length": 0.002}),
    ):
        slopes = replies.slopes(DOVE, "x", which, True)["slopes"]
        for name, step in names.items():
            start = 1.0 if name == "body.length" else loads(DOVE).value(name)
            up, down = (replies.sounded(DOVE, "x", {name: start + s * step})["notes"] for s in (1, -1))
            measured = [(a["cents"] - b["cents"]) / (2 * step) for a, b in zip(up, down, strict=True)]
            # A place's slope leaves out what face and breath do with it: a percent or two; meshes of a stretched body
            # are drawn anew for the model and moved for the slope.
            assert slopes[name] == pytest.approx(measured, rel=0.05, abs=0.4)
