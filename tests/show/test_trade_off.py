"""The picture of a trade-off."""

import simkit
from simkit.optimisation.compromises import Compromise, TradeOff
from simkit.show.look import page
from simkit.show.optimised import trade_off_text
from simkit.show.plates import trade_off_panel


def test_every_compromise_is_a_point_with_its_units():
    points = tuple(Compromise(1.0, 10.0 + n, 5.0 - n, 0.1 + 6 * (n == 2), None) for n in range(3))
    figure = page(trade_off_panel("steady or small", TradeOff("plus or minus, cents", "widest hole, mm", points)))
    (axes,) = figure.axes if figure.axes else [a for sub in figure.subfigs for a in sub.axes]
    assert axes.get_xlabel() == "plus or minus, cents"
    assert axes.get_ylabel() == "widest hole, mm"
    markers = [line for line in axes.lines if line.get_marker() == "o"]
    assert len(markers) == 3
    assert [line.get_markerfacecolor() == line.get_markeredgecolor() for line in markers] == [True, True, False]


def test_designs_that_come_out_alike_are_said_to():
    """Within a hundredth of each other in both aims."""
    vessel = simkit.loads('clay.wall_mm = 4\n[[chamber]]\nname = "a"\nshape = "sphere"\ndiameter_mm = 50')
    for step, alike in ((0.01, True), (0.5, False)):
        points = tuple(Compromise(10.0 ** (n - 1), 10.0 + step * n, 5.0, 0.1, vessel) for n in range(3))
        curve = TradeOff("range, semitones", "widest hole, mm", points)
        assert curve.alike == alike == ("come out alike" in trade_off_text(vessel, curve))
