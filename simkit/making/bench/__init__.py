"""The tuning bench: from the pitches that were read back to what the piece is, and on to the next cut.

log        one line a fact, only ever added to
piece      what a log adds up to: cuts, measured pitches, water, wall
state      what cannot be seen, with its prior
predicted  what a tuner should read, h(x)
estimate   mean and covariance of the state after all readings
intake     what the maker reports, read and checked
aim        where the holes should end, and the next cut, short of it
"""
