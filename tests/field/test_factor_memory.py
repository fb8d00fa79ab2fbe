"""Large blocks of memory go back to the system when they are freed, whatever was freed before."""

import ctypes
import subprocess
import sys

import pytest

# In a process of its own: a heap that many tests have used may hold a free piece that is large enough.
SCRIPT = """
import ctypes
import numpy as np
from scipy.sparse import csr_matrix
from simkit.field.fem.factor import factored

class Allocated(ctypes.Structure):
    # struct mallinfo2 of glibc 2.33 and later, <malloc.h>
    _fields_ = [(name, ctypes.c_size_t) for name in (
        "arena", "ordblks", "smblks", "hblks", "hblkhd", "usmblks", "fsmblks", "uordblks", "fordblks", "keepcost")]

def mapped():
    ask = ctypes.CDLL(None).mallinfo2
    ask.restype = Allocated
    return ask().hblkhd

factored(csr_matrix(np.eye(3)))
larger = np.empty(24 << 20, np.uint8)
del larger
before = mapped()
block = np.empty(8 << 20, np.uint8)
print(mapped() - before >= block.nbytes)
"""


def test_a_block_of_some_megabytes_is_mapped_by_itself_even_after_a_larger_one_was_freed():
    """Else glibc takes blocks up to the size of what was freed from its heap (mallopt(3), M_MMAP_THRESHOLD)."""
    try:
        ctypes.CDLL(None).mallinfo2  # noqa: B018 - whether there is one
    except (AttributeError, OSError, TypeError):
        pytest.skip("needs glibc 2.33, whose heap this is about")
    done = subprocess.run([sys.executable, "-c", SCRIPT], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["True"]
