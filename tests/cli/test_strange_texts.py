"""Texts that mean something to what shows them: to a picture, a terminal, a browser; and nowhere to show them."""

import subprocess
import sys
from pathlib import Path
from urllib.parse import unquote, urlsplit

import pytest

import simkit.show.report
from simkit.cli import run
from simkit.show import plates
from simkit.show.look import Panel
from simkit.vessel.starter import starter

ESC = "\x1b[31m"


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("dove.toml").write_text(starter())
    return tmp_path


def test_a_hole_may_be_called_what_a_formula_would_break_on(folder, monkeypatch):
    """matplotlib reads what stands between two dollars as a formula, unless text.parse_math says no."""
    monkeypatch.setattr(plates, "in_the_round", lambda vessel, body: Panel(60, 40, lambda figure: None))  # no texts
    name = "$\\frac{1}{$"
    Path("odd.toml").write_text(starter().replace('"1"', f"'{name}'"))
    assert run(["predict", "odd.toml", "--model", "lumped", "--plot", "odd.png"]) == 0
    assert Path("odd.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(
    "plan",
    [
        'base = "dove.toml"\ncompute = ["pre\\u001b[31mdict"]\n',
        'base = "dove.toml"\n"bo\\u001b[31mdy" = 3\ncompute = ["predict"]\n',
        'base = "dove.toml"\ncompute = ["predict"]\n[[variation]]\nname = "jars"\ntable = "jars.csv"\n',
    ],
)
def test_no_plan_commands_the_terminal(folder, capsys, plan):
    Path("cases.toml").write_text(plan)
    Path("jars.csv").write_text(f"body.le{ESC}ngth_mm\n80\n")
    assert run(["sweep", "cases.toml", "-o", "rows"]) == 2
    out, err = capsys.readouterr()
    assert "\x1b" not in out + err
    assert "x1b" in err


def test_a_case_that_failed_is_named_without_commands(capsys, monkeypatch, folder):
    class Swept:
        failed, cases = 0, 1

        def __str__(self):
            return f"case 1 (a{ESC}b): no\n"

    monkeypatch.setitem(vars(simkit), "sweep", lambda *given, **options: Swept())
    Path("cases.toml").write_text("")
    assert run(["sweep", "cases.toml", "-o", "rows"]) == 0
    assert capsys.readouterr().out == "case 1 (a\\x1b[31mb): no\n"


@pytest.mark.parametrize("name", ["a#b", "100%25", "javascript:alert(1)", "what?", "sheets of a dove"])
def test_the_link_to_the_sheets_is_an_address_of_that_folder(folder, monkeypatch, name):
    """RFC 3986: a first segment with a colon needs `./` (4.2), signs that divide are percent-encoded (2.1)."""
    told = []
    monkeypatch.setattr(simkit.show.report, "report", lambda vessel, *, sheets, **_: told.append(sheets) or "page")
    Path(name).mkdir()
    assert run(["report", "dove.toml", "-o", "dove.html", "--sheets", name]) == 0
    parts = urlsplit(told[0])
    assert (parts.scheme, parts.query, parts.fragment) == ("", "", "")
    assert Path(unquote(parts.path)) == Path(name)


@pytest.mark.parametrize(
    ("asked", "closed", "status"),
    [("predict ball.toml --model lumped", ">&-", 1), ("--version", "2>&-", 0), ("--version", ">&- 2>&-", 1)],
)
def test_a_closed_output_is_no_traceback(folder, asked, closed, status):
    Path("ball.toml").write_text('clay.wall_mm = 4\n[[chamber]]\nname = "a"\nshape = "sphere"\ndiameter_mm = 50\n')
    command = f"{sys.executable} -m simkit {asked} {closed}"
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True, check=False)
    assert done.returncode == status
    assert "Traceback" not in done.stderr
    if closed == ">&-":
        assert done.stderr.endswith("simkit: the answer could not be written (standard output is closed)\n")


def test_a_scan_of_one_point_is_refused_without_a_warning(folder, capsys):
    """Warnings are errors here."""
    facet = "facet normal 0 0 0\nouter loop\n" + 3 * "vertex 1 1 1\n" + "endloop\nendfacet\n"
    Path("one.stl").write_text(f"solid x\n{facet}endsolid x\n")
    Path("one.toml").write_text('clay.wall_mm = 4\n[[chamber]]\nname = "a"\nshape = "scan"\nfile = "one.stl"\n')
    assert run(["predict", "one.toml"]) == 2
    assert "one.stl" in capsys.readouterr().err


@pytest.mark.parametrize("factor", ["fine", "nan", "-1", "3"])
def test_a_shake_of_the_meshes_that_is_none_is_told_in_one_line(folder, capsys, monkeypatch, factor):
    """The tests set it for all that they start; by hand it is a setting like any other."""
    monkeypatch.setenv("SIMKIT_SHAKE", factor)
    assert run(["resonances", "dove.toml", "--closed"]) == 2
    said = [line for line in capsys.readouterr().err.splitlines() if not line.startswith("simkit: ")]
    allowed = "a factor from 0.8 to 1.25 (the tests' own, for the sizes of meshes), or unset"
    assert said == [f"environment: SIMKIT_SHAKE = '{factor}': allowed: {allowed}"]
