"""Answers about a design: notes, charts, chords, higher resonances, comparisons.

In: a vessel and the name of a model. Out: frozen values with frequencies (Hz), cents, Q and the doubt of each. All
speak to models by the protocol of `sound.models.resonator` alone.
"""
