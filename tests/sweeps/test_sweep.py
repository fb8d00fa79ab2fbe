"""Rows come whole, once, and are found again; errors are rows; the file reads as tables."""

import json
import multiprocessing
import os
import sqlite3
from concurrent.futures import BrokenExecutor, Executor, Future, ThreadPoolExecutor

import numpy as np
import pytest

import simkit
from simkit import provenance
from simkit.errors import InputError, OutOfReach
from simkit.sweeps import sweep
from simkit.sweeps.store import Store
from simkit.sweeps.workers import NoWorkers


class Here(Executor):
    """Does the work at once, in this thread."""

    def submit(self, function, /, *args, **kwargs):
        future = Future()
        try:
            future.set_result(function(*args, **kwargs))
        except BaseException as error:
            future.set_exception(error)
            if isinstance(error, KeyboardInterrupt):
                raise
        return future


def swept(folder, **options):
    return sweep(folder / "cases.toml", folder / "out", **{"executor": Here(), "workers": 1, **options})


def rows(folder, query):
    with sqlite3.connect(folder / "out" / "results.sqlite") as database:
        return database.execute(query).fetchall()


def test_every_case_is_what_the_function_says_of_that_design(folder):
    answer = swept(folder)
    assert (answer.cases, answer.computed, answer.failed) == (6, 6, 0)
    ball = simkit.load(folder / "ball.toml")
    for settings, answers in rows(folder, "select settings, answers from results"):
        alone = simkit.predict(ball.with_values(json.loads(settings)), "lumped")
        assert json.loads(answers)["predict"] == json.loads(json.dumps(alone.as_dict()))


def test_resonances_may_be_asked_of_the_piece_by_itself(folder):
    cases = folder / "cases.toml"
    asked = cases.read_text().replace('["predict"]', '["resonances"]').replace("[50, 60]", "[50]")
    cases.write_text(asked.split("[predict]")[0] + '[resonances]\ncount = 1\nclosed = true\nstate = "still"\n')
    assert swept(folder).failed == 0
    told = [json.loads(answers)["resonances"] for (answers,) in rows(folder, "select answers from results")]
    assert [each["state"] for each in told] == ["still"] * 3


def test_what_is_stored_is_not_computed_again_and_only_what_is_missing_is(folder):
    swept(folder)
    again = swept(folder, executor=ThreadPoolExecutor(1))
    assert (again.stored, again.computed) == (6, 0)
    cases = folder / "cases.toml"
    cases.write_text(cases.read_text().replace("[50, 60]", "[50, 60, 70]"))
    more = swept(folder)
    assert (more.stored, more.computed) == (6, 3)
    assert rows(folder, "select count(*) from cases") == [(9,)]


def test_the_file_reads_as_tables_with_a_column_for_each_setting(folder):
    swept(folder)
    flat = rows(folder, 'select number, "body.diameter_mm", pitch, lumped_frequency_hz from notes order by number')
    assert [line[:3] for line in flat[:4]] == [(1, 50, "A5"), (2, 50, "A5"), (3, 50, "A5"), (4, 60, "A5")]
    # Sound is faster in warm air: by sqrt(T) to first order (any handbook).
    assert flat[2][3] / flat[0][3] == pytest.approx((303.15 / 283.15) ** 0.5, rel=2e-3)


def test_a_narrower_plan_shows_only_its_own_cases_and_keeps_the_rest(folder):
    swept(folder)
    cases = folder / "cases.toml"
    cases.write_text(cases.read_text().replace("[50, 60]", "[60]"))
    assert (swept(folder).computed, len(rows(folder, "select * from cases"))) == (0, 3)
    assert rows(folder, "select count(*) from results") == [(6,)]


def test_a_case_that_goes_wrong_is_a_row_with_its_error_and_the_others_are_computed(folder):
    cases = folder / "cases.toml"
    cases.write_text(cases.read_text().replace("[50, 60]", "[50, 5]"))  # a hole of 8 mm in a ball of 5
    answer = swept(folder)
    assert (answer.computed, answer.failed) == (6, 3)
    assert rows(folder, "select count(*) from results where status = 'done' and answers is not null") == [(3,)]
    assert all("body" in error for (error,) in rows(folder, "select error from cases where status = 'failed'"))
    assert "6 cases: 6 computed now, 0 stored before, 3 failed" in str(answer)
    assert swept(folder).computed == 0
    assert swept(folder, retry=True).computed == 3


def test_a_fault_of_ours_is_a_row_with_its_traceback(folder, monkeypatch):
    monkeypatch.setattr("simkit.sound.answers.prediction.predict", lambda *_, **__: 1 / 0)
    assert swept(folder).failed == 6
    (said, trace), *_ = rows(folder, "select error, traceback from results")
    assert said == "ZeroDivisionError: division by zero"
    assert trace.startswith("Traceback") and "in _answer" in trace


def test_equal_cases_are_computed_once_and_it_is_said(folder):
    cases = folder / "cases.toml"
    cases.write_text(cases.read_text().replace("[50, 60]", "[50, 50]"))
    answer = swept(folder)
    assert (answer.computed, answer.equal) == (3, 3)


def test_an_interruption_keeps_what_was_stored(folder, monkeypatch):
    from simkit.sound.answers import prediction

    predict, calls = prediction.predict, []

    def tired(*args, **kwargs):
        calls.append(1)
        if len(calls) == 4:
            raise KeyboardInterrupt
        return predict(*args, **kwargs)

    monkeypatch.setattr("simkit.sweeps.running.BATCH_S", 0)  # a batch is one case
    monkeypatch.setattr(prediction, "predict", tired)
    with pytest.raises(KeyboardInterrupt):
        swept(folder)
    assert swept(folder).stored == 3
    assert rows(folder, "pragma integrity_check") == [("ok",)]


def test_two_sweeps_do_not_share_a_folder(folder):
    with Store.opened(folder / "out"), pytest.raises(InputError, match="no other sweep is running"):
        swept(folder)


def test_a_full_disk_loses_nothing_and_is_said(folder, monkeypatch):
    swept(folder)
    cases = folder / "cases.toml"
    cases.write_text(cases.read_text().replace("count = 3", "count = 60"))
    prepare = Store._prepare

    def narrow(store):
        prepare(store)
        (pages,) = store._db.execute("pragma page_count").fetchone()
        store._db.execute(f"pragma max_page_count = {pages + 1}")  # what SQLite itself calls a full disk

    monkeypatch.setattr(Store, "_prepare", narrow)
    with pytest.raises(OutOfReach, match=r"full; what was stored before is kept"):
        swept(folder)
    assert rows(folder, "pragma integrity_check") == [("ok",)]
    assert rows(folder, "select count(*) from results")[0][0] >= 6


def test_a_file_that_is_no_database_is_refused(folder):
    (folder / "out").mkdir()
    (folder / "out" / "results.sqlite").write_text("a poem " * 200)
    with pytest.raises(InputError, match=r"results\.sqlite: allowed: a file of results"):
        swept(folder)


def test_after_a_change_of_what_computes_everything_is_computed_anew_and_it_is_said(folder, monkeypatch):
    swept(folder)
    monkeypatch.setattr(provenance, "code", lambda: "another")
    answer = swept(folder)
    assert (answer.stored, answer.computed, answer.others) == (0, 6, 6)
    assert "6 rows of other code or libraries stay in the file, out of its views" in str(answer)
    assert rows(folder, "select count(*) from cases") == [(6,)]
    assert rows(folder, "select count(*) from results group by code") == [(6,), (6,)]
    monkeypatch.undo()
    assert (swept(folder).stored, swept(folder).computed) == (6, 0)


def test_a_store_says_what_it_was_made_with(folder):
    answer = swept(folder)
    ((code, made),) = rows(folder, "select code, made from makers")
    assert rows(folder, "select distinct code from results") == [(code,)]
    told = json.loads(made)
    assert told["libraries"]["numpy"] == np.__version__ and told["simkit"] == simkit.__version__
    assert answer.made_with in str(answer) and f"numpy {np.__version__}" in answer.made_with
    assert rows(folder, "select simkit from runs") == [(answer.made_with,)]


def test_a_store_from_before_this_was_noted_is_read_and_computed_anew(folder):
    swept(folder)
    with sqlite3.connect(folder / "out" / "results.sqlite") as database:
        for view in ("cases", "notes", "blown", "fingerings", "resonances", "optimised"):
            database.execute(f"drop view {view}")
        database.execute("alter table results drop column code")
        database.execute("update results set key = 'old ' || key")
        for table in ("planned", "makers"):
            database.execute(f"drop table {table}")
        database.execute("pragma user_version = 0")
    answer = swept(folder)
    assert (answer.stored, answer.computed, answer.others) == (0, 6, 6)


def test_a_store_of_a_newer_simkit_is_refused(folder):
    swept(folder)
    with sqlite3.connect(folder / "out" / "results.sqlite") as database:
        database.execute("pragma user_version = 99")
    with pytest.raises(InputError, match="that this simkit or an older one has made"):
        swept(folder)


def test_a_worker_with_other_code_computes_nothing(folder, monkeypatch):
    """As a cluster's machines may have after an update of some of them."""
    work = simkit.sweeps.work
    monkeypatch.setattr(
        "simkit.sweeps.running.compute", lambda cases, options, code: work.compute(cases, options, "old")
    )
    answer = swept(folder)
    assert (answer.computed, answer.failed) == (6, 6)
    assert "the worker has other code or libraries than the sweep" in str(answer)
    monkeypatch.undo()
    assert swept(folder, retry=True).failed == 0


NAMES = ("körper", "日本", "b\\c", "a b")


@pytest.mark.parametrize("name", NAMES)
def test_a_name_of_any_signs_has_its_column_with_its_values(folder, name):
    written = json.dumps(name, ensure_ascii=False)  # a text of TOML is written as JSON writes it
    (folder / "ball.toml").write_text((folder / "ball.toml").read_text().replace('"body"', written), encoding="utf-8")
    key = json.dumps(f"{name}.diameter_mm", ensure_ascii=False)
    cases = (folder / "cases.toml").read_text().replace('"body.diameter_mm"', key)
    (folder / "cases.toml").write_text(cases, encoding="utf-8")
    assert swept(folder).failed == 0
    with sqlite3.connect(folder / "out" / "results.sqlite") as database:
        database.row_factory = sqlite3.Row
        for view in ("cases", "notes"):
            found = database.execute(f"select * from {view} order by number").fetchall()
            assert [row[f"{name}.diameter_mm"] for row in found] == [50, 50, 50, 60, 60, 60]
        assert {row["chamber"] for row in found} == {name}


def test_labels_are_columns_and_equal_designs_keep_their_own(folder):
    (folder / "jars.csv").write_text("body.diameter_mm, jar\n50, left\n50, right\n60, ä\n", encoding="utf-8")
    head = 'base = "ball.toml"\ncompute = ["predict"]\n[predict]\nmodel = "lumped"\n'
    (folder / "cases.toml").write_text(head + '[[variation]]\nname = "jars"\ntable = "jars.csv"')
    answer = swept(folder)
    assert (answer.cases, answer.computed, answer.equal) == (3, 2, 1)
    assert rows(folder, 'select number, jar, "body.diameter_mm" from notes order by number') == [
        (1, "left", 50), (2, "right", 50), (3, "ä", 60)]  # fmt: skip


@pytest.mark.parametrize("name", ["sweep.lock", "results.sqlite", "results.sqlite-wal"])
@pytest.mark.parametrize("there", ["a file", "nothing", "a pipe"])
def test_no_link_is_followed_and_nothing_is_emptied(folder, name, there):
    other = folder / "mine.txt"
    if there == "a file":
        other.write_text("years of work")
    elif there == "a pipe":
        os.mkfifo(other)
    (folder / "out").mkdir()
    (folder / "out" / name).symlink_to(other)
    with pytest.raises(InputError, match="a file of the sweep's own, not a link or a device"):
        swept(folder)
    assert other.exists() == (there != "nothing")
    assert there != "a file" or other.read_text() == "years of work"


def test_the_lock_of_a_folder_is_not_emptied(folder):
    (folder / "out").mkdir()
    (folder / "out" / "sweep.lock").write_text("notes of mine")
    swept(folder)
    assert (folder / "out" / "sweep.lock").read_text() == "notes of mine"


def test_a_folder_that_is_a_link_to_nowhere_is_refused(folder):
    (folder / "out").symlink_to(folder / "gone")
    with pytest.raises(InputError, match="not that of a link that leads nowhere"):
        swept(folder)


class Fickle:
    """Workers whose executor is found broken when work is handed to it, the first time or each time."""

    lanes, patience = 1, None

    def __init__(self, mends):
        self.mends, self.renewed, self.told = mends, 0, 0

    def executor(self):
        return Here() if self.renewed else Broken()

    def renew(self):
        if not self.mends:
            raise NoWorkers("nobody is there")
        self.renewed += 1

    def check(self):
        pass

    def died(self):
        new, self.told = self.renewed - self.told, self.renewed
        return new

    def stop(self, now=False):
        pass


class Broken(Executor):
    def submit(self, function, /, *args, **kwargs):
        raise BrokenExecutor("a worker died a moment ago")


def test_work_that_nobody_took_is_handed_out_again(folder, monkeypatch):
    monkeypatch.setattr("simkit.sweeps.running._workers", lambda *_: Fickle(mends=True))
    answer = swept(folder)
    assert (answer.computed, answer.failed, answer.lost, answer.again) == (6, 0, 1, 1)
    assert "1 worker died; 1 case begun again" in str(answer)


def test_a_sweep_without_workers_says_what_is_stored_and_goes_on_later(folder, monkeypatch):
    cases = folder / "cases.toml"
    whole = cases.read_text()
    cases.write_text(whole.replace("[50, 60]", "[50]"))
    swept(folder)
    cases.write_text(whole)
    with monkeypatch.context() as patched:
        patched.setattr("simkit.sweeps.running._workers", lambda *_: Fickle(mends=False))
        with pytest.raises(OutOfReach, match="nobody is there; 3 of 6 cases are stored, and the same call goes on"):
            swept(folder)
    with pytest.raises(OutOfReach, match="handed in are gone; 3 of 6 cases are stored"):
        swept(folder, executor=Broken())
    assert swept(folder).computed == 3


class Deadly:
    """`compute` with a case in it that kills its worker."""

    def __call__(self, cases, options, code):
        from simkit.sweeps.work import compute

        for case in cases:
            if case.settings == {"body.diameter_mm": 60, "air.temperature_c": 20.0}:
                assert multiprocessing.parent_process() is not None
                os.kill(os.getpid(), 9)
        return compute(cases, options, code)


@pytest.mark.slow
def test_a_case_that_kills_its_worker_is_a_row_and_costs_the_others_nothing(folder, monkeypatch):
    monkeypatch.setattr("simkit.sweeps.running.compute", Deadly())
    answer = swept(folder, executor=None, workers=2)
    assert (answer.computed, answer.failed) == (6, 1)
    assert answer.lost >= 2 and answer.again >= 1
    assert rows(
        folder, 'select "body.diameter_mm", "air.temperature_c", error from cases where status = \'failed\''
    ) == [(60, 20.0, "its worker died each time (killed, or out of memory)")]
