"""Seam at which a shell is parted, as written by the user; checked before anything is drawn."""

from __future__ import annotations

from simkit.errors import Fault, InputError

WAYS = ("up", "across", "along")


def seam_words(text: str) -> tuple[str, float | None]:
    """The way that a seam is square to, and its place in mm of the fired piece, None where we choose it.

    >>> seam_words("along=48.5"), seam_words("up")
    (('along', 48.5), ('up', None))
    """
    way, _, at = text.partition("=")
    try:
        place = float(at) if at else None
    except ValueError:
        place = float("nan")  # fails every comparison below
    if way.strip() not in WAYS or (place is not None and not abs(place) <= 1000):
        allowed = "up, across or along, alone or with a place in mm on the fired piece such as up=0"
        raise InputError([Fault.of("seam", text, allowed)])
    return way.strip(), place
