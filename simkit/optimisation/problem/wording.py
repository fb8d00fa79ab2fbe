"""Numbers of a design as a person says them: "hole 3, along" for body.hole.3.along_mm. Files and JSON keep the keys."""

from __future__ import annotations

from simkit.vessel import Vessel

_ROWS = {"sections": "section", "lobes": "lobe"}
_UNITS = ("_mm", "_deg", "_percent", "_c", "_pa", "_hz")


def spoken(vessel: Vessel, key: str) -> str:
    """A number by its dotted key, or a factor by its name, in words; with its chamber where there are several.

    >>> from simkit.vessel import loads
    >>> from simkit.vessel.starter import starter
    >>> dove = loads(starter("egg"))
    >>> [spoken(dove, key) for key in ("body.hole.3.along_mm", "body.voicing.cut_up_mm", "body.size", "clay.wall_mm")]
    ['hole 3, along', 'window, cut-up', 'body, size', 'clay, wall']
    """
    chamber, _, rest = key.partition(".")
    if chamber not in {each.name for each in vessel.chambers}:
        return ", ".join(_word(word) for word in key.split("."))
    prefix = f"{chamber} " if len(vessel.chambers) > 1 else ""
    if rest.startswith("hole."):
        name, _, word = rest.removeprefix("hole.").rpartition(".")
        return f"hole {prefix}{name}, {_word(word)}"
    if rest.startswith("voicing."):
        word = rest.removeprefix("voicing.")
        part, word = ("windway", word.removeprefix("windway_")) if word.startswith("windway_") else ("window", word)
        return f"{prefix}{part}, {_word(word.removeprefix('window_'))}"
    words = rest.split(".")
    if words[0] in _ROWS and len(words) == 3:
        return f"{chamber}, {_ROWS[words[0]]} {words[1]}, {_word(words[2])}"
    if words[0] == "offset_mm":
        return f"{chamber}, place {_word(words[-1])}"
    return ", ".join([chamber, *(_word(word) for word in words)])


def _word(word: str) -> str:
    for unit in _UNITS:
        word = word.removesuffix(unit)
    return "cut-up" if word == "cut_up" else word.replace("_", " ")
