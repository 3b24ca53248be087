"""Compile the numeric kernels when numba is there, run them as plain Python when it is not.

The rest of the simulator writes its loops once and need not know which of the two happened. This module must hold
no numerics. A kernel and everything it calls belong in ONE file: numba keeps compiled code beside that file and looks
only at that file's own date, so a change in another file would leave old machine code in use.
"""

from collections.abc import Callable
from typing import Any, TypeVar

Kernel = TypeVar("Kernel", bound=Callable[..., Any])

try:
    import numba

    HAS_NUMBA = True
except ImportError:  # the simulator's extra is not installed: slower, same answers
    HAS_NUMBA = False


def compiled(kernel: Kernel) -> Kernel:
    """Return `kernel` compiled by numba, or unchanged where numba is missing.

    Parameters
    ----------
    kernel : callable
        A function of scalars and NumPy arrays only, with all its callees in the same file.

    Returns
    -------
    callable
        Same signature, same answers to rounding.
    """
    if not HAS_NUMBA:
        return kernel
    try:
        return numba.njit(cache=True, error_model="numpy")(kernel)  # type: ignore[no-any-return]
    except RuntimeError:  # no writable place for the cache (a wheel owned by root): compile each run instead
        return numba.njit(error_model="numpy")(kernel)  # type: ignore[no-any-return]
