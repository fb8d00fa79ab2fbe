"""A toolkit for clay vessel flutes: from a written design to the notes it plays."""
