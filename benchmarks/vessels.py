"""Vessels for timing: an egg with any number of holes along two rows. Sizes invented for the purpose."""

from __future__ import annotations

import simkit
from simkit.vessel import Vessel


def egg(holes: int, length_mm: float = 120.0) -> Vessel:
    """An egg-shaped chamber with a window underneath and `holes` holes on top and at the sides."""
    scale = length_mm / 120.0
    text = f"""
    title = "Timing egg"
    [clay]
    wall_mm = {5 * scale}
    [[chamber]]
    name = "body"
    shape = "egg"
    length_mm = {120 * scale}
    width_mm = {64 * scale}
    height_mm = {52 * scale}
    widest_at = 0.45
    [chamber.voicing]
    along_mm = {18 * scale}
    around_deg = 180
    window_width_mm = {12 * scale}
    cut_up_mm = {5.5 * scale}
    windway_height_mm = {1.4 * scale}
    windway_length_mm = {34 * scale}
    """
    for n in range(holes):
        row, place = n % 4, n // 4
        around = (-60, -22, 22, 60)[row]
        text += f'[[chamber.hole]]\nname = "{n + 1}"\nalong_mm = {(30 + 18 * place + 4 * (row % 2)) * scale}\n'
        text += f"around_deg = {around}\ndiameter_mm = {(5 + 0.25 * n) * scale}\n"
    return simkit.loads(text, "timing egg")
