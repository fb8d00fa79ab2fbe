"""Lists of words, and the known words nearest to an unknown one."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

_LONGEST = 60  # a longer word than any of ours is not worth comparing


def words(text: str) -> list[str]:
    """The words of an option or of a sweep's file, between commas.

    >>> words("lumped, ports")
    ['lumped', 'ports']
    """
    return [word.strip() for word in text.split(",")]


def one_or_more(names: str | Iterable[str] | None) -> tuple[str, ...]:
    """Names as a caller gives them, one alone or several in any sequence; none from None.

    >>> one_or_more("ports"), one_or_more(["lumped", "ports"]), one_or_more(None)
    (('ports',), ('lumped', 'ports'), ())
    """
    return () if names is None else (names,) if isinstance(names, str) else tuple(map(str, names))


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word that is most like `word`, if any is.

    >>> nearest("lenght_mm", ["length_mm", "width_mm"])
    'length_mm'
    """
    if len(word) > _LONGEST:
        return None
    folded = {each.casefold(): each for each in known}  # difflib minds capitals
    # 0.6, its own usual: two letters of five may be wrong
    found = difflib.get_close_matches(word.casefold(), folded, n=1, cutoff=0.6)
    return folded[found[0]] if found else None


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """A remark to append, or nothing where no known word is like it."""
    found = nearest(word, known)
    return f"; did you mean {found}?" if found else ""


def listed(names: Iterable[str], most: int = 12) -> str:
    """Names in a row, cut short where they are many."""
    every = list(dict.fromkeys(names))  # each once, in order
    return ", ".join(every[:most]) + (f" and {len(every) - most} more" if len(every) > most else "")
