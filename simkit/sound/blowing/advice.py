"""Advice on what to change on the piece, in plain words: each lever tried on the model first, none taken on faith."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from simkit.frozen import frozen
from simkit.sound.blowing.behaviour import SPEAKS_BELOW_PA, Blown, NoteBlown, blow_fingerings
from simkit.sound.blowing.thresholds import AIRY_DB, HARD_PA, NARROW
from simkit.sound.elements.airjet import AirJet
from simkit.sound.models.resonator import Motion

_CLOSE = 3.0  # ratio of second to first resonance under which a chamber counts as long or waisted

_CUT_UP, _WINDWAY = 0.10, 0.15  # step of a lever


def levers(jet: AirJet) -> dict[str, AirJet]:
    """Changes that a knife can make at the window, by the amount when fired, each with the jet that it leaves."""
    # One digit, as a knife goes.
    cut_up, windway = (f"by {1e3 * by:.1g} mm" for by in (jet.cut_up * _CUT_UP, jet.height * _WINDWAY))
    return {
        f"{SHORTER} {cut_up}": replace(jet, cut_up=jet.cut_up * (1 - _CUT_UP)),
        f"a cut-up longer {cut_up}": replace(jet, cut_up=jet.cut_up * (1 + _CUT_UP)),
        f"a windway lower {windway}": replace(jet, height=jet.height * (1 - _WINDWAY)),
        f"a windway higher {windway}": replace(jet, height=jet.height * (1 + _WINDWAY)),
    }


SHORTER = "a cut-up shorter"


@frozen
class Tried:
    """The blow table as it is and with each lever moved, the resonator held as it is.

    A longer cut-up also widens the window, so the note itself rises and its drive grows: that is left to the next
    run of the design.
    """

    now: Blown
    amiss: tuple[int, ...]  # the fingerings for which levers are tried
    moved: Mapping[str, Blown]  # of those alone

    @classmethod
    def on(cls, motion: Motion, jet: AirJet, now: Blown | None = None) -> Tried:
        """Try every lever on the fingerings that may want one."""
        now = now or blow_fingerings(motion, jet)
        wanting = (_effort, _narrow, _thin, _edgy)  # what a knife at the window may help
        notes = map(now.note, range(len(motion)))
        amiss = tuple(i for i, note in enumerate(notes) if not note.speaks or any(want(note) for want in wanting))
        if not amiss:
            return cls(now, amiss, {})
        some = motion.only(np.array(amiss))  # levers cost a whole blow table each
        return cls(now, amiss, {name: blow_fingerings(some, other) for name, other in levers(jet).items()})

    def advice(self, i: int) -> tuple[str, ...]:
        """Advice for fingering i; nothing where nothing is amiss."""
        note = self.now.note(i)
        tried = self.moved if i in self.amiss else {}
        after = {name: blown.note(self.amiss.index(i)) for name, blown in tried.items()}
        if not note.speaks:
            return (_silent(after),)  # nothing else is known of it
        said = [
            _hard(note, after),
            self._overblows(i, note, after),
            _dies(note),
            _airy(note, after),
            _mixed(note, after),
        ]
        return tuple(text for text in said if text)

    def _overblows(self, i: int, note: NoteBlown, after: Mapping[str, NoteBlown]) -> str:
        if not _narrow(note) or note.overblow_by is None:
            return ""
        frequency = self.now.loop.motion.frequency[i]
        ratio = frequency[note.overblow_by] / frequency[0]
        text = f"jumps to about {rounded_hz(frequency[note.overblow_by])} Hz at {note.overblow_at:.0f} Pa"
        better = _best(note, after, "overblow_margin", up=True)
        text += f": {better}" if better else ""
        if ratio < _CLOSE:
            text += f"; that resonance is only {ratio:.1f} times the note: a wider waist or a rounder chamber lifts it"
        return text


def rounded_hz(hz: float) -> str:
    """A higher resonance's frequency to three digits: the note after a jump is near it, not at it.

    >>> rounded_hz(4494.2), rounded_hz(987.6)
    ('4490', '988')
    """
    return f"{float(f'{hz:.3g}'):.0f}"


def _effort(note: NoteBlown) -> bool:
    return note.pressure is not None and note.pressure > HARD_PA


def _narrow(note: NoteBlown) -> bool:
    return note.overblow_margin is not None and note.overblow_margin < NARROW


def _thin(note: NoteBlown) -> bool:
    return note.airiness_db is not None and note.airiness_db > AIRY_DB


def _edgy(note: NoteBlown) -> bool:
    return note.edge_gain is not None and note.edge_gain > 1  # from a gain of 1 on it sounds by itself


def _silent(after: Mapping[str, NoteBlown]) -> str:
    speaking = [name for name, other in after.items() if other.speaks]
    helped = f"{' or '.join(speaking)} would make it speak; else " if speaking else ""
    return (
        f"does not speak below {SPEAKS_BELOW_PA:.0f} Pa: {helped}open less, a wider window, or holes further from the "
        "window (common practice)"
    )


def _hard(note: NoteBlown, after: Mapping[str, NoteBlown]) -> str:
    if not _effort(note):
        return ""
    better = _best(note, after, "pressure", up=False)
    # Out of phase the pressure is that of the loudest swing, and tells no effort.
    if not note.in_phase:
        return f"in phase with the jet only above {SPEAKS_BELOW_PA:.0f} Pa: flat and weak below" + _eased(after)
    return f"hard to blow, {note.pressure:.0f} Pa" + (f": {better}" if better else "")


def _eased(after: Mapping[str, NoteBlown]) -> str:
    helped = [name for name, other in after.items() if other.in_phase]
    return f"; {' or '.join(helped)} brings it within reach" if helped else ""


def _dies(note: NoteBlown) -> str:
    if note.lasts is None or note.lasts >= NARROW:
        return ""
    return (
        f"dies away above {note.dies_at:.0f} Pa, {note.lasts:.1f} times its breath: open less, a wider window, or "
        "holes further from the window (common practice)"
    )


def _airy(note: NoteBlown, after: Mapping[str, NoteBlown]) -> str:
    if not _thin(note):
        return ""
    better = _best(note, after, "airiness_db", up=False)
    return "airy" + (f": {better}" if better else "") + "; so does opening less, or holes further from the window"


def _mixed(note: NoteBlown, after: Mapping[str, NoteBlown]) -> str:
    if _edgy(note):
        # On a shorter way the jet's wave grows less.
        name, other = next((name, other) for name, other in after.items() if name.startswith(SHORTER))
        ends = other.edge_gain is not None and other.edge_gain <= 1
        helped = f": {name} ends it" if ends else f": {name} is too little, but the way"
        return f"the bare jet's edge tone may hiss or whistle along{helped}"
    # A twentieth above is there already: pressures are unsure by more.
    if note.pressure and note.whistle_at is not None and note.whistle_at < 1.05 * note.pressure:
        return "a high whistle may mix in at its own pressure (the model is least sure of this)"
    return ""


def _best(note: NoteBlown, after: Mapping[str, NoteBlown], what: str, up: bool) -> str:
    """The lever that moves a number furthest the right way, with the number before and after; "" if none does."""
    now = getattr(note, what)
    # In phase and out of phase are not to be compared: the pressures mean different things.
    alike = {name: other for name, other in after.items() if other.speaks and other.in_phase == note.in_phase}
    found = {name: getattr(other, what) for name, other in alike.items()}
    if not found:
        return ""
    name = max(found, key=found.__getitem__) if up else min(found, key=found.__getitem__)
    # Two per cent: less is no help.
    gained = found[name] > now * 1.02 if up else found[name] < now * 0.98
    shown = {"pressure": "{:.0f} Pa", "airiness_db": "{:.1f} dB", "overblow_margin": "{:.2f} times the breath"}[what]
    return f"{name} helps ({shown.format(found[name])} for {shown.format(now)})" if gained else ""
