"""Our pages' scripts run by node, as they are."""

import json
import shutil
import subprocess
from pathlib import Path

import pytest

import simkit.show

STATIC = Path(simkit.show.__file__).parent / "static"
NODE = shutil.which("node")
needs_node = pytest.mark.skipif(NODE is None, reason="no node on this machine to run the page's script")


def answered(script, asked, tmp_path):
    """What the body of an async function of (asked, load) gives: `load("ports")` imports a module of ours."""
    (tmp_path / "asked.json").write_text(json.dumps(asked))
    (tmp_path / "run.mjs").write_text(
        'import { readFileSync } from "node:fs";\n'
        f"const load = (name) => import({json.dumps(STATIC.as_uri())} + `/${{name}}.js`);\n"
        'const asked = JSON.parse(readFileSync(new URL("asked.json", import.meta.url)));\n'
        f"const answer = await (async () => {{{script}}})();\n"
        "process.stdout.write(JSON.stringify(answer));\n"
    )
    done = subprocess.run([NODE, str(tmp_path / "run.mjs")], capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)
