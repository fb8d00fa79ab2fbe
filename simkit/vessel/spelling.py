"""Words near a word that is not known."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

_LONGEST = 60  # a longer word than any of ours is not worth comparing


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word that is most like `word`, if any is.

    >>> nearest("lenght_mm", ["length_mm", "width_mm"])
    'length_mm'
    """
    if len(word) > _LONGEST:
        return None
    words = {each.casefold(): each for each in known}
    found = difflib.get_close_matches(word.casefold(), words, n=1, cutoff=0.6)
    return words[found[0]] if found else None


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """A remark to append, or nothing where no known word is like it."""
    found = nearest(word, known)
    return f"; did you mean {found}?" if found else ""


def listed(words: Iterable[str], most: int = 12) -> str:
    """Words in a row, cut short where they are many."""
    every = list(dict.fromkeys(words))
    return ", ".join(every[:most]) + (f" and {len(every) - most} more" if len(every) > most else "")
