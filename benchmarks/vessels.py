"""Vessels for timing: eggs with any number of holes, and one to be tuned. Sizes invented for the purpose."""

from __future__ import annotations

import json

import simkit
from simkit.pitch import scale
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


def chromatic(holes_mm: float = 6.0, length_mm: float = 138.93) -> Vessel:
    """An egg with an octave of semitones from D4, one hole more for each; all holes as wide: a poor start to tune."""
    text = f"""
    title = "An octave of semitones"
    clay.wall_mm = 4
    clay.shrinkage_percent = 10
    [[chamber]]
    name = "body"
    shape = "egg"
    length_mm = {length_mm}
    width_mm = {0.5333 * length_mm}
    height_mm = {0.4333 * length_mm}
    widest_at = 0.45
    [chamber.voicing]
    along_mm = {0.15 * length_mm}
    around_deg = 180
    window_width_mm = 18
    cut_up_mm = 6.5
    windway_height_mm = 1.4
    windway_length_mm = 34
    """
    for n in range(12):
        row, place = n % 4, n // 4
        text += f'[[chamber.hole]]\nname = "{n + 1}"\nalong_mm = {(0.78 - 0.2 * place) * length_mm}\n'
        text += f"around_deg = {(-66, -22, 22, 66)[row]}\ndiameter_mm = {holes_mm}\n"
    for n, pitch in enumerate(scale("D4 chromatic", 13)):
        text += f'[[chamber.note]]\npitch = "{pitch}"\nopen = {json.dumps([str(k + 1) for k in range(n)])}\n'
    return simkit.loads(text, "an octave of semitones")
