"""The breath of several chambers as a picture: every note at its pressure, every jump where it is."""

from types import SimpleNamespace

import numpy as np
from drawings.crossing import crossing_panel

from simkit.pitch import note
from simkit.show.look import page


def chamber(name, pitches, pressures, jumps):
    notes = [
        SimpleNamespace(pitch=p, blown=SimpleNamespace(pressure=pa, overblow_at=jump))
        for p, pa, jump in zip(pitches, pressures, jumps, strict=True)
    ]
    return SimpleNamespace(name=name, notes=notes)


def test_every_note_stands_at_its_pressure_and_shared_notes_side_by_side():
    table = SimpleNamespace(
        chambers=[
            chamber("body", ["C4", "D4", "E4"], [50, 70, 90], [900, None, 950]),
            chamber("tail", ["E4", "F4"], [85, None], [None, None]),
        ]
    )
    figure = page(crossing_panel("Breath", table))
    (axes,) = figure.subfigs[0].subfigs[0].axes
    named = {line.get_label(): line for line in axes.lines if not line.get_label().startswith("_")}
    assert list(named) == ["body", "tail"]
    assert np.array(named["body"].get_ydata()).tolist() == [50, 70, 90]
    (x,), (y,) = named["tail"].get_data()
    assert y == 85 and 0 < x - note("E4").key < 0.5
    jumps = sorted(float(line.get_ydata()[0]) for line in axes.lines if line.get_marker() == "v")
    assert jumps == [900, 950]
    assert "\nF4" in [tick.get_text() for tick in axes.get_xticklabels()]
