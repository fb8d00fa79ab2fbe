"""Thresholds by which blowing is told in words; by themselves, so that words about notes load nothing of blowing."""

from __future__ import annotations

HARD_PA = 1100.0  # most that flute players reach: Cossette 2000, Respir. Physiol. 121, 33: 588 to 1079 Pa
NARROW = 1.5  # a player's breath wanders by a few tens of per cent: common practice, no source
AIRY_DB = 20.0  # breath power a hundred times the tone's: a mark to compare notes by, no source
