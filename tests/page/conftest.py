"""A page's server on a real socket, in a thread of the test's own process, with what computes close at hand."""

import asyncio
import contextlib
import http.client
import json
import socket
import threading
import time
from importlib import import_module

import pytest
import uvicorn

from simkit.errors import SimkitError
from simkit.page.companion import Refused, Stopped
from simkit.page.guard import Guard
from simkit.page.routes import application
from simkit.page.studio import Studio

TOKEN = "quite-a-long-token"

DOVE = """\
# a whistle of two holes, for tests
title = "Test dove"  # no dove at all

[clay]
wall_mm = 4

[[chamber]]
name = "body"
shape = "ellipsoid"
length_mm = 70   # as long as the hand is broad
width_mm = 46
height_mm = 38

[chamber.voicing]
along_mm = 14
around_deg = 180
window_width_mm = 11
cut_up_mm = 4.5
windway_height_mm = 1.2
windway_length_mm = 25

[[chamber.hole]]
name = "1"
along_mm = 34
around_deg = -30
diameter_mm = 6      # reamed

[[chamber.hole]]
name = "2"
along_mm = 50
around_deg = 30
diameter_mm = 7

[[chamber.note]]
pitch = "C5"
open = []

[[chamber.note]]
pitch = "D5"
open = ["1"]
"""

STILL = {  # what takes a model is not asked in tests of the server
    "sounded": {"faults": [], "notes": [{"hz": 520.0, "cents": -10.8}, {"hz": 590.0, "cents": 7.8}]},
    "slopes": {"slopes": {}},
    "predicted": {"notes": [], "cautions": []},
}


class CloseAtHand:
    """What a companion answers, in this process: geometry truly, sound as told above, long work as slow as asked."""

    def __init__(self):
        self._over = asyncio.Event()

    over = False

    async def start(self):
        """Nothing to start."""

    async def ask(self, what, *given, progress=None):
        module, _, name = what.partition(".")
        if module == "long_work":
            progress("first step")
            await self._over.wait()
            raise Stopped
        if name in STILL:
            return json.loads(json.dumps(STILL[name]))
        try:
            return json.loads(json.dumps(getattr(import_module(f"simkit.page.{module}"), name)(*given)))
        except SimkitError as why:
            raise Refused(str(why)) from why

    def stop(self, for_good=False):
        self._over.set()

    async def end(self):
        self._over.set()


class Page:
    """Asks the server as a page does that it served itself, unless told otherwise."""

    def __init__(self, port, folder):
        self.port, self.folder = port, folder
        self.host = f"127.0.0.1:{port}"

    def ask(self, method, path, body=None, *, token=TOKEN, text=None, **headers):
        """Status, headers and body of an answer; a header given as None is left out."""
        sent = {"Host": self.host, "Origin": f"http://{self.host}"} if method == "POST" else {"Host": self.host}
        if body is not None:
            text, sent["Content-Type"] = json.dumps(body), "application/json"
        sent |= {name.replace("_", "-"): value for name, value in headers.items()}
        with contextlib.closing(http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)) as line:
            line.request(
                method,
                f"/{token}/{path}" if token is not None else f"/{path}",
                text,
                {name: value for name, value in sent.items() if value is not None},
            )
            answer = line.getresponse()
            return answer.status, dict(answer.getheaders()), answer.read()

    def get(self, path):
        status, _, body = self.ask("GET", path)
        return status, json.loads(body)

    def post(self, path, **body):
        status, _, answer = self.ask("POST", f"api/{path}", {"design": "dove.toml", "tab": "t", **body})
        return status, json.loads(answer)

    @contextlib.contextmanager
    def listening(self):
        """The stream of events: a function that waits for the next one that fits."""
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        line.request("GET", f"/{TOKEN}/api/events")
        answer = line.getresponse()
        assert answer.readline() == b"retry: 1000\n"

        def wait_for(kind):
            while True:
                data = answer.readline()
                assert data, "the stream has ended"
                if data.startswith(b"data: ") and (found := json.loads(data[6:]))["type"] == kind:
                    return found

        try:
            yield wait_for
        finally:
            line.close()


@contextlib.contextmanager
def serving(folder, companion=CloseAtHand):
    listening = socket.socket()
    listening.bind(("127.0.0.1", 0))
    port = listening.getsockname()[1]
    studio = Studio(folder, companion)
    config = uvicorn.Config(
        Guard(application(studio, None), TOKEN, port), lifespan="on", log_config=None, ws="none", access_log=False,
        timeout_graceful_shutdown=1,
    )  # fmt: skip
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, args=([listening],), daemon=True)
    thread.start()
    while not server.started:
        assert thread.is_alive()
        time.sleep(0.005)
    page = Page(port, folder)
    try:
        yield page
    finally:
        studio.listeners.close()
        server.should_exit = True
        thread.join(10)
        listening.close()


@pytest.fixture
def page(tmp_path):
    (tmp_path / "dove.toml").write_text(DOVE)
    with serving(tmp_path) as found:
        yield found
