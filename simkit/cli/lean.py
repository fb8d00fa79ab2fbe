"""Parts of numpy that no command needs, left until something asks for them."""

from __future__ import annotations

import sys
from importlib.util import LazyLoader, find_spec, module_from_spec

_SPARED = ("f2py", "testing")


def lean_numpy() -> None:
    """Load numpy, and let these parts of it load themselves when a name of theirs is first used.

    SciPy copies all names of numpy (`scipy._lib.array_api_compat`), which would load every part on the way: a tenth of
    the time that it takes to load.
    """
    import numpy as np

    for part in _SPARED:
        spec = find_spec(f"numpy.{part}")
        if spec is None or spec.loader is None or spec.name in sys.modules:
            continue
        spec.loader = LazyLoader(spec.loader)
        module = sys.modules[spec.name] = module_from_spec(spec)
        spec.loader.exec_module(module)  # which only marks it: its code runs at the first use
        setattr(np, part, module)
