"""The folder at work: its open designs, the companions that compute, the pages that listen, long work under way."""

from __future__ import annotations

import asyncio
import itertools
import json
import time
from collections.abc import AsyncIterator, Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from simkit.page.companion import Companion, Refused, Stopped
from simkit.page.session import HistoryStep, Session
from simkit.page.shelf import Shelf

MOST_UNREAD = 400  # messages; a page that has slept longer is told to look anew
LOOK_S = 2.0  # between looks whether another program has changed a file
BEAT_S = 10.0  # between signs of life to a page that hears nothing else
MOST_JOBS = 2  # pieces of long work at a time

FREE = ("diameters", "places", "voicing", "size", "shape", "windway")


class Listeners:
    """The pages that listen; each has a queue of what it has not been sent yet."""

    def __init__(self) -> None:
        self._queues: set[asyncio.Queue[str | None]] = set()
        self._closed = False

    def say(self, message: dict[str, Any]) -> None:
        """Send a message to every page; one that has slept too long is let go, and comes again by itself."""
        text = json.dumps(message, ensure_ascii=False, allow_nan=False)
        for waiting in list(self._queues):  # a copy: a page may be let go meanwhile
            if waiting.qsize() >= MOST_UNREAD:
                self._queues.discard(waiting)
                while not waiting.empty():
                    waiting.get_nowait()
                waiting.put_nowait(None)
            else:
                waiting.put_nowait(text)

    async def listen(self) -> AsyncIterator[str]:
        """The stream of messages to one page, as server-sent events (WHATWG HTML, 9.2)."""
        waiting: asyncio.Queue[str | None] = asyncio.Queue()
        self._queues.add(waiting)
        try:
            yield "retry: 1000\n\n"  # ms until a page that has lost the stream comes again
            while not self._closed:
                try:
                    text = await asyncio.wait_for(waiting.get(), BEAT_S)
                except TimeoutError:
                    yield ": \n\n"  # a comment: keeps the connection, says nothing
                    continue
                if text is None:
                    return
                yield f"data: {text}\n\n"
        finally:
            self._queues.discard(waiting)

    def close(self) -> None:
        """End all streams."""
        self._closed = True
        for waiting in self._queues:
            waiting.put_nowait(None)


@dataclass(eq=False)
class Job:
    """A piece of long work: what for, how far, and what it came to."""

    number: int
    kind: str
    design: str
    companion: Companion
    version: int = 0  # of the design that it is about
    began: float = field(default_factory=time.monotonic)
    state: str = "running"
    said: str = ""
    made: dict[str, Any] = field(default_factory=dict)
    task: asyncio.Task[None] | None = None

    def as_dict(self) -> dict[str, Any]:
        """State of the job, as the pages get it."""
        return {
            "type": "job",
            "job": self.number,
            "kind": self.kind,
            "design": self.design,
            "version": self.version,
            "state": self.state,
            "said": self.said,
            "seconds": time.monotonic() - self.began,
            **self.made,
        }


class Studio:
    """All that lies behind the routes."""

    def __init__(self, folder: Path, companion: Callable[[], Companion] = Companion) -> None:
        self.shelf = Shelf(folder)
        self.listeners = Listeners()
        self._companion = companion
        self.prompt, self.patient = companion(), companion()  # a drag never waits for a solve of minutes
        self.sessions: dict[str, Session] = {}
        self.jobs: dict[int, Job] = {}
        self.made: set[Path] = set()  # what was made here from designs, and may be shown
        self._numbers = itertools.count(1)
        self._opening = asyncio.Lock()  # two tabs that ask for one design are to get the same session
        self._looking: asyncio.Task[None] | None = None

    async def begin(self, first: str | None) -> None:
        """Start the companions, and open the design that was asked for."""
        self._looking = asyncio.create_task(self._look())  # a reference is kept, or the task may be collected
        await asyncio.gather(self.prompt.start(), self.patient.start())
        if first is not None:
            with suppress(Refused, Stopped):  # the page will say what is wrong with it
                await self.session(first)

    async def _look(self) -> None:
        while True:
            await asyncio.sleep(LOOK_S)
            for session in self.sessions.values():
                session.look_outside()

    def cut(self) -> None:
        """End the streams and the companions, so that nothing waits for an answer any more."""
        self.listeners.close()
        for companion in (self.prompt, self.patient, *(job.companion for job in self.jobs.values())):
            companion.stop(for_good=True)

    async def end(self) -> None:
        """End everything that was started here."""
        self.cut()
        if self._looking:
            self._looking.cancel()
        for job in self.jobs.values():
            self.stop(job.number, quietly=True)
        await asyncio.gather(*(session.end() for session in self.sessions.values()))
        companions = {self.prompt, self.patient, *(job.companion for job in self.jobs.values())}
        await asyncio.gather(*(companion.end() for companion in companions))

    # --- designs ---

    async def session(self, name: str) -> Session:
        """The design of that name at work; read from its file where it is not yet."""
        async with self._opening:
            if name not in self.sessions:
                found = self.shelf.read(name)
                session = self._made(name, found.text, "opened")
                session.on_disk = found
                await session.show()
                self.sessions[name] = session
        return self.sessions[name]

    async def new(self, name: str, text: str, label: str) -> Session:
        """A design that has no file yet."""
        async with self._opening:
            self.check_free(name)
            session = self._made(name, text, label)
            await session.show()
            self.sessions[name] = session
        return session

    def check_free(self, name: str) -> None:
        """Refused where there is a design of that name, open or in the folder."""
        if name in self.sessions or self.shelf.has(name):
            raise Refused(f"{name} is there already; choose another name")

    def _made(self, name: str, text: str, label: str) -> Session:
        self.shelf.path(name)
        return Session(
            name, self.shelf, self.prompt, self.patient, self.listeners.say, None, [HistoryStep(text, label)]
        )

    async def card(self, name: str) -> dict[str, Any]:
        """A design at a glance, for the row of all designs of the folder."""
        open_now = self.sessions.get(name)
        text = open_now.text if open_now else self.shelf.read(name).text
        source = str(self.shelf.path(name))
        shown = await self.prompt.ask("replies.opened", text, source)
        sounded = await self.prompt.ask("replies.sounded", text, source, {})
        return {**shown, "design": name, "notes": sounded.get("notes"), "faults": sounded["faults"]}

    async def save_as(self, name: str, other: str) -> Session:
        """The design under another name, written at once; the first stays as its file has it."""
        session = self.sessions[name]
        copy = await self.new(other, session.text, f"copy of {name}")
        copy.save()
        return copy

    # --- long work ---

    def work(self, kind: str, design: str, given: dict[str, Any]) -> Job:
        """Begin a piece of long work in a process of its own."""
        if sum(job.state == "running" for job in self.jobs.values()) >= MOST_JOBS:
            raise Refused("two pieces of work are going on; wait for one, or stop it")
        job = Job(next(self._numbers), kind, design, self._companion())
        what, arguments = _asked(self, kind, design, given)
        if design in self.sessions:
            job.version = self.sessions[design].version  # a judge's word is of this state alone
        self.jobs[job.number] = job
        job.task = asyncio.create_task(self._run(job, what, arguments))
        return job

    async def _run(self, job: Job, what: str, arguments: list[Any]) -> None:
        def progress(text: str) -> None:
            job.said = text
            self.listeners.say(job.as_dict())

        self.listeners.say(job.as_dict())
        try:
            reply = await job.companion.ask(f"long_work.{what}", *arguments, progress=progress)
            await self._take(job, reply)
            job.state = "done"
        except Refused as why:
            job.state, job.said = "failed", str(why)
        except Stopped:
            job.state, job.said = "stopped", "stopped; nothing was changed"
        finally:
            await job.companion.end()  # each job has a process of its own
        self.listeners.say(job.as_dict())

    async def _take(self, job: Job, reply: dict[str, Any]) -> None:
        """Put what a piece of work came to where it belongs."""
        job.said = reply.pop("said")
        text = reply.pop("text", None)
        if job.kind in ("wish", "start"):
            await self.new(job.design, text, job.kind)
        elif text is not None:
            await self.sessions[job.design].replace(text, "tuning")
        if "files" in reply:
            self.made |= {self._place(job) / name for name in reply["files"]}
        job.made = reply | ({"folder": self._place(job).name} if job.kind == "sheets" else {})

    def _place(self, job: Job) -> Path:
        return self.shelf.beside(job.design, "-sheets") if job.kind == "sheets" else self.shelf.folder

    def stop(self, number: int, quietly: bool = False) -> None:
        """Stop a piece of work: its process ends at once, and nothing is changed."""
        job = self.jobs.get(number)
        if job is not None and job.state == "running":
            # The process's end comes as Stopped to whoever waits for its answer.
            job.companion.stop()
            if quietly and job.task:
                job.task.cancel()


def _asked(studio: Studio, kind: str, design: str, given: dict[str, Any]) -> tuple[str, list[Any]]:
    """The function of `long_work` that a kind of work asks, and what it is given; a KeyError for an unknown kind."""
    if kind in ("wish", "start"):
        studio.check_free(design)
        shape = str(given.get("shape", "egg"))
        if kind == "start":
            return "started", [shape]
        return "wished", [str(given["scale"]), int(given["holes"]), shape, float(given.get("fingertip_mm", 17.0))]
    session = studio.sessions[design]
    shown = [session.text, session.source]
    match kind:
        case "tune":
            free = [word for word in given.get("free", ()) if word in FREE]  # what a page sends is not trusted
            if not free:
                raise Refused("choose what may move")
            return "tuned", [*shown, free]
        case "judge":
            return "judged", [*shown, str(given["chamber"]), int(given["note"])]
        case "sheets":
            return "printed", [*shown, str(studio.shelf.beside(design, "-sheets"))]
        case "report":
            return "reported", [*shown, str(studio.shelf.beside(design, ".html"))]
    raise KeyError(kind)
