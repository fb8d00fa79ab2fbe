import pytest

BALL = """
title = "Ball"
clay.wall_mm = 4
[[chamber]]
name = "body"
shape = "sphere"
diameter_mm = 50
[[chamber.hole]]
name = "1"
along_mm = 25
around_deg = 0
diameter_mm = 8
[[chamber.note]]
pitch = "A5"
open = ["1"]
"""

CASES = """
base = "ball.toml"
compute = ["predict"]
[[variation]]
name = "size"
"body.diameter_mm" = [50, 60]
[[variation]]
name = "air"
"air.temperature_c" = { from = 10, to = 30, count = 3 }
[predict]
model = "lumped"
"""


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "ball.toml").write_text(BALL)
    (tmp_path / "cases.toml").write_text(CASES)
    return tmp_path
