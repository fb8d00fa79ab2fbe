"""Where the rows of a sweep are kept: one SQLite file that survives a crash and reads as tables.

    import pandas, sqlite3
    notes = pandas.read_sql("select * from notes", sqlite3.connect("DIR/results.sqlite"))

`results` holds the rows as they came, one a case by its key. The views beside it are made for reading, and show the
cases of the latest plan: `cases` has every setting in a column of its own, `notes`, `blown`, `fingerings`,
`resonances` and `optimised` have a line for each of what their names say. Times are in UTC.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from simkit import __version__
from simkit.errors import Fault, InputError, OutOfReach
from simkit.machine import lock
from simkit.sweep.work import Case, Row

FILE = "results.sqlite"

_TABLES = """
create table if not exists results (
    key text primary key, number integer, name text not null, settings text not null, status text not null,
    seconds real not null, answers text, error text, traceback text, worker text not null, at text not null
) without rowid;
create table if not exists runs (
    id integer primary key, began text not null, ended text, simkit text not null, plan text not null,
    cases integer not null, computed integer, again integer
);
"""


class Store:
    """The rows of one folder; writes are whole or not at all, and kept when they return."""

    def __init__(self, folder: Path):
        self.file = folder / FILE
        self._db = sqlite3.connect(self.file, isolation_level=None)

    @classmethod
    @contextmanager
    def opened(cls, folder: Path) -> Iterator[Store]:
        """The store of a folder, held by this process alone while it is open."""
        folder.mkdir(exist_ok=True)
        with open(folder / "sweep.lock", "w") as held:
            try:
                lock(held.fileno())
            except BlockingIOError as error:
                allowed = "a folder in which no other sweep is running"
                raise InputError([Fault(str(folder), "-o", None, allowed)]) from error
            with _told(folder):
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
        self._db.executescript(_TABLES)

    def began(self, plan: str, keys: Iterable[str], count: int) -> int:
        """Notes that a run begins, and makes the views for what it varies; the run's number."""
        now = _now()
        run = self._db.execute(
            "insert into runs (began, simkit, plan, cases) values (?, ?, ?, ?)", (now, __version__, plan, count)
        ).lastrowid
        with self._whole():
            for name, query in _views(self._settings() | dict.fromkeys(keys)).items():
                self._db.execute(f"drop view if exists {name}")
                self._db.execute(f"create view {name} as {query}")
        return int(run or 0)

    def ended(self, run: int, computed: int, again: int) -> None:
        """Notes how a run ended: rows computed, and how many cases were begun more than once."""
        self._db.execute(
            "update runs set ended = ?, computed = ?, again = ? where id = ?", (_now(), computed, again, run)
        )

    def statuses(self) -> dict[str, str]:
        """The keys that have a row, each with its status."""
        return dict(self._db.execute("select key, status from results"))

    def number(self, cases: Iterable[Case]) -> None:
        """Gives rows that are there the numbers and names of this plan, and no number to those that it leaves out."""
        with self._whole():
            self._db.execute("update results set number = null")
            self._db.executemany(
                "update results set number = ?, name = ?, settings = ? where key = ?",
                ((case.number, case.name, json.dumps(dict(case.settings)), case.key) for case in cases),
            )

    def drop_failed(self) -> None:
        """Forgets the rows of failed cases, so that they are computed again."""
        self._db.execute("delete from results where status = 'failed'")

    def keep(self, rows: Iterable[tuple[Case, Row]]) -> None:
        """Keeps rows, all of them or none; they are on the disk when this returns."""
        now = _now()
        with self._whole():
            self._db.executemany(
                "insert or replace into results values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                [
                    (
                        *(row.key, case.number, case.name, json.dumps(dict(case.settings)), row.status, row.seconds),
                        *(row.answers, row.error, row.traceback, row.worker, now),
                    )
                    for case, row in rows
                ],
            )

    def failures(self, most: int = 5) -> list[tuple[int, str, str]]:
        """Number, name and error of the first failed cases."""
        return self._db.execute(
            "select number, name, error from results where status = 'failed' and number is not null"
            " order by number limit ?",
            (most,),
        ).fetchall()

    @contextmanager
    def _whole(self) -> Iterator[None]:
        self._db.execute("begin immediate")
        try:
            yield
        except BaseException:
            if self._db.in_transaction:  # on a full disk SQLite has rolled back by itself
                self._db.execute("rollback")
            raise
        self._db.execute("commit")

    def _settings(self) -> dict[str, None]:
        """Keys that rows of earlier runs have set."""
        found = self._db.execute("select distinct each.key from results, json_each(results.settings) as each")
        return {key: None for (key,) in found}


@contextmanager
def _told(folder: Path) -> Iterator[None]:
    """What the database cannot do as a message of ours; what was kept before stays."""
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


def _views(keys: Mapping[str, None]) -> dict[str, str]:
    """The queries of the views by name; each dotted key that varies is a column."""
    settings = "".join(f", {_setting(key)} as {_quoted(key)}" for key in keys)
    columns = f"r.number, r.name as 'case'{settings}"
    views = {
        "cases": f"select {columns}, r.status, r.seconds, r.error, r.key from results as r where r.number is not null"
    }
    for name, (command, items, inner) in _LISTS.items():
        listed = "".join(f", {_field(f'$.{path}')} as {_quoted(label)}" for label, path in inner.items())
        views[name] = (
            f"select {columns}, json_extract(chamber.value, '$.name') as chamber{listed} from results as r,"
            f" json_each(r.answers, '$.{command}.chambers') as chamber,"
            f" json_each(chamber.value, '$.{items}') as item where r.number is not null"
        )
    return views


def _setting(key: str) -> str:
    path = '$."' + key.replace('"', "") + '"'
    return f"json_extract(r.settings, {_text(path)})"


def _field(path: str) -> str:
    return f"json_extract(item.value, {_text(path)})"


def _text(value: str) -> str:
    return "'" + value.replace("'", "''") + "'"


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


_MODELS = {
    f"{model}_{field}": f"{model}.{field}"
    for model in ("lumped", "ports", "resolved")
    for field in ("frequency_hz", "cents", "q", "uncertainty_cents")
}
_BLOWN = ("pressure_pa", "sounding_hz", "overblow_margin", "overblow_at_pa", "speaks")

# View: command, list in each chamber, columns by their place in the list's items.
_LISTS: dict[str, tuple[str, str, dict[str, str]]] = {
    "notes": ("predict", "notes", {"pitch": "pitch", "open": "open", "target_hz": "target_hz", **_MODELS}),
    "blown": ("blow", "notes", {"pitch": "pitch", **{key: key for key in _BLOWN}}),
    "fingerings": ("chart", "fingerings", {key: key for key in ("open", "frequency_hz", "q")}),
    "resonances": ("resonances", "resonances", {key: key for key in ("frequency_hz", "k_per_m", "q")}),
    "optimised": (
        "optimise",
        "after",
        {"pitch": "pitch", "target_hz": "target_hz", "frequency_hz": "ports.frequency_hz", "cents": "ports.cents"},
    ),
}
