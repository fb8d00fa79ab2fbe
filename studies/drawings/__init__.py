"""Drawings that only the studies use, each a panel for `simkit.show.look.page`."""
