"""The bench's panel offers what the bench takes."""

import json
import re
from pathlib import Path

from simkit import page
from simkit.making.shrinkage import Stage


def test_the_panel_offers_every_stage_of_the_bench_and_no_other():
    script = (Path(page.__file__).parent / "static" / "bench.js").read_text(encoding="utf-8")
    (stages,) = re.findall(r"const STAGES = (\[.*\]);", script)
    assert json.loads(stages) == list(Stage)
