"""What the studies share is found as they find it: in their own folder."""

import sys
from pathlib import Path

sys.path.append(str(Path(__file__).parents[2] / "studies"))
