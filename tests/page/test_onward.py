"""Doubt and margin between the model's answers to a drag, by node."""

import json
import subprocess
from pathlib import Path

import pytest

import simkit.page
from tests.show.node import NODE, needs_node

ONWARD = Path(simkit.page.__file__).parent / "static" / "onward.js"
ASKED = """
import {{ beyond, onward }} from "{file}";
const doubt = ({{ a, b }}) => 5 + 0.3 * a - 0.2 * b, start = () => 7, rows = [];
for (const share of [-2, -1, 0, 0.4, 1, 3]) {{
    const one = {{ a: 1 }}, two = {{ a: 3, b: 6 }}, here = {{ a: 3 + 2 * share, b: 6 - share }};
    const further = beyond(here, one, two, start);
    rows.push([further, onward(doubt(two), doubt({{ ...one, b: 7 }}), further), doubt(here)]);
}}
rows.push([beyond({{ a: 2 }}, {{}}, {{}}, start), onward(null, 3, 1), onward(2, null, 1)]);
console.log(JSON.stringify(rows));
"""


@needs_node
def test_what_changes_evenly_is_followed_and_never_farther_than_it_was_seen_to_change():
    """On the line through two places an even change is met exactly, for as far again as they are apart."""
    found = subprocess.run(
        [NODE, "--input-type=module"], input=ASKED.format(file=ONWARD.as_uri()), capture_output=True, text=True
    )
    *rows, unknown = json.loads(found.stdout)
    assert [row[0] for row in rows] == pytest.approx([-1, -1, 0, 0.4, 1, 1])
    for share, followed, exact in rows[1:-1]:
        assert followed == pytest.approx(exact), share
    assert unknown == [0, None, 2]
