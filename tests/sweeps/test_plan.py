"""What a file of cases may say, and what is said of one that is wrong."""

import os

import meshio
import numpy as np
import pytest

import simkit
from simkit.body.walls.triangulated import LARGEST_SCAN
from simkit.errors import InputError
from simkit.sweeps.plan import read_plan
from simkit.sweeps.work import key_of
from simkit.vessel import loads

HEAD = 'base = "ball.toml"\ncompute = ["predict"]\n'


def plan(folder, text):
    (folder / "cases.toml").write_text(text)
    return read_plan(folder / "cases.toml")


def test_variations_combine_and_the_last_changes_fastest(folder):
    read = read_plan(folder / "cases.toml")
    assert read.count == 6
    assert read.keys == ("body.diameter_mm", "air.temperature_c")
    assert [(name, *settings.values()) for name, _, settings, _ in read.variants()][:4] == [
        ("size 1, air 1", 50, 10.0),
        ("size 1, air 2", 50, 20.0),
        ("size 1, air 3", 50, 30.0),
        ("size 2, air 1", 60, 10.0),
    ]


def test_keys_of_one_variation_go_together(folder):
    read = plan(folder, HEAD + '[[variation]]\nname = "a"\nbody.diameter_mm = [40, 50]\nclay.wall_mm = [3, 4]')
    assert [settings for _, _, settings, _ in read.variants()] == [
        {"body.diameter_mm": 40, "clay.wall_mm": 3},
        {"body.diameter_mm": 50, "clay.wall_mm": 4},
    ]


def test_draws_follow_their_laws_and_their_seed(folder):
    text = HEAD + (
        '[[variation]]\nname = "makers"\ndraws = 4000\nseed = 3\n'
        '"clay.wall_mm" = { low = 3, high = 6 }\n"body.hole.1.diameter_mm" = { mean = 8, sd = 0.1 }'
    )
    rows = plan(folder, text).variations[0].rows
    walls, holes = np.array([list(row.values()) for row in rows]).T
    assert walls.min() >= 3 and walls.max() <= 6
    # Mean and variance of the uniform law are (a + b)/2 and (b - a)^2/12; four standard errors either way.
    assert walls.mean() == pytest.approx(4.5, abs=4 * np.sqrt(9 / 12 / 4000))
    assert holes.mean() == pytest.approx(8.0, abs=4 * 0.1 / np.sqrt(4000))
    assert holes.std() == pytest.approx(0.1, rel=4 / np.sqrt(2 * 4000))
    assert plan(folder, text).variations[0].rows == rows
    assert plan(folder, text.replace("seed = 3", "seed = 4")).variations[0].rows != rows


def test_a_table_gives_a_case_a_line_and_texts_stay_texts(folder):
    (folder / "jars.csv").write_text("body.diameter_mm, scale.temperament\n40, equal\n\n50, just\n")
    read = plan(folder, HEAD + '[[variation]]\nname = "jars"\ntable = "jars.csv"')
    assert [settings for _, _, settings, _ in read.variants()] == [
        {"body.diameter_mm": 40.0, "scale.temperament": "equal"},
        {"body.diameter_mm": 50.0, "scale.temperament": "just"},
    ]


def test_several_designs_may_be_the_base(folder):
    (folder / "other.toml").write_text((folder / "ball.toml").read_text().replace("50", "70"))
    read = plan(folder, 'base = ["ball.toml", "other.toml"]\ncompute = ["predict", "chart"]')
    assert [name for name, *_ in read.variants()] == ["ball", "other"]


VARIATION = '[[variation]]\nname = "a"\n'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('compute = ["predict"]', "base: allowed: a design file's name, or a list of them; the key is missing"),
        (
            'base = "ball.toml"',
            "compute: allowed: a list of predict, chart, resonances, blow, optimise; the key is miss",
        ),
        ('base = "ball.toml"\ncompute = ["predcit"]', "did you mean predict?"),
        ('base = "dove.toml"\ncompute = ["predict"]', "there is no such file"),
        (HEAD + "colour = 3", "colour = 3: allowed: known keys only"),
        (HEAD + '[predict]\nmodle = "lumped"', "predict.modle = 'lumped': allowed: known keys only"),
        (HEAD + "[predict]\nlossless = 1", "predict.lossless = 1: allowed: true or false"),
        (HEAD + "[[variation]]\nclay.wall_mm = [4]", "variation[1].name: allowed: a name in quotes"),
        (HEAD + 2 * (VARIATION + "clay.wall_mm = [4]\n"), "a name in quotes that no other variation has"),
        (HEAD + VARIATION, "variation.a: allowed: at least one dotted key with its values"),
        (HEAD + VARIATION + "body.diametre_mm = [4]", "did you mean body.diameter_mm?"),
        (HEAD + VARIATION + "clay.wall_mm = [4]\nbody.diameter_mm = [40, 50]", "they go together row by row"),
        (HEAD + VARIATION + "clay.wall_mm = { from = 1, to = 2 }", "a list of values or { from, to, count }"),
        (HEAD + VARIATION + "clay.wall_mm = { from = 1, to = 2, count = 1 }", "count = 2 to 100000"),
        (
            HEAD + VARIATION + "draws = 3\nclay.wall_mm = { low = 1, high = 2 }",
            "variation.a.seed: allowed: a whole numb",
        ),
        (HEAD + VARIATION + "draws = 3\nseed = 1\nclay.wall_mm = { low = 2, high = 1 }", "low < high"),
        (HEAD + VARIATION + 'table = "none.csv"', "there is no such file"),
        (HEAD + VARIATION + 'table = "cases.toml"\nclay.wall_mm = [4]', "no key of its own beside table"),
        (HEAD + "[[variation]", "line 3"),
    ],
)
def test_what_is_wrong_is_said_with_its_place(folder, text, said):
    with pytest.raises(InputError) as error:
        plan(folder, text)
    assert said in str(error.value)
    assert "cases.toml" in str(error.value) or "dove.toml" in str(error.value) or "none.csv" in str(error.value)


def test_a_ragged_table_is_refused(folder):
    (folder / "jars.csv").write_text("body.diameter_mm,clay.wall_mm\n40\n")
    with pytest.raises(InputError, match="row 2: allowed: 2 values, not 1"):
        plan(folder, HEAD + VARIATION + 'table = "jars.csv"')


JARS = HEAD + '[[variation]]\nname = "jars"\ntable = "jars.csv"'


def test_a_column_without_a_dot_is_a_label_and_changes_no_design(folder):
    (folder / "jars.csv").write_text("body.diameter_mm, jar, shelf\n40, 007, oben\n50, ä\\b, 3\n", encoding="utf-8")
    read = plan(folder, JARS)
    assert (read.keys, read.labels) == (("body.diameter_mm",), ("jar", "shelf"))
    assert [(settings, labels) for *_, settings, labels in read.variants()] == [
        ({"body.diameter_mm": 40.0}, {"jar": "007", "shelf": "oben"}),
        ({"body.diameter_mm": 50.0}, {"jar": "ä\\b", "shelf": 3.0}),
    ]


@pytest.mark.parametrize("column", ["status", "Number", "wall_mm", "body.lenght_mm", ""])
def test_a_label_that_is_a_slip_or_a_column_of_the_results_is_refused(folder, column):
    """The last part of a dotted key alone, a key with a slip, a name that the views have already."""
    (folder / "jars.csv").write_text(f"body.diameter_mm, {column}\n40, 1\n")
    with pytest.raises(InputError, match=r"variation\.jars"):
        plan(folder, JARS)


SCAN = 'clay.wall_mm = 4\n[[chamber]]\nname = "body"\nshape = "scan"\nfile = "body.stl"\n'


@pytest.mark.parametrize("what", ["pipe", "device", "folder", "huge", "none"])
def test_a_scan_that_never_ends_is_refused_before_it_is_read(folder, what):
    scan = folder / "body.stl"
    if what == "pipe":
        os.mkfifo(scan)
    elif what == "device":
        scan.symlink_to("/dev/zero")
    elif what == "folder":
        scan.mkdir()
    elif what == "huge":
        with open(scan, "wb") as file:
            file.truncate(LARGEST_SCAN + 1)  # holes take no room on the disk
    (folder / "cast.toml").write_text(SCAN)
    with pytest.raises(InputError, match=r"cast\.toml: body\.file = 'body\.stl'"):
        plan(folder, HEAD.replace("ball", "cast"))


HALF = "solid half\nfacet normal 0 0 0\nouter loop\nvertex 0 0 0\nvertex 40 0 0\n"  # an ASCII STL cut short


# The corpus of broken files has the STEP file, at both doors.
@pytest.mark.parametrize("name", ["body.stl", pytest.param("body.step", marks=pytest.mark.slow)])
def test_a_broken_scan_is_refused_before_the_sweep_as_predict_refuses_it(folder, name):
    (folder / name).write_text(HALF)
    (folder / "cast.toml").write_text(SCAN.replace("body.stl", name))
    with pytest.raises(InputError) as predicted:
        simkit.predict(simkit.load(folder / "cast.toml"))
    with pytest.raises(InputError) as swept:
        plan(folder, HEAD.replace("ball", "cast"))
    assert str(swept.value) == str(predicted.value)
    assert f"cast.toml: body.file = '{name}': allowed: " in str(swept.value)


def test_of_scans_that_vary_the_broken_one_is_named_and_the_designs_own_is_not_asked_for(folder):
    cube = np.array([[x, y, z] for x in (0, 30) for y in (0, 30) for z in (0, 30)], float)
    faces = [[0, 1, 3], [0, 3, 2], [4, 6, 7], [4, 7, 5], [0, 4, 5], [0, 5, 1],
             [2, 3, 7], [2, 7, 6], [0, 2, 6], [0, 6, 4], [1, 5, 7], [1, 7, 3]]  # fmt: skip
    meshio.write(folder / "cube.stl", meshio.Mesh(cube, [("triangle", np.array(faces))]), binary=True)
    (folder / "half.stl").write_text(HALF)
    (folder / "cast.toml").write_text(SCAN)  # its body.stl is not there
    varied = HEAD.replace("ball", "cast") + '[[variation]]\nname = "jars"\n"body.file" = [{}]\n'
    assert plan(folder, varied.format('"cube.stl"')).count == 1
    with pytest.raises(InputError, match=r"cases\.toml: variation\.jars\.body\.file = 'half\.stl'"):
        plan(folder, varied.format('"cube.stl", "half.stl"'))


def test_designs_of_other_shapes_with_the_same_numbers_have_rows_of_their_own():
    text = 'clay.wall_mm = 4\n[[chamber]]\nname = "a"\nshape = "{}"\nlength_mm = 80\nwidth_mm = 50\nheight_mm = 40'
    box, egg = (loads(text.format(shape)) for shape in ("box", "ellipsoid"))
    assert key_of(box, {}) != key_of(egg, {})
    assert key_of(box, {}) == key_of(box.with_value("a.corner_mm", 0), {})
