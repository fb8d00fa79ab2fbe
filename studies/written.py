"""How every study ends: its command line, its record, and the page that is filled from the record."""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import jinja2

from simkit.files import whole
from simkit.provenance import commit, provenance

Study = Callable[[Path, bool], object]


def rounded(value: Any, figures: int = 4) -> Any:
    """Numbers to a few figures: more would only record the machine.

    >>> rounded({"pa": [123.456, 7], "sung": True}, 3)
    {'pa': [123.0, 7], 'sung': True}
    """
    match value:
        case float():
            return float(f"{value:.{figures}g}")
        case Mapping():
            return {key: rounded(item, figures) for key, item in value.items()}
        case list() | tuple():
            return [rounded(item, figures) for item in value]
        case _ if hasattr(value, "item"):  # a numpy scalar
            return rounded(value.item(), figures)
    return value


def filled(home: Path, result: Mapping[str, Any], **shown: Any) -> str:
    """The study's page: README.template.md beside it with the numbers of a result, and what else it shows."""
    environment = jinja2.Environment(undefined=jinja2.StrictUndefined, trim_blocks=True, keep_trailing_newline=True)
    environment.filters["signed"] = lambda value: f"{round(value) or 0:+d}"
    text = (home / "README.template.md").read_text(encoding="utf-8")
    return environment.from_string(text).render(**result, **shown)


def write(folder: Path, result: Mapping[str, Any], page: str | None) -> None:
    """The record as result.json, with what made it, and, unless there is none, the page as README.md; each whole or
    not at all."""
    record = {**result, "provenance": provenance().as_dict()}
    with whole(folder / "result.json") as half:
        half.write_text(json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False) + "\n", encoding="utf-8")
    if page is not None:
        with whole(folder / "README.md") as half:
            half.write_text(page, encoding="utf-8")


def asking(about: str, quick: str) -> argparse.ArgumentParser:
    """The options that every study has: `about` is its docstring, `quick` what --quick leaves out."""
    commit()  # is asked here, before the study's own files change the clone
    parser = argparse.ArgumentParser(description=about.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help=quick)
    parser.add_argument("-o", metavar="FOLDER", type=Path, help="where to write; else here, or with --quick elsewhere")
    return parser


def into(asked: argparse.Namespace, home: Path) -> Path:
    """The folder to write into, made: so a rough run without -o never replaces the record."""
    folder = asked.o or (Path(tempfile.mkdtemp(prefix=f"{home.name}_")) if asked.quick else home)
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def run(study: Study, home: Path, about: str, quick: str) -> None:
    """The command line of a study that has no options but those of all."""
    asked = asking(about, quick).parse_args()
    folder = into(asked, home)
    study(folder, asked.quick)
    sys.stderr.write(f"wrote {folder}\n")
