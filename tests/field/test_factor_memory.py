"""Large blocks of memory go back to the system when they are freed, whatever was freed before."""

import ctypes

import numpy as np
import pytest
from scipy.sparse import csr_matrix

from simkit.field.factor import factored


class Allocated(ctypes.Structure):
    """`struct mallinfo2` of glibc 2.33 and later, <malloc.h>."""

    _fields_ = [
        *((name, ctypes.c_size_t) for name in ("arena", "ordblks", "smblks", "hblks", "hblkhd")),
        *((name, ctypes.c_size_t) for name in ("usmblks", "fsmblks", "uordblks", "fordblks", "keepcost")),
    ]


def mapped() -> int:
    """Bytes that malloc has mapped by themselves."""
    try:
        ask = ctypes.CDLL(None).mallinfo2
    except (AttributeError, OSError, TypeError):
        pytest.skip("needs glibc 2.33, whose heap this is about")
    ask.restype = Allocated
    return int(ask().hblkhd)


def test_a_block_of_some_megabytes_is_mapped_by_itself_even_after_a_larger_one_was_freed():
    """Else glibc takes blocks up to the size of what was freed from its heap (mallopt(3), M_MMAP_THRESHOLD)."""
    factored(csr_matrix(np.eye(3)))
    larger = np.empty(24 << 20, np.uint8)
    del larger
    before = mapped()
    block = np.empty(8 << 20, np.uint8)
    assert mapped() - before >= block.nbytes
