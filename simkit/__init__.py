"""A toolkit for clay vessel flutes: from a written design to the notes it plays."""

__version__ = "0.1.0.dev0"
