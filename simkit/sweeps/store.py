"""Store of a sweep's rows: one SQLite file that survives a crash and reads as tables.

    import pandas, sqlite3
    notes = pandas.read_sql("select * from notes", sqlite3.connect("DIR/results.sqlite"))

`results` holds the rows as they came, by the key of design, options and what computed them; `planned` the cases of the
latest plan, each with the key of its row; `makers` what computed, by the `code` that rows bear. The views beside them
are made for reading: `cases` has every setting and every label of the latest plan in a column of its own, `notes`,
`blown`, `fingerings`, `resonances` and `optimised` have a line for each of what their names say. Times are in UTC.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import IO

from simkit.errors import Fault, InputError, OutOfReach
from simkit.machine import lock
from simkit.provenance import Provenance
from simkit.sweeps.plan import SweepPlan
from simkit.sweeps.queries import queries
from simkit.sweeps.work import CaseResult, SweepCase

FILE = "results.sqlite"
LOCK = "sweep.lock"

_TABLES = """
create table if not exists results (
    key text primary key, number integer, name text not null, settings text not null, status text not null,
    seconds real not null, answers text, error text, traceback text, worker text not null, at text not null,
    code text not null default ''
) without rowid;
create table if not exists planned (
    number integer primary key, name text not null, settings text not null, labels text not null, key text not null
);
create table if not exists makers (code text primary key, simkit text not null, made text not null) without rowid;
create table if not exists runs (
    id integer primary key, began text not null, ended text, simkit text not null, plan text not null,
    cases integer not null, computed integer, again integer
);
"""


LAYOUT = 2  # of the tables, SQLite's user_version; 0 stands for files from before it was counted


class Store:
    """The rows of one folder; writes are whole or not at all, and kept when they return."""

    def __init__(self, folder: Path):
        self.file = folder / FILE
        self._db = sqlite3.connect(self.file, isolation_level=None)  # None: transactions are ours to begin

    @classmethod
    @contextmanager
    def opened(cls, folder: Path) -> Iterator[Store]:
        """The store of a folder, held by this process alone while it is open."""
        folder.mkdir(exist_ok=True)
        for ending in ("", "-wal", "-shm", "-journal"):  # SQLite's own files beside it
            _check_own(folder / (FILE + ending))
        with _lock_file(folder / LOCK) as held:
            try:
                lock(held.fileno())
            except BlockingIOError as error:
                allowed = "a folder in which no other sweep is running"
                raise InputError([Fault.of("folder", None, allowed, file=str(folder))]) from error
            with _database_errors(folder):
                store = cls(folder)
                try:
                    store._prepare()
                    yield store
                finally:
                    store._db.close()

    def _prepare(self) -> None:
        # Write-ahead log, and every commit on the disk before it returns: a crash loses nothing that was kept.
        self._db.execute("pragma journal_mode = wal")
        self._db.execute("pragma synchronous = full")
        ((layout,),) = self._db.execute("pragma user_version")  # a file of our own, but by a newer simkit
        if layout > LAYOUT:
            allowed = "a file of results that this simkit or an older one has made"
            raise InputError([Fault(str(self.file), "", None, allowed)])
        self._db.executescript(_TABLES)
        if "code" not in {name for _, name, *_ in self._db.execute("pragma table_info(results)")}:
            # A file of layout 0 has no such column.
            self._db.execute("alter table results add column code text not null default ''")
        self._db.execute(f"pragma user_version = {LAYOUT}")

    def began(self, plan: SweepPlan, cases: Iterable[SweepCase], by: Provenance) -> int:
        """Note that a run begins, its cases and what computes them, and make the views; the run's number."""
        with self._whole():
            maker = json.dumps(by.as_dict(), ensure_ascii=False)
            self._db.execute("insert or ignore into makers values (?, ?, ?)", (by.code, by.simkit, maker))
            run = self._db.execute(
                "insert into runs (began, simkit, plan, cases) values (?, ?, ?, ?)",
                (_now(), by.maker, plan.text, plan.count),
            ).lastrowid
            self._db.execute("delete from planned")  # the latest plan alone is shown
            self._db.executemany(
                "insert into planned values (?, ?, ?, ?, ?)",
                ((each.number, each.name, _json(each.settings), _json(each.labels), each.key) for each in cases),
            )
            for name, query in queries(plan.keys, plan.labels).items():
                # Columns of a view are fixed when it is made, and another plan varies other keys.
                self._db.execute(f"drop view if exists {name}")
                self._db.execute(f"create view {name} as {query}")
        return int(run or 0)

    def ended(self, run: int, computed: int, again: int) -> None:
        """Note how a run ended: rows computed, and how many cases were begun more than once."""
        self._db.execute(
            "update runs set ended = ?, computed = ?, again = ? where id = ?", (_now(), computed, again, run)
        )

    def statuses(self) -> dict[str, str]:
        """The keys that have a row, each with its status."""
        return dict(self._db.execute("select key, status from results"))

    def others(self, code: str) -> int:
        """Number of rows that other code or other libraries have computed: they are kept, but out of the views."""
        ((count,),) = self._db.execute("select count(*) from results where code != ?", (code,))
        return int(count)

    def drop_failed(self) -> None:
        """Forget the rows of failed cases, so that they are computed again."""
        self._db.execute("delete from results where status = 'failed'")

    def keep(self, rows: Iterable[tuple[SweepCase, CaseResult]], code: str) -> None:
        """Keep rows that a code has computed, all of them or none; they are on the disk when this returns."""
        now = _now()
        with self._whole():
            self._db.executemany(
                "insert or replace into results values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                [
                    (
                        *(row.key, case.number, case.name, _json(case.settings), row.status, row.seconds),
                        *(row.answers, row.error, row.traceback, row.worker, now, code),
                    )
                    for case, row in rows
                ],
            )

    def failures(self) -> list[tuple[int, str, str]]:
        """Number, name and error of the first failed cases of the plan."""
        return self._db.execute(
            "select p.number, p.name, r.error from planned as p join results as r on r.key = p.key"
            " where r.status = 'failed' order by p.number limit 5"
        ).fetchall()

    @contextmanager
    def _whole(self) -> Iterator[None]:
        self._db.execute("begin immediate")  # takes the write lock at once
        try:
            yield
        except BaseException:
            if self._db.in_transaction:  # on a full disk SQLite has rolled back by itself
                self._db.execute("rollback")
            raise
        self._db.execute("commit")


def _check_own(path: Path) -> None:
    """Refuse a link or a device in place of our file: we must not write to what it leads to."""
    if path.is_symlink() or (path.exists() and not path.is_file()):
        raise InputError(
            [Fault.of("folder", None, "a file of the sweep's own, not a link or a device", file=str(path))]
        )


@contextmanager
def _lock_file(path: Path) -> Iterator[IO[bytes]]:
    """The file whose lock keeps other sweeps out, created if need be; its content is never changed."""
    _check_own(path)
    # Where a link has come since, O_NOFOLLOW refuses it too; a pipe is not waited for.
    flags = os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
    try:
        handle = os.open(path, flags, 0o666)
    except OSError as error:
        allowed = f"a file of the sweep's own that can be opened ({error.strerror})"
        raise InputError([Fault.of("folder", None, allowed, file=str(path))]) from error
    with open(handle, "rb", buffering=0) as held:
        yield held


@contextmanager
def _database_errors(folder: Path) -> Iterator[None]:
    """Turns the database's errors into ours; rows that were stored before stay."""
    try:
        yield
    except sqlite3.OperationalError as error:
        raise OutOfReach(
            f"{folder / FILE}: {error}; what was stored before is kept, the same command goes on"
        ) from error
    except sqlite3.DatabaseError as error:
        raise InputError([Fault(str(folder / FILE), "", None, f"a file of results ({error})")]) from error


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")


def _json(values: Mapping[str, float | str]) -> str:
    return json.dumps(dict(values), ensure_ascii=False)
