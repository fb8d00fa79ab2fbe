"""The tuning bench: from what was heard back to what the piece is, and on to the next cut.

log       one line a fact, only ever added to
piece     what a log comes to
belief    everything that cannot be seen, with its doubt, updated by what was heard
aim       where the holes should end, and the next cut, short of it
"""
