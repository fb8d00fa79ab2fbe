"""From a caller's note to its chamber and fingering."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TypeAlias

from simkit.errors import Fault, InputError
from simkit.pitch import NoteNameError
from simkit.pitch import note as pitch_of
from simkit.sound.models.resonator import Fingering
from simkit.vessel import Chamber, Vessel
from simkit.vessel.spelling import did_you_mean

# The pitch of one of the design's notes, the holes that are open (all others covered), or a share of each.
NoteOrHoles: TypeAlias = str | Iterable[str] | Mapping[str, float]


def meant(vessel: Vessel, note: NoteOrHoles = (), chamber: str | None = None) -> tuple[Chamber, Fingering]:
    """The chamber, by name or the first that has such a note or such holes, and which of its holes are open.

    note: a pitch such as "D5" of the design, or the names of the holes that are open. An InputError where there is no
    such note or hole.
    """
    known = [each.name for each in vessel.chambers]
    if chamber is not None and chamber not in known:
        raise InputError([Fault.of("chamber", chamber, ", ".join(known) + did_you_mean(chamber, known))])
    among = [each for each in vessel.chambers if chamber in (None, each.name)]
    return _by_pitch(among, note) if isinstance(note, str) else _by_holes(among, note)


def _by_pitch(among: list[Chamber], name: str) -> tuple[Chamber, Fingering]:
    for chamber in among:
        for each in chamber.notes:
            if spelled(each.pitch) == spelled(name):
                return chamber, each.open
    pitches = [each.pitch for chamber in among for each in chamber.notes]
    allowed = f"a note of the design ({', '.join(pitches) or 'it has none'}), or a list of the holes that are open"
    raise InputError([Fault.of("note", name, allowed + did_you_mean(name, pitches))])


def spelled(name: str) -> str:
    """A pitch in its one usual spelling; what is none, as it is."""
    try:
        return str(pitch_of(name))
    except NoteNameError:
        return name


def _by_holes(among: list[Chamber], holes: Iterable[str] | Mapping[str, float]) -> tuple[Chamber, Fingering]:
    opened: Fingering = dict(holes) if isinstance(holes, Mapping) else tuple(map(str, holes))
    for chamber in among:  # the first that has all of them: none at all is the first chamber, covered
        if set(opened) <= {hole.name for hole in chamber.holes}:
            return chamber, opened
    names = [", ".join(hole.name for hole in chamber.holes) or "none" for chamber in among]
    unknown = next(name for name in opened if name not in {hole.name for chamber in among for hole in chamber.holes})
    raise InputError(
        [Fault.of("note", unknown, f"a note of the design, or a list of holes that are open: {'; '.join(names)}")]
    )
