"""Compiling the inner loops: kept on disk for the next start where that can be, else compiled anew each time.

A loop's machine code lies beside its source, or in the user's own cache where the package is installed read-only. Where
neither can be written, as in a locked container, the loops still run: the first recording just takes longer.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numba

Loop = Callable[..., Any]


def njit(**options: Any) -> Callable[[Loop], Loop]:
    """Return numba's decorator of these options, without its cache where no cache can be written.

    Examples
    --------
    >>> @njit(cache=True)
    ... def doubled(number):
    ...     return 2 * number
    >>> doubled(21)
    42
    """

    def compiled(loop: Loop) -> Loop:
        try:
            made: Loop = numba.njit(**options)(loop)
        except RuntimeError:  # no folder in which a cache could be kept
            made = numba.njit(**options | {"cache": False})(loop)
        return made

    return compiled
