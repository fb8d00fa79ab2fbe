"""Pictures are written whole, in three formats, and the same picture is the same file."""

import matplotlib as mpl
import numpy as np
import pytest

from simkit.errors import InputError
from simkit.show import look


def drawing():
    def draw(figure):
        figure.add_subplot().plot([0, 1], [0, 1], color=look.CLAY)

    return look.page(look.Panel(40, 30, draw), look.Panel(30, 20, draw))


def test_panels_stand_one_under_the_other_each_of_its_own_size():
    figure = drawing()
    assert figure.get_size_inches() * 25.4 == pytest.approx([40, 50])
    boxes = [rows.subfigs[0].bbox.bounds for rows in figure.subfigs]
    at = np.array(boxes) / figure.dpi * 25.4
    assert at == pytest.approx(np.array([[0, 20, 40, 30], [0, 0, 30, 20]]), abs=1e-3)


@pytest.mark.parametrize(("suffix", "start"), [("png", b"\x89PNG"), ("svg", b"<?xml"), ("pdf", b"%PDF")])
def test_each_format_is_what_its_name_says_and_repeats_to_the_byte(tmp_path, suffix, start):
    one, other = tmp_path / f"one.{suffix}", tmp_path / f"other.{suffix}"
    look.save(drawing(), one)
    look.save(drawing(), other)
    assert one.read_bytes().startswith(start)
    assert one.read_bytes() == other.read_bytes()


@pytest.mark.parametrize("name", ["picture.jpeg", "picture", "picture.toml"])
def test_another_format_is_refused_with_those_that_are_known(tmp_path, name):
    with pytest.raises(InputError, match=r"path: allowed: a name that ends in \.png, \.svg or \.pdf"):
        look.save(drawing(), tmp_path / name)
    assert not list(tmp_path.iterdir())


def test_a_caller_keeps_its_own_settings():
    before = dict(mpl.rcParams)
    drawing()
    assert dict(mpl.rcParams) == before
