"""Rows come whole, once, and are found again; errors are rows; the file reads as tables."""

import json
import multiprocessing
import os
import sqlite3
from concurrent.futures import BrokenExecutor, Executor, Future, ThreadPoolExecutor

import pytest

import simkit
from simkit.errors import InputError, OutOfReach
from simkit.sweep import sweep
from simkit.sweep.store import Store
from simkit.sweep.workers import Gone


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
    monkeypatch.setattr("simkit.sound.prediction.predict", lambda *_, **__: 1 / 0)
    assert swept(folder).failed == 6
    (said, trace), *_ = rows(folder, "select error, traceback from results")
    assert said == "ZeroDivisionError: division by zero"
    assert trace.startswith("Traceback") and "in _predict" in trace


def test_equal_cases_are_computed_once_and_it_is_said(folder):
    cases = folder / "cases.toml"
    cases.write_text(cases.read_text().replace("[50, 60]", "[50, 50]"))
    answer = swept(folder)
    assert (answer.computed, answer.equal) == (3, 3)


def test_an_interruption_keeps_what_was_stored(folder, monkeypatch):
    from simkit.sound import prediction

    predict, calls = prediction.predict, []

    def tired(*args, **kwargs):
        calls.append(1)
        if len(calls) == 4:
            raise KeyboardInterrupt
        return predict(*args, **kwargs)

    monkeypatch.setattr("simkit.sweep.running.BATCH_S", 0)  # a batch is one case
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
    cases.write_text(cases.read_text().replace("count = 3", "count = 300"))
    prepare = Store._prepare

    def narrow(store):
        prepare(store)
        (pages,) = store._db.execute("pragma page_count").fetchone()
        store._db.execute(f"pragma max_page_count = {pages + 5}")  # what SQLite itself calls a full disk

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


class Fickle:
    """Workers whose executor is found broken when work is handed to it, the first time or each time."""

    lanes, patience = 1, None

    def __init__(self, mends):
        self.mends, self.renewed, self.told = mends, 0, 0

    def executor(self):
        return Here() if self.renewed else Broken()

    def renew(self):
        if not self.mends:
            raise Gone("nobody is there")
        self.renewed += 1

    def look(self):
        pass

    def gone(self):
        new, self.told = self.renewed - self.told, self.renewed
        return new

    def stop(self, now=False):
        pass


class Broken(Executor):
    def submit(self, function, /, *args, **kwargs):
        raise BrokenExecutor("a worker died a moment ago")


def test_work_that_nobody_took_is_handed_out_again(folder, monkeypatch):
    monkeypatch.setattr("simkit.sweep.running._crew", lambda *_: Fickle(mends=True))
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
        patched.setattr("simkit.sweep.running._crew", lambda *_: Fickle(mends=False))
        with pytest.raises(OutOfReach, match="nobody is there; 3 of 6 cases are stored, and the same call goes on"):
            swept(folder)
    with pytest.raises(OutOfReach, match="handed in are gone; 3 of 6 cases are stored"):
        swept(folder, executor=Broken())
    assert swept(folder).computed == 3


class Deadly:
    """`compute` with a case in it that kills its worker."""

    def __call__(self, cases, options):
        from simkit.sweep.work import compute

        for case in cases:
            if case.settings == {"body.diameter_mm": 60, "air.temperature_c": 20.0}:
                assert multiprocessing.parent_process() is not None
                os.kill(os.getpid(), 9)
        return compute(cases, options)


@pytest.mark.slow
@pytest.mark.sample
def test_a_case_that_kills_its_worker_is_a_row_and_costs_the_others_nothing(folder, monkeypatch):
    monkeypatch.setattr("simkit.sweep.running.compute", Deadly())
    answer = swept(folder, executor=None, workers=2)
    assert (answer.computed, answer.failed) == (6, 1)
    assert answer.lost >= 2 and answer.again >= 1
    assert rows(
        folder, 'select "body.diameter_mm", "air.temperature_c", error from cases where status = \'failed\''
    ) == [(60, 20.0, "its worker died each time (killed, or out of memory)")]
