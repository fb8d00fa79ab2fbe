"""Works cited by key, in docstrings and on the page of theory, are those of the list of references, whole."""

import re
import tomllib

import pytest
import yaml

import simkit
from simkit.provenance import PACKAGE

LIST = (PACKAGE / "references.bib").read_text(encoding="utf-8")
ENTRIES = {found[2]: found[0] for found in re.finditer(r"@(\w+)\{(\w+),.*?\}\}$", LIST, re.S | re.M)}
CITED = {
    key
    for path in [*PACKAGE.rglob("*.py"), PACKAGE.parent / "studies" / "theory.md"]
    for key in re.findall(r"\[([A-Z]\w*[a-z](?:1[6-9]|20)\d\d)\]", path.read_text(encoding="utf-8"))
}


def test_what_is_cited_is_listed_and_what_is_listed_is_cited():
    assert len(ENTRIES) == LIST.count("\n@")
    assert set(ENTRIES) == CITED


@pytest.mark.parametrize("key", ENTRIES)
def test_an_entry_is_whole(key):
    """What BibTeX wants of an article or a book; a DOI as ISO 26324 has it: 10, a registrant, a slash, a name."""
    entry = ENTRIES[key]
    fields = dict(re.findall(r"(\w+) = \{((?:[^{}]|\{[^{}]*\})*)\}", entry))
    needed = {"author", "title", "year", "doi"}
    needed |= {"journal", "volume", "pages"} if entry.startswith("@article") else {"publisher"}
    assert needed <= fields.keys()
    assert key.endswith(fields["year"])
    assert re.fullmatch(r"10\.\d{4,9}/\S+", fields["doi"])
    assert key.removesuffix(fields["year"]) in re.sub(r"\{\\.?\s?(\w)\}|[{}]", r"\1", fields["author"]).replace('"', "")


def test_the_citation_file_is_whole():
    """What the Citation File Format 1.2.0 requires of a file and of a reference in it; the rest as the project says."""
    cited = yaml.safe_load((PACKAGE.parent / "CITATION.cff").read_text(encoding="utf-8"))
    project = tomllib.loads((PACKAGE.parent / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert {"cff-version", "message", "title", "authors", "type", "version", "license", "abstract"} <= cited.keys()
    assert (cited["cff-version"], cited["version"]) == ("1.2.0", simkit.__version__)
    assert (cited["license"], sorted(cited["keywords"])) == (project["license"], sorted(project["keywords"]))
    assert [author["name"] for author in cited["authors"]] == [author["name"] for author in project["authors"]]
    for work in cited["references"]:
        assert {"type", "title", "authors", "year", "doi"} <= work.keys()
        assert f"doi = {{{work['doi']}}}" in LIST and all("family-names" in author for author in work["authors"])
