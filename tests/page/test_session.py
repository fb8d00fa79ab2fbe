"""A design at work: dragging, letting go, undoing, saving, and what happens when another program writes it."""

import asyncio

import pytest

from simkit.vessel import loads
from tests.page.conftest import DOVE

ALONG, WIDE = "body.hole.1.along_mm", "body.hole.1.diameter_mm"


def state(page):
    status, found = page.get("api/state?design=dove.toml")
    assert status == 200, found
    return found


def changed(page, **values):
    return page.post("change", base=state(page)["version"], values={k.replace("__", "."): v for k, v in values.items()})


def test_the_first_state_has_all_that_the_page_shows(page):
    found = state(page)
    assert found["title"] == "Test dove" and found["saved"] and found["undo"] is None
    assert [h["label"] for h in found["handles"]] == ["body"] * 3 + ["window", "hole 1", "hole 2"]
    (chamber,) = found["scene"]["chambers"]
    assert [o["name"] for o in chamber["openings"]] == ["window", "1", "2"]
    # The outside of an ellipsoid of 70 x 46 x 38 mm in clay of 4 mm: a true offset, so 78 x 54 x 46 mm.
    points = [p for sheet in chamber["sheets"] for p in sheet["points"]]
    for axis, outside in enumerate((54, 78, 46)):
        assert max(points[axis::3]) - min(points[axis::3]) == pytest.approx(outside, abs=0.4)


def test_a_change_is_written_with_the_remarks_kept_and_undone_and_redone(page):
    assert changed(page, **{ALONG: 36.123, WIDE: 6.5})[0] == 200
    assert changed(page, **{"body.length": 1.1})[0] == 200
    assert state(page)["undo"] == "a change" and not state(page)["saved"]
    assert (page.folder / "dove.toml").read_text() == DOVE  # nothing is written before it is said
    assert page.post("undo")[0] == 200
    assert page.post("save")[0] == 200
    text = (page.folder / "dove.toml").read_text()
    assert text == DOVE.replace("along_mm = 34", "along_mm = 36.12").replace("= 6      # reamed", "= 6.5    # reamed")
    assert page.post("redo")[0] == 200
    found = state(page)
    assert found["redo"] is None and not found["saved"]
    assert page.post("save")[0] == 200
    vessel = loads((page.folder / "dove.toml").read_text())
    assert (
        vessel.value("body.length_mm") == 77
        and "as long as the hand is broad" in (page.folder / "dove.toml").read_text()
    )
    # What sits on it keeps its share of the length.
    assert vessel.value("body.voicing.along_mm") == pytest.approx(14 * 1.1)
    assert vessel.value("body.hole.2.along_mm") == pytest.approx(50 * 1.1)
    for _ in range(2):
        assert page.post("undo")[0] == 200
    assert page.post("undo") == (422, {"error": "nothing to undo"})
    assert page.post("save")[0] == 200 and (page.folder / "dove.toml").read_text() == DOVE


def test_a_drag_tells_where_everything_is_and_what_it_plays(page):
    base = state(page)["version"]
    with page.listening() as wait_for:
        assert page.post("drag", serial=7, base=base, values={ALONG: 40.0})[0] == 200
        moved, heard = wait_for("moved"), wait_for("numbers")
        assert (moved["serial"], moved["tab"], heard["serial"]) == (7, "t", 7)
        hole = next(o for o in moved["scene"]["chambers"][0]["openings"] if o["name"] == "1")
        # On an ellipsoid with axes a along, b across, c up: y / a is the place's share from the middle.
        x, y, z = hole["center"]
        assert y == pytest.approx(40, abs=0.01)
        assert (x / 23) ** 2 + ((y - 35) / 35) ** 2 + (z / 19) ** 2 == pytest.approx(1, abs=1e-4)
        assert len(heard["notes"]) == 2
        while (told := wait_for("predicted")).get("values") != {ALONG: 40.0}:
            assert "values" not in told  # of the design at rest
        assert (told["tab"], told["version"]) == ("t", base)
    assert state(page)["version"] == base  # a drag alone changes nothing


def test_what_may_not_be_is_told_while_dragging_where_and_by_how_much(page):
    base = state(page)["version"]
    with page.listening() as wait_for:
        page.post("drag", serial=1, base=base, values={ALONG: 47.0, "body.hole.1.around_deg": 10.0})
        moved = wait_for("moved")
        clay = {limit["what"]: limit for limit in moved["limits"]}["clay between hole 1 and hole 2"]
        assert clay["where"] == ["body.hole.1", "body.hole.2"]
        scene = moved["scene"]["chambers"][0]["openings"]
        one, other = (next(o for o in scene if o["name"] == n) for n in "12")
        apart = sum((a - b) ** 2 for a, b in zip(one["center"], other["center"], strict=True)) ** 0.5
        # Three millimetres of clay between rims: what is asked for, less what is left.
        assert float(clay["lacks"].split()[0]) == pytest.approx(3 - (apart - 3 - 3.5), abs=0.011)
        wait_for("numbers")
        page.post("drag", serial=3, base=base, values={ALONG: -20.0})
        faults = wait_for("moved")["faults"]
        assert faults and faults[0]["where"] == ["body.hole.1"] and "along_mm" in faults[0]["what"]


def test_a_change_of_what_another_tab_has_changed_is_refused(page):
    base = state(page)["version"]
    assert page.post("change", base=base, values={WIDE: 6.2})[0] == 200
    status, answer = page.post("change", base=base, values={WIDE: 6.4}, tab="other")
    assert status == 422 and "changed meanwhile" in answer["error"]
    assert page.post("drag", base=base, serial=1, values={WIDE: 6.4})[0] == 422
    assert state(page)["chambers"][0]["holes"][0]["diameter_mm"] == 6.2


def test_both_tabs_hear_of_a_change(page):
    state(page)
    with page.listening() as one, page.listening() as other:
        changed(page, **{WIDE: 6.2})
        assert one("state")["version"] == other("state")["version"] == 2


def test_saving_never_writes_over_what_another_program_wrote_unless_told(page):
    changed(page, **{WIDE: 6.2})
    (page.folder / "dove.toml").write_text(theirs := DOVE.replace("Test dove", "Theirs"))
    with page.listening() as wait_for:
        assert wait_for("outside")["outside"] is True  # within some seconds, without being asked
    status, answer = page.post("save")
    assert status == 409 and answer["changed"] and "another program changed dove.toml" in answer["error"]
    assert (page.folder / "dove.toml").read_text() == theirs
    assert page.post("reload")[0] == 200
    found = state(page)
    assert found["title"] == "Theirs" and found["saved"] and not found["outside"]
    assert page.post("undo")[0] == 200 and state(page)["title"] == "Test dove"
    (page.folder / "dove.toml").write_text(DOVE)
    assert page.post("save", over=True)[0] == 200
    assert "diameter_mm = 6.2" in (page.folder / "dove.toml").read_text()


def test_a_broken_file_of_another_program_is_told_and_what_was_shown_stays(page):
    changed(page, **{ALONG: 36})
    page.post("undo")
    before = state(page)
    (page.folder / "dove.toml").write_text("[[chamber")
    status, answer = page.post("reload")
    assert status == 422 and "dove.toml" in answer["error"]
    assert {k: state(page)[k] for k in ("title", "version", "undo", "redo")} == {
        "title": "Test dove", "version": before["version"], "undo": None, "redo": "a change",
    }  # fmt: skip
    assert page.post("change", base=before["version"], values={ALONG: 37})[0] == 200  # and work goes on


def test_a_bench_that_does_not_know_the_clay_says_where_to_write_it(page):
    status, answer = page.get("api/bench?design=dove.toml")
    assert status == 422
    assert "clay.shrinkage_percent" in answer["error"] and "write it into the file, under [clay]" in answer["error"]


def test_a_copy_is_written_beside_and_no_name_is_taken_twice(page):
    assert page.post("save", name="two.toml")[0] == 200
    assert (page.folder / "two.toml").read_text() == DOVE
    assert page.post("save", name="two.toml")[0] == 422
    assert {each["file"] for each in page.get("api/folder")[1]["designs"]} == {"dove.toml", "two.toml"}


@pytest.mark.parametrize(
    "body",
    [
        {"values": {"body.hole.1.diameter_mm": "wide"}}, {"values": {}}, {"values": {"body.nothing": 3}}, {},
        {"values": {"clay.wall_mm": 3}}, {"values": [1]}, {"values": {"body.hole.1.diameter_mm": 1e999}},
    ],
)  # fmt: skip
def test_a_request_that_is_none_is_told_so(page, body):
    status, answer = page.post("change", base=state(page)["version"], **body)
    assert status in (400, 422) and answer["error"]
    assert (
        state(page)["version"] == 1
        and page.ask("POST", "api/save", text="{", Content_Type="application/json")[0] == 400
    )


def test_long_work_can_be_stopped_and_leaves_everything_as_it_was(page):
    state(page)
    with page.listening() as wait_for:
        status, job = page.post("work", kind="tune", free=["diameters"])
        assert status == 200 and job["state"] == "running"
        while wait_for("job")["said"] != "first step":
            pass
        page.post("stop", job=job["job"])
        while (last := wait_for("job"))["state"] == "running":
            pass
        assert last["state"] == "stopped"
    assert state(page)["version"] == 1
    assert page.post("work", kind="tune", free=["nothing"])[0] == 422


def test_a_page_that_has_slept_is_let_go_so_that_nothing_piles_up_for_it():
    from simkit.page.studio import MOST_UNREAD, Listeners

    async def slept():
        listeners = Listeners()
        stream = listeners.listen()
        assert await anext(stream) == "retry: 1000\n\n"
        for n in range(MOST_UNREAD + 5):
            listeners.say({"n": n})
        assert [each async for each in stream] == []  # it is told to come again, and to look anew

    asyncio.run(slept())


def test_a_page_that_comes_again_hears_what_is_new(page):
    state(page)
    with page.listening() as wait_for:
        changed(page, **{WIDE: 6.2})
        assert wait_for("state")["version"] == 2
    with page.listening() as wait_for:
        changed(page, **{WIDE: 6.3})
        assert wait_for("state")["version"] == 3
