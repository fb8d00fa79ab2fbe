"""The views of a sweep's file of results: a query for each."""

from __future__ import annotations

from collections.abc import Iterable

from simkit.sound.catalogue import names


def queries(keys: Iterable[str], labels: Iterable[str]) -> dict[str, str]:
    """The queries of the views by name; each dotted key that varies is a column, and so is each label."""
    own = [("settings", key) for key in keys] + [("labels", label) for label in labels]
    # Not json_extract: its paths know no name with a backslash or a quotation mark.
    members = ((f"(select value from json_each(p.{what}) where key = {_text(key)})", key) for what, key in own)
    columns = "p.number, p.name as 'case'" + "".join(f", {member} as {_quoted(key)}" for member, key in members)
    views = {
        "cases": f"select {columns}, r.status, r.seconds, r.error, p.key from planned as p"
        " join results as r on r.key = p.key"
    }
    for name, (command, items, inner) in _lists().items():
        listed = "".join(f", {_field(f'$.{path}')} as {_quoted(label)}" for label, path in inner.items())
        views[name] = (
            f"select {columns}, json_extract(chamber.value, '$.name') as chamber{listed} from planned as p"
            f" join results as r on r.key = p.key, json_each(r.answers, '$.{command}.chambers') as chamber,"
            f" json_each(chamber.value, '$.{items}') as item"
        )
    return views


def _field(path: str) -> str:
    return f"json_extract(item.value, {_text(path)})"


def _text(value: str) -> str:
    return "'" + value.replace("'", "''") + "'"


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


_ANSWERED = ("frequency_hz", "cents", "q", "uncertainty_cents")  # of every model
_BLOWN = ("pressure_pa", "sounding_hz", "overblow_margin", "overblow_at_pa", "speaks")


def _notes() -> dict[str, str]:
    """Columns of every model's answers, those of other packages too; the plan says which were asked."""
    answers = {f"{model}_{field}": f"{model}.{field}" for model in names() for field in _ANSWERED}
    return {"pitch": "pitch", "open": "open", "target_hz": "target_hz", **answers}


def _lists() -> dict[str, tuple[str, str, dict[str, str]]]:
    """View: command, list in each chamber, columns by their place in the list's items."""
    return {"notes": ("predict", "notes", _notes()), **_LISTS}


_LISTS: dict[str, tuple[str, str, dict[str, str]]] = {
    "blown": ("blow", "notes", {"pitch": "pitch", **{key: key for key in _BLOWN}}),
    "fingerings": ("chart", "fingerings", {key: key for key in ("open", "frequency_hz", "q")}),
    "resonances": (
        "resonances",
        "resonances",
        {key: key for key in ("frequency_hz", "k_per_m", "q", "uncertainty_cents", "drive")},
    ),
    "optimised": (
        "optimise",
        "after",
        {"pitch": "pitch", "target_hz": "target_hz", "frequency_hz": "ports.frequency_hz", "cents": "ports.cents"},
    ),
}


def columns() -> set[str]:
    """Columns of the views that are not a plan's: no label may bear such a name."""
    own = {"number", "case", "status", "seconds", "error", "key", "chamber"}
    return own | {column for *_, inner in _lists().values() for column in inner}
