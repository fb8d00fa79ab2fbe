"""The page to work on a design with: served on this machine alone, to this machine's browser.

What goes in: a folder of designs, and what a browser sends to one address with a token in it. What comes out: HTML and
scripts from `static`, and JSON; lengths in mm, pitches in Hz and cents, breath in Pa, as the design file and the
commands have them. The played state is what all numbers mean.

`serving` runs the server and ends it, `guard` decides who may speak to it, `routes` are its addresses, `shelf` is the
folder, `session` a design with its history, `companion` the processes that compute, `replies` and `long_work` what they
are asked, `handles` what can be dragged, `scene` what can be seen. Nothing here computes sound by itself.
"""
