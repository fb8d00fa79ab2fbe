"""The folder of the page: nothing beyond it, nothing half written, nothing over another's work."""

import os
import signal
import subprocess
import sys
import time

import pytest

from simkit.page.companion import Refused
from simkit.page.shelf import Changed, Shelf, digest

OUTSIDE = [
    "../out.toml", "..", "a/b.toml", "/etc/passwd", "/etc/x.toml", ".hidden.toml", ".toml", "", "x.txt", "a\\b.toml",
    "x\0.toml", "x\n.toml", "..%2Fout.toml", "~/x.toml", "%2e%2e/out.toml", "x" * 300 + ".toml", "CON.toml/..",
]  # fmt: skip


@pytest.mark.parametrize("name", OUTSIDE)
def test_no_name_leads_out_of_the_folder(tmp_path, name):
    (tmp_path / "in").mkdir()
    (tmp_path / "out.toml").write_text("secret = 1")
    shelf = Shelf(tmp_path / "in")
    for ask in (
        shelf.path,
        shelf.read,
        shelf.has,
        lambda n: shelf.beside(n, ".html"),
        lambda n: shelf.save(n, "", None),
    ):
        with pytest.raises(Refused):
            ask(name)
    assert {path.name for path in tmp_path.iterdir()} == {"in", "out.toml"} and not list((tmp_path / "in").iterdir())


@pytest.mark.parametrize(
    "path", ["../../etc/passwd", "..%2f..%2fetc%2fpasswd", "%2e%2e/conftest.py", "main.js/..", "../__init__.py", ""]
)
def test_no_address_leads_out_of_what_is_served(page, path):
    for where in ("static/", "made/"):
        status, _, body = page.ask("GET", where + path)
        assert status in (403, 404) and b"root:" not in body and b"import" not in body


@pytest.mark.parametrize("name", ["../out.toml", "/etc/passwd", ".hidden.toml", "nothing.toml", "..%2Fout.toml"])
def test_no_request_leads_out_of_the_folder(page, name):
    from urllib.parse import quote

    (page.folder.parent / "out.toml").write_text("secret = 1")
    for path in ("state", "card", "blow", "chart", "bench"):
        status, answer = page.get(f"api/{path}?design={quote(name, safe='')}")
        assert status == 422 and "secret" not in str(answer)
    assert page.post("save", name=name)[0] == (200 if name == "nothing.toml" else 422)
    for kind in ("wish", "start", "sheets", "report", "tune"):
        given = {"scale": "C5 major", "holes": 3, "free": ["size"]}
        if name != "nothing.toml":
            assert page.post("work", kind=kind, **{**given, "design": name})[0] == 422
    assert (page.folder.parent / "out.toml").read_text() == "secret = 1"


def test_a_link_that_leads_out_is_not_followed(tmp_path):
    (tmp_path / "in").mkdir()
    (tmp_path / "out.toml").write_text("[[chamber]]\nname='secret'")
    (tmp_path / "in" / "a.toml").symlink_to("../out.toml")
    (tmp_path / "in" / "b.html").symlink_to("../out.toml")
    shelf = Shelf(tmp_path / "in")
    assert shelf.designs() == []
    for ask in (shelf.read, lambda n: shelf.save(n, "mine", None), lambda n: shelf.beside("b.toml", ".html")):
        with pytest.raises(Refused, match="link"):
            ask("a.toml")
    assert "secret" in (tmp_path / "out.toml").read_text()


def test_only_designs_are_listed(tmp_path):
    (tmp_path / "pyproject.toml").write_text("[project]\nname = 'x'")
    (tmp_path / "broken.toml").write_text("[[chamber")
    (tmp_path / "dove.toml").write_text("title = 'Dove'\n[[chamber]]\nname = 'a'")
    (tmp_path / "long.toml").write_text("#" * 300_000)
    assert [(each["file"], each["title"]) for each in Shelf(tmp_path).designs()] == [("dove.toml", "Dove")]


def test_nothing_is_written_over_what_another_program_wrote(tmp_path):
    shelf, file = Shelf(tmp_path), tmp_path / "dove.toml"
    first = shelf.save("dove.toml", "one\r\ntwo", None)
    assert file.read_bytes() == b"one\r\ntwo" and first == digest(file.read_bytes())
    file.write_text("theirs")
    with pytest.raises(Changed, match=r"another program changed dove\.toml"):
        shelf.save("dove.toml", "mine", first)
    assert file.read_text() == "theirs"
    with pytest.raises(Changed, match="is there already"):
        shelf.save("dove.toml", "mine", None)
    file.unlink()
    with pytest.raises(Changed, match="taken away"):
        shelf.save("dove.toml", "mine", first)
    assert list(tmp_path.iterdir()) == []


def test_a_file_keeps_who_may_read_it(tmp_path):
    file = tmp_path / "dove.toml"
    file.write_text("one")
    file.chmod(0o640)
    Shelf(tmp_path).save("dove.toml", "two", digest(b"one"))
    assert file.read_text() == "two" and file.stat().st_mode & 0o777 == 0o640


SAVER = """
import sys
from simkit.page.shelf import Shelf, digest
shelf, n = Shelf(__import__("pathlib").Path(sys.argv[1])), 0
print("ready", flush=True)
while True:
    old = shelf.read("dove.toml")
    n += 1
    shelf.save("dove.toml", "ab"[n % 2] * 200_000, old.digest)
"""


@pytest.mark.parametrize("waits", [(0.0, 0.031), pytest.param((0.013, 0.052, 0.074), marks=pytest.mark.slow)])
def test_a_server_that_is_killed_while_it_saves_leaves_one_whole_design(tmp_path, waits):
    (tmp_path / "dove.toml").write_text("a" * 200_000)
    for wait in waits:
        with subprocess.Popen([sys.executable, "-c", SAVER, str(tmp_path)], stdout=subprocess.PIPE) as saver:
            saver.stdout.readline()
            time.sleep(wait)
            os.kill(saver.pid, signal.SIGKILL)
        assert (tmp_path / "dove.toml").read_text() in ("a" * 200_000, "b" * 200_000)
        shelf = Shelf(tmp_path)
        shelf.save("dove.toml", "a" * 200_000, shelf.read("dove.toml").digest)  # and it can be saved again
        assert [path.name for path in tmp_path.iterdir()] == ["dove.toml"]  # what was half written has gone
