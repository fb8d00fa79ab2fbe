"""The door: `simkit COMMAND FILE`. Each command reads a design, asks one function and shows its answer.

Answers go to standard output, everything else to standard error. Exit status: 0 done, 1 could not reach what was
asked, 2 the input is wrong, 130 interrupted. What is heavy is imported inside the commands.

`door` puts the commands in order and turns what goes wrong into one message; the commands themselves lie beside it,
those of one kind of question in one file.
"""

from __future__ import annotations

from simkit.cli.door import app, run

__all__ = ["app", "run"]
