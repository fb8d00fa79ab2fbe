"""A worker's job: compute the cases of one batch and return a row for each, also for those that fail."""

from __future__ import annotations

import hashlib
import json
import os
import socket
import threading
import time
import traceback
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from importlib import import_module
from typing import Any

from simkit import plugins, provenance
from simkit.body.walls.triangulated import SurfaceError, scan_content
from simkit.errors import SimkitError
from simkit.frozen import frozen
from simkit.vessel import Scan, Vessel, dumps
from simkit.vessel.spelling import words

# Commands that can be computed, and the options of each with their types; they are those of the commands.
_SOLVED = {"lossless": bool, "state": str}
OPTIONS: dict[str, dict[str, type]] = {
    "predict": {"model": str, **_SOLVED},
    "chart": {"model": str, "half": bool, **_SOLVED},
    "resonances": {"count": int, "closed": bool, **_SOLVED},
    "blow": {"model": str, **_SOLVED},
    "optimise": {"free": str, "starts": int, "seed": int, "fingerings": str, **_SOLVED},
}

Options = Mapping[str, Mapping[str, Any]]  # what to compute, each with its options


@frozen
class SweepCase:
    """One design to compute: its number in the plan (from 1), its name, and what was set in it."""

    number: int
    name: str
    base: Vessel
    settings: Mapping[str, float | str]
    labels: Mapping[str, float | str]  # columns of one's own, which nothing depends on
    key: str  # the hash of all that its answer depends on
    walls: str  # the same for cases that share their chambers' fields; empty where the design is not legal

    @property
    def vessel(self) -> Vessel:
        """The design of the case; a DesignError where the settings make no valid one."""
        return self.base.with_values(self.settings) if self.settings else self.base


@dataclass(frozen=True)
class CaseResult:
    """Result of a case: its answers as JSON, or the error and where it arose."""

    key: str
    status: str  # "done" or "failed"
    seconds: float
    answers: str | None
    error: str | None
    traceback: str | None
    worker: str


Variant = tuple[str, Vessel, Mapping[str, float | str], Mapping[str, float | str]]  # name, base, settings, labels


def cases_of(variants: Iterable[Variant], options: Options) -> Iterator[SweepCase]:
    """The cases of a plan's variants, numbered from 1."""
    for number, (name, base, settings, labels) in enumerate(variants, 1):
        case = SweepCase(number, name, base, settings, labels, "", "")
        try:
            vessel = case.vessel
            yield replace(case, key=key_of(vessel, options), walls=walls_of(vessel))
        except (SimkitError, SurfaceError):  # its row will say what is wrong with it
            said = json.dumps([dumps(base), dict(settings)], sort_keys=True)
            yield replace(case, key=_key(said, options))


def key_of(vessel: Vessel, options: Options) -> str:
    """The hash of what an answer depends on: the design, files that it names, what is asked, and what computes it.

    SurfaceError where a scan cannot be read.
    """
    scans = [vessel.beside(c.shape.file) for c in vessel.chambers if isinstance(c.shape, Scan)]
    # As a text, in which keys that the design leaves unwritten do not stand: they stay out of the hash.
    return _key(dumps(vessel), options, *map(scan_content, scans))


def _key(said: str, options: Options, *files: bytes) -> str:
    # What computed is part of the key: rows of other code stay, and are no answer to this one.
    asked = json.dumps([provenance.code(), options], sort_keys=True)
    digest = hashlib.sha256(f"{asked}\n{said}".encode())
    for content in files:
        digest.update(hashlib.sha256(content).digest())
    return digest.hexdigest()[:32]  # 128 bits: no two of a million cases collide


def walls_of(vessel: Vessel) -> str:
    """Key of a design's walls: designs with the same key share their fields."""
    chambers = [(c.shape.model_dump_json(), c.offset_mm, c.turn_deg) for c in vessel.chambers]
    # Not a hash: only cases of one sweep are compared.
    return repr((chambers, vessel.clay.wall_mm))


def compute(cases: Sequence[SweepCase], options: Options, code: str) -> list[CaseResult]:
    """A row for each case; an error in one does not stop the others.

    code: what the sweep computes with (`provenance.code`); a worker with other code or other libraries refuses.
    """
    return [_row(case, options) if code == provenance.code() else _refused(case) for case in cases]


def _worker() -> str:
    return f"{socket.gethostname()}:{os.getpid()}"


def _refused(case: SweepCase) -> CaseResult:
    error = f"the worker has other code or libraries than the sweep: {provenance.provenance().maker}"
    return CaseResult(case.key, "failed", 0.0, None, error, None, _worker())


def _row(case: SweepCase, options: Options) -> CaseResult:
    began = time.perf_counter()
    worker = _worker()
    try:
        vessel = case.vessel
        found = {name: _answer(name, vessel, options[name]) for name in options}
        answers = json.dumps(found, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    except SimkitError as error:  # said on purpose: the message is all there is to know
        return CaseResult(case.key, "failed", time.perf_counter() - began, None, str(error), None, worker)
    except Exception as error:  # noqa: BLE001 a fault in one of thousands of cases is a row, with all that is known of it
        by = plugins.raised_by(error)
        said = str(by) if by else f"{type(error).__name__}: {error}"
        return CaseResult(case.key, "failed", time.perf_counter() - began, None, said, traceback.format_exc(), worker)
    return CaseResult(case.key, "done", time.perf_counter() - began, answers, None, None, worker)


def _answer(name: str, vessel: Vessel, options: Mapping[str, Any]) -> dict[str, Any]:
    """Answer of one of the functions that are computed for a design, as a command's JSON has it."""
    given = {key: words(value) if (name, key) in _LISTS else value for key, value in options.items()}
    given |= {"free": given.get("free")} if name == "optimise" else {}
    given |= {"advise": False} if name == "blow" else {}  # nobody reads advice in thousands of rows
    answer: dict[str, Any] = getattr(import_module(_HOMES[name]), name)(vessel, **given).as_dict()
    return answer


# Loaded when they are first asked: a worker need not know them all.
_HOMES = {
    "predict": "simkit.sound.answers.prediction",
    "chart": "simkit.sound.answers.chart",
    "resonances": "simkit.sound.answers.higher",
    "blow": "simkit.sound.blowing.table",
    "optimise": "simkit.optimisation",
}
_LISTS = {("predict", "model"), ("optimise", "free")}  # options that name several, with commas


def become_worker() -> None:
    """Prepare a process of our own to be a worker: Ctrl-C is left to its parent, and it ends with its parent."""
    import multiprocessing
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        # Daemon: it keeps no worker alive that has done its work.
        threading.Thread(target=_die_with, args=(parent,), daemon=True).start()


def _die_with(parent: Any) -> None:
    parent.join()
    os._exit(1)  # a thread cannot end its process by sys.exit
