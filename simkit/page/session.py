"""A design at work: its text with all its earlier states, what is being dragged, what is known of its notes."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from simkit.page.companion import Companion, Refused, Stopped
from simkit.page.shelf import Changed, OnDisk, Shelf

MOST_STEPS = 500  # that can be undone

Say = Callable[[dict[str, Any]], None]


@dataclass(frozen=True)
class HistoryStep:
    """One state of the design, and in a word what led to it."""

    text: str
    label: str


@dataclass(frozen=True, eq=False)
class Drag:
    """Numbers on their way: by which tab, its count, the values by name, and the version they started from."""

    tab: str
    serial: int
    base: int
    values: Mapping[str, float]


@dataclass(eq=False)
class Session:
    """One design. Every change raises `version`; what is said to the pages names it.

    prompt answers to hands, patient everything else; `on_disk` is None as long as there is no file.
    """

    name: str
    shelf: Shelf
    prompt: Companion
    patient: Companion
    say: Say
    on_disk: OnDisk | None
    steps: list[HistoryStep]
    at: int = 0
    version: int = 1
    outside: bool = False
    shown: dict[str, Any] = field(default_factory=dict)
    known: dict[str, Any] = field(default_factory=dict)
    _waiting: Drag | None = None
    _sounded: Drag | None = None
    _tasks: dict[str, asyncio.Task[None]] = field(default_factory=dict)
    _changing: asyncio.Lock = field(default_factory=asyncio.Lock)

    @property
    def text(self) -> str:
        """The design as it is now."""
        return self.steps[self.at].text

    @property
    def source(self) -> str:
        """Path by which messages name the design and scans are found."""
        return str(self.shelf.path(self.name))

    @property
    def saved(self) -> bool:
        """Whether the file holds what is shown."""
        return self.on_disk is not None and self.on_disk.text == self.text

    def as_dict(self) -> dict[str, Any]:
        """State of the session, all that a page needs to show it."""
        return {
            "design": self.name,
            "version": self.version,
            "saved": self.saved,
            "on_disk": self.on_disk is not None,
            "outside": self.outside,
            "undo": self.steps[self.at].label if self.at else None,
            "redo": self.steps[self.at + 1].label if self.at + 1 < len(self.steps) else None,
            **self.shown,
            "known": self.known,
        }

    # --- changing ---

    async def show(self) -> None:
        """Look at the design as it is, say so to the pages, and begin to find out what it plays."""
        self.shown = await self.prompt.ask("replies.opened", self.text, self.source)
        self.known = {}  # of the state before
        self.say({"type": "state", **self.as_dict()})
        self._begin("numbers", self._sound)  # by the prompt companion: looked for at once
        self._begin("rest", self._find_out)  # by the patient one, which may take its time

    async def change(self, values: Mapping[str, float], base: int, label: str) -> None:
        """Put numbers at new values for good: one step that can be undone."""
        async with self._changing:
            self._check(base)
            self._waiting = None
            reply = await self.prompt.ask("replies.finished", self.text, self.source, dict(values))
            await self._push(reply["text"], label)

    async def replace(self, text: str, label: str) -> None:
        """Put another text in its place: one step that can be undone."""
        async with self._changing:
            await self._push(text, label)

    async def _push(self, text: str, label: str) -> None:
        if text == self.text:
            self.say({"type": "state", **self.as_dict()})  # what was dragged goes back
            return
        # What was undone is forgotten.
        steps = [*self.steps[: self.at + 1], HistoryStep(text, label)][-MOST_STEPS - 1 :]
        await self._renew(steps, len(steps) - 1)

    async def step(self, way: int) -> None:
        """Undo (-1) or redo (+1) one step."""
        async with self._changing:
            if not 0 <= self.at + way < len(self.steps):
                raise Refused("nothing to undo" if way < 0 else "nothing to redo")
            await self._renew(self.steps, self.at + way)

    async def _renew(self, steps: list[HistoryStep], at: int) -> None:
        """Show another state; where that cannot be shown everything stays as it was."""
        before = self.steps, self.at, self.version
        self.steps, self.at, self.version = steps, at, self.version + 1
        try:
            await self.show()
        except (Refused, Stopped):
            self.steps, self.at, self.version = before
            raise

    def _check(self, base: int) -> None:
        if base != self.version:
            raise Refused("the design changed meanwhile, here or in another tab; look at it and do that again")

    # --- dragging ---

    def drag(self, drag: Drag) -> None:
        """Take the newest place of something that is being dragged; what it does is said when it is known."""
        self._check(drag.base)
        self._waiting = drag
        self._begin("drag", self._follow_drag)

    async def _follow_drag(self) -> None:
        while (drag := self._waiting) is not None:  # newer places overtake those not yet asked
            self._waiting = None
            where = {"design": self.name, "version": drag.base, "tab": drag.tab, "serial": drag.serial}
            reply = await self.prompt.ask("replies.dragged", self.text, self.source, dict(drag.values))
            self.say({"type": "moved", **where, **reply})
            if not reply["faults"] and drag.base == self.version:
                sounded = await self.prompt.ask("replies.sounded", self.text, self.source, dict(drag.values))
                self.say({"type": "numbers", **where, **sounded})
                if not sounded["faults"]:
                    self._sounded = drag
                    self._begin("predicted", self._tell_drag)

    async def _tell_drag(self) -> None:
        """Say doubts and breath of the newest place that has sounded, as often as they can be had."""
        while (drag := self._sounded) is not None and drag.base == self.version:
            self._sounded = None
            try:
                reply = await self.patient.ask("replies.predicted", self.text, self.source, dict(drag.values))
            except Refused:
                continue  # a place that sounds and cannot be blown: what was said before stays
            if drag.base == self.version:
                where = {"design": self.name, "version": drag.base, "tab": drag.tab, "values": dict(drag.values)}
                self.say({"type": "predicted", **where, **reply})

    # --- finding out ---

    async def _sound(self) -> None:
        # A change meanwhile empties `known`, and so is asked again.
        while (version := self.version) and "numbers" not in self.known:
            reply = await self.prompt.ask("replies.sounded", self.text, self.source, {})
            self._learn(version, "numbers", reply)

    async def _find_out(self) -> None:
        """Ask for the answers that take longer, the most wanted first; begin anew when the design has changed."""
        version = 0
        # Each answer is checked against the version that it was asked of; a change in between starts all over.
        while version != self.version:
            version = self.version
            for name, what, given in _LONGER:
                if version != self.version:
                    break
                self._learn(version, name, await self.patient.ask(what, self.text, self.source, *given))

    def _learn(self, version: int, name: str, reply: dict[str, Any]) -> None:
        if version == self.version:
            self.known[name] = {**self.known.get(name, {}), **reply} if name != "slopes" else _joined(self.known, reply)
            self.say({"type": name, "design": self.name, "version": version, **reply})

    def _begin(self, name: str, work: Callable[[], Any]) -> None:
        """Start a piece of work unless it is going on already."""
        running = self._tasks.get(name)
        if running is None or running.done():
            self._tasks[name] = asyncio.create_task(self._guarded(work))

    async def _guarded(self, work: Callable[[], Any]) -> None:
        try:
            await work()
        except Refused as why:
            self._trouble(str(why))
        except Stopped:
            if not self.prompt.over:
                self._trouble(
                    "what computes here has ended by itself, perhaps for want of memory; change something anew"
                )

    def _trouble(self, text: str) -> None:
        self.say({"type": "trouble", "design": self.name, "version": self.version, "text": text})

    # --- the file ---

    def save(self, over: bool = False) -> None:
        """Write the design to its file; Changed where another program has written that, unless `over` is said."""
        expected = self.on_disk.digest if self.on_disk else None
        if over:
            expected = self.shelf.read(self.name).digest if self.shelf.has(self.name) else None  # whatever is there now
        try:
            digest = self.shelf.save(self.name, self.text, expected)
        except Changed:
            self.outside = True
            raise
        self.on_disk, self.outside = OnDisk(self.text, digest), False
        self.say({"type": "state", **self.as_dict()})

    async def reload(self) -> None:
        """Take what the file holds now: one step that can be undone."""
        found = self.shelf.read(self.name)
        await self.replace(found.text, "what another program wrote")
        self.on_disk, self.outside = found, False
        self.say({"type": "state", **self.as_dict()})

    def look_outside(self) -> None:
        """Look whether another program has changed the file, and say so once."""
        if self.on_disk is None:
            return
        try:
            changed = self.shelf.read(self.name).digest != self.on_disk.digest
        except Refused:
            changed = True  # taken away, or unreadable: no longer what was read
        if changed != self.outside:
            self.outside = changed
            self.say({"type": "outside", "design": self.name, "outside": changed})

    async def end(self) -> None:
        """Let go of what is going on."""
        for task in self._tasks.values():
            task.cancel()
        await asyncio.gather(*self._tasks.values(), return_exceptions=True)


def _joined(known: Mapping[str, Any], reply: Mapping[str, Any]) -> dict[str, Any]:
    # openings first, bodies later: each adds its own
    return {"slopes": {**known.get("slopes", {}).get("slopes", {}), **reply["slopes"]}}


_LONGER: tuple[tuple[str, str, tuple[Any, ...]], ...] = (
    ("slopes", "replies.slopes", ("openings",)),
    ("predicted", "replies.predicted", ()),
    ("slopes", "replies.slopes", ("bodies",)),
    ("slopes", "replies.slopes", ("openings", True)),  # exact ones last: they replace the quick ones
)
