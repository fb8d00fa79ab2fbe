"""The server from its beginning to its end: one address on this machine, one browser window, nothing left behind."""

from __future__ import annotations

import asyncio
import signal
import socket
import threading
import webbrowser
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from urllib.parse import quote

import uvicorn

from simkit.errors import Fault, InputError
from simkit.files import clear_halves
from simkit.page.guard import Guard, new_token
from simkit.page.routes import application
from simkit.page.shelf import SUFFIX
from simkit.page.studio import Studio
from simkit.vessel import load

HOST = "127.0.0.1"  # this machine alone


class PageServer(uvicorn.Server):
    """A server that ends its streams before it waits for them."""

    def __init__(self, config: uvicorn.Config, studio: Studio, ready: Callable[[], None]) -> None:
        super().__init__(config)
        self._studio, self._ready = studio, ready
        self._loop: asyncio.AbstractEventLoop | None = None

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Say that the page can be opened, once it can."""
        self._loop = asyncio.get_running_loop()  # known only now, and asked for by a signal that comes at any time
        await super().startup(sockets)
        if self.started:
            self._ready()

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """On Ctrl-C: what waits for an answer hears that there will be none, and so nobody waits for it."""
        if self._loop is not None:
            self._loop.call_soon_threadsafe(self._studio.cut)
        super().handle_exit(sig, frame)


def serve(design: Path | None, *, port: int = 0, say: Callable[[str], None], browser: bool = True) -> None:
    """Serve the page for a design, or for a folder, until Ctrl-C.

    port: 0 for any that is free. say: is told the address. An InputError for a file that is not there.
    """
    folder, first = _place(design)
    clear_halves(folder)  # half-written files that a killed server has left
    studio = Studio(folder)
    token, listening = new_token(), _listening(port)
    port = listening.getsockname()[1]
    address = f"http://{HOST}:{port}/{token}/" + (f"?design={quote(first)}" if first else "")

    def ready() -> None:
        say(f"the page is at {address}  (Ctrl-C ends it)")
        if browser:
            # Some browsers do not return before they are closed.
            threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()

    config = uvicorn.Config(
        Guard(application(studio, first), token, port),
        access_log=False,  # the address in it holds the token
        date_header=False,
        http="h11",  # pure Python: on every machine alike
        lifespan="on",  # starts and ends the companions
        log_config=None,
        loop="asyncio",  # the standard library's, on every system
        proxy_headers=False,
        server_header=False,
        timeout_graceful_shutdown=2,  # s: streams have been ended by then
        ws="none",  # pages listen to server-sent events
    )
    server = PageServer(config, studio, ready)
    before = signal.getsignal(signal.SIGINT)  # uvicorn sets its own and does not give it back
    try:
        server.run(sockets=[listening])
    except KeyboardInterrupt:
        pass  # the way to end it; what was started has been ended by then
    finally:
        signal.signal(signal.SIGINT, before)
        listening.close()
    for session in studio.sessions.values():
        if not session.saved:
            # a page asks before it is closed; Ctrl-C does not
            say(f"{session.name}: what was changed and not saved is gone")


def _place(design: Path | None) -> tuple[Path, str | None]:
    """The folder to open, and the design in it that was named."""
    if design is None:
        return Path.cwd(), None
    if design.is_dir():
        return design, None
    if not design.is_file():
        raise InputError([Fault(str(design), "", None, "a design that is there, or a folder")])
    if design.suffix != SUFFIX:
        raise InputError([Fault(str(design), "", None, f"a name that ends in {SUFFIX}")])
    load(design)  # what is wrong with it is said here, where it was typed
    return design.resolve().parent, design.name


def _listening(port: int) -> socket.socket:
    """A socket that listens on this machine alone."""
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)  # else a port just left is refused for a minute
    try:
        listening.bind((HOST, port))
    except (OSError, OverflowError) as why:
        listening.close()
        allowed = f"0 to 65535, and one that no other program uses ({getattr(why, 'strerror', None) or why})"
        raise InputError([Fault.of("port", port, allowed)]) from why
    listening.setblocking(False)
    return listening
