"""Blowing: sounding notes, breath pressures, and overblowing.

A windway makes breath a jet (`elements.airjet`), the jet is unstable and carries what the window's air did to its root
on to the labium, where it is cut into a source that saturates (all in `elements.airjet`). `Motion` is what this needs
of a resonator. From them: `loop` (once round), `growth` (does it start), `cycle` (where does it
settle), `takeover` (what ends it), `behaviour` (all of it for many at once), `advice` (in plain words), `table` (how a
design blows), `timedomain` and `listen` (the same model stepped through time, and heard), `fitting` (constants from
measured pressures and pitches).
"""
