"""Usual sizes of hand-made clay vessel flutes, so that a slip of the pen is questioned."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from simkit.vessel.chamber import Chamber

# mm, from a whistle of a few millilitres to a bass: common practice, no source.
WALL = (2.0, 12.0)
HOLE = (1.5, 20.0)
VOICING = {
    "window_width_mm": (3.0, 40.0),
    "cut_up_mm": (1.5, 15.0),
    "windway_height_mm": (0.6, 3.5),
    "windway_length_mm": (5.0, 80.0),
}


def usual_cautions(wall_mm: float, chambers: Sequence[Chamber]) -> Iterator[str]:
    """Cautions about unusual sizes; none for a piece without a voicing, such as a textbook's resonator."""
    if not any(chamber.voicing for chamber in chambers):
        return
    sizes: list[tuple[str, float | None, tuple[float, float]]] = [("clay.wall_mm", wall_mm, WALL)]
    for chamber in chambers:
        if chamber.voicing:
            key = f"{chamber.name}.voicing"
            sizes += [(f"{key}.{name}", getattr(chamber.voicing, name), usual) for name, usual in VOICING.items()]
            sizes.append((f"{key}.wall_mm", chamber.voicing.wall_mm, WALL))
        for hole in chamber.holes:
            key = f"{chamber.name}.hole.{hole.name}"
            sizes += [(f"{key}.diameter_mm", hole.diameter_mm, HOLE), (f"{key}.wall_mm", hole.wall_mm, WALL)]
    for key, size, (least, most) in sizes:
        if size and not least <= size <= most:  # neither what is left out nor a thin shell of 0
            yield f"{key} = {size:g} is not usual: {least:g} to {most:g} mm are (common practice, no source); a slip?"
