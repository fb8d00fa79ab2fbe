"""The commands in their order, and how one command line runs and ends."""

from __future__ import annotations

import errno
import io
import os
import sys
from collections.abc import Callable
from copy import copy
from functools import cache
from typing import Annotated, Any

import typer

from simkit import plugins
from simkit.cli.answering import admittance, field
from simkit.cli.beginning import new
from simkit.cli.benchwork import sheets, tune
from simkit.cli.breathing import blow
from simkit.cli.gathering import report, sweep
from simkit.cli.improving import optimise
from simkit.cli.outputs import INTERRUPTED, tell
from simkit.cli.paging import open as open_page
from simkit.cli.predicting import chart, compare, predict, resonances
from simkit.errors import SimkitError

LONGEST_MESSAGE = 1450  # characters; a broken file can have hundreds of faults

# In the order of the work, each with the example under its help; tests run them all.
COMMANDS = (
    (new, 'simkit new --scale "C5 major" --holes 8 --shape egg --fingertip-mm 15 -o dove.toml'),
    (open_page, "simkit open dove.toml"),
    (predict, "simkit predict dove.toml --plot dove.png"),
    (compare, "simkit compare dove.toml"),
    (chart, "simkit chart pendant.toml --half --plot chart.png"),
    (resonances, "simkit resonances dove.toml --closed --count 4 --plot modes.png"),
    (field, "simkit field dove.toml --note D5 -o note.vtu --plot note.png"),
    (admittance, "simkit admittance dove.toml --note D5 --plot answer.png"),
    (blow, "simkit blow dove.toml --plot breath.png"),
    (optimise, "simkit optimise dove.toml --free holes,size -o dove2.toml"),
    (sheets, "simkit sheets dove.toml -o dove-sheets --reamer 2,14,60"),
    (tune, "simkit tune dove.toml --volume-ml 72 --heard C5=498.2 --heard C5=499"),
    (report, "simkit report dove.toml -o dove.html"),
    (sweep, "simkit sweep cases.toml -o cases"),
)

app = typer.Typer(
    epilog="Start with: simkit new -o dove.toml, then simkit predict dove.toml",
    add_completion=False,  # no option that writes into a user's shell
    pretty_exceptions_enable=False,  # a fault of ours is a plain traceback that can be reported
    rich_markup_mode=None,  # a [name] in a help text is no command to rich
    context_settings={"help_option_names": ["-h", "--help"]},
)
for command, example in COMMANDS:
    app.command(epilog=f"Example: {example}")(command)


def run(arguments: list[str]) -> int:
    """Run one command line and return its exit status; expected errors become one message."""
    # One thread a process: results do not depend on it, and many processes share the cores well.
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")  # who sets it keeps it
    # Python leaves a stream None where the shell has closed it; libraries write to it all the same.
    nowhere = None
    if sys.stdout is None:  # closed, `>&-`
        sys.stdout = nowhere = io.StringIO()
    if sys.stderr is None:
        sys.stderr = io.StringIO()
    try:
        # without arguments the help, and status 0
        status = _built(*arguments[:1])(arguments or ["--help"], prog_name="simkit", standalone_mode=False)
        sys.stdout.flush()  # here, so that a full disk or a closed pipe is met in this block
    except SimkitError as error:
        return tell(_clipped(error.spoken(_options(arguments))), error.exit_status)
    except typer.TyperException as error:
        return tell(f"simkit: {_sentence(error.format_message())} See: {_command(arguments)} --help", 2)
    except BrokenPipeError:
        # The reader, `head` say, has seen enough. Python would complain again on closing standard output.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as error:
        # a file's own trouble names the file; this is the answer's
        if error.filename is not None or error.errno != errno.ENOSPC:
            raise
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return tell(f"simkit: the answer could not be written ({error.strerror})", 1)
    except Exception as error:
        by = plugins.raised_by(error)  # a fault in another package's code is said in one line, as that package's
        if by is None:
            raise
        return tell(_clipped(str(by)), by.exit_status)
    if nowhere is not None and nowhere.getvalue():
        return tell("simkit: the answer could not be written (standard output is closed)", 1)
    if status == INTERRUPTED:  # typer has caught Ctrl-C
        return tell("simkit: interrupted", INTERRUPTED)
    return status if isinstance(status, int) else 0  # a command returns None


@cache
def _built(name: str = "") -> Any:
    """The commands as typer runs them; one of them alone, if that is asked for: typer reads options at leisure."""
    wanted = copy(app)  # the app itself stays whole for who asks next
    wanted.registered_commands = [
        each for each in app.registered_commands if each.callback and each.callback.__name__ == name
    ] or app.registered_commands
    return typer.main.get_command(wanted)


def _sentence(text: str) -> str:
    return text if text.endswith((".", "?")) else f"{text}."  # "Did you mean ...?" ends its sentence itself


def _options(arguments: list[str]) -> Callable[[str], str]:
    """An argument's name on the command line: the option of that name, if the command has one."""
    command = _built(*arguments[:1]).commands.get(arguments[0] if arguments else "")
    options = {each.name: each.opts[0] for each in (command.params if command else ()) if each.opts[0][0] == "-"}
    return lambda argument: options.get(argument, argument)


def _command(arguments: list[str]) -> str:
    """The command that was probably meant: the one whose help to read."""
    names = [command.__name__ for command, _ in COMMANDS]
    return " ".join(["simkit", *(name for name in arguments[:1] if name in names)])


def _clipped(message: str) -> str:
    """Lines of a message, as many as fit, and how many more there are."""
    # a key or a path may be of any length
    lines = [line if len(line) <= 400 else line[:396] + " ..." for line in message.splitlines()]
    kept: list[str] = []
    # 30: room for "and N more".
    while lines and sum(len(line) + 1 for line in kept) + len(lines[0]) < LONGEST_MESSAGE - 30:
        kept.append(lines.pop(0))
    return "\n".join([*kept, *([f"and {len(lines)} more"] if lines else [])])


def _version(wanted: bool) -> None:
    if wanted:
        from simkit.provenance import provenance

        sys.stdout.write(f"{provenance().maker}\n")
        raise typer.Exit  # nothing else is done, whatever stands beside it


@app.callback()
def _simkit(
    version: Annotated[
        bool, typer.Option("--version", help="Say which simkit this is.", callback=_version, is_eager=True)
    ] = False,
) -> None:
    """From a written design of a clay vessel flute to the notes it plays."""
