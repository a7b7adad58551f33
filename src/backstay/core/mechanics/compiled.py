"""The one place that touches the compiler: a typed `compiled` decorator for the inner loops.

The loops are plain Python functions over arrays; compiled they release the interpreter lock (so depths and rigs run side by side)
and are cached on disk. No fast-math: the same input gives the same bits.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba

F = TypeVar("F", bound=Callable[..., Any])


def compiled(function: F) -> F:
    """Return `function` compiled to machine code, cached, releasing the interpreter lock.

    Parameters
    ----------
    function : callable
        A function over arrays and scalars.

    Returns
    -------
    callable
        The same function, compiled on first call.
    """
    return cast(F, numba.njit(cache=True, nogil=True, error_model="numpy")(function))


def inlined(function: F) -> F:
    """Return `function` compiled into its callers: for small parts of an inner loop, where a call would cost more than its body.

    Parameters
    ----------
    function : callable
        A function over arrays and scalars.

    Returns
    -------
    callable
        The same function, compiled on first call.
    """
    return cast(F, numba.njit(cache=True, nogil=True, error_model="numpy", forceinline=True)(function))
