"""Every study as a page that opens from disk, and an index of them.

Run: python studies/pages.py -o FOLDER

Takes a second: it only shows what the studies have written. A page holds its pictures; links between studies and to
the index work in the folder; other links go to files of this repository and are shown as plain text.
"""

from __future__ import annotations

import argparse
import base64
import re
from pathlib import Path

from markdown_it import MarkdownIt
from markupsafe import Markup

from simkit.files import whole_folder
from simkit.show.report import rendered

HERE = Path(__file__).parent
KINDS = {".png": "png", ".svg": "svg+xml", ".jpg": "jpeg"}
INDEX = "index.html"


def studies() -> list[Path]:
    """The folders of all studies, in order."""
    return sorted(each.parent for each in HERE.glob("[0-9][0-9]_*/README.md"))


def html(folder: Path) -> str:
    """A study's README as HTML, pictures held within; what links to other files loses its link."""
    source = (folder / "README.md").read_text(encoding="utf-8")
    text = MarkdownIt("commonmark", {"html": True}).enable("table").render(source)
    text = re.sub(r'src="([^":]+)"', lambda found: f'src="{_held(folder / found[1])}"', text)
    text = re.sub(r'<a href="([^"#:]+)">(.*?)</a>', lambda found: _link(folder, found[1], found[2]), text, flags=re.S)
    return text.replace("<table>", '<div class="scroll" tabindex="0"><table>').replace("</table>", "</table></div>")


def title(folder: Path) -> str:
    """A study's first heading."""
    return _first(r"^# (.+)$", folder)


def question(folder: Path) -> str:
    """What a study asks, as its README says it."""
    return " ".join(_first(r"\*\*Question\.?\*\*[.:]?\s*(.+?)(?:\n\n|\Z)", folder).split())


def _first(pattern: str, folder: Path) -> str:
    found = re.search(
        pattern, (folder / "README.md").read_text(encoding="utf-8"), re.M | re.S if "Q" in pattern else re.M
    )
    return found[1] if found else ""


def _held(file: Path) -> str:
    return f"data:image/{KINDS[file.suffix]};base64,{base64.b64encode(file.read_bytes()).decode()}"


def _link(folder: Path, target: str, words: str) -> str:
    place = (folder / target).resolve()
    place = place.parent if place.name == "README.md" else place
    return f'<a href="{place.name}.html">{words}</a>' if place in studies() else words


def index() -> str:
    """The list of all studies with their questions."""
    lines = ["<h1>Studies</h1>", "<p>Questions about vessel flutes, and what simkit answers.</p>"]
    for folder in studies():
        lines.append(f'<h2><a href="{folder.name}.html">{Markup.escape(title(folder))}</a></h2>')
        lines.append(f"<p>{MarkdownIt().renderInline(question(folder))}</p>")
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("-o", dest="folder", type=Path, required=True, help="the folder of the pages")
    with whole_folder(parser.parse_args().folder) as half:
        for folder in studies():
            page = rendered("study.html.j2", title=title(folder), text=Markup(html(folder)), home=INDEX)
            (half / f"{folder.name}.html").write_text(page, encoding="utf-8")
        page = rendered("study.html.j2", title="Studies", text=Markup(index()), home=None)
        (half / INDEX).write_text(page, encoding="utf-8")


if __name__ == "__main__":
    main()
