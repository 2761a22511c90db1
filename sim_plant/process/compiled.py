"""The one place that knows the compiler.

``compiled`` turns a plain function over floats and arrays into machine code. With the environment
variable NUMBA_DISABLE_JIT=1 it hands the function back untouched: that run is the plain-Python twin
with which the tests compare the compiled one.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar, cast

from numba import njit

F = TypeVar("F", bound=Callable[..., object])

# The kernel makes no arrays, only views of those that it is given: without the counting of references
# that allocation needs it runs twice as fast. Division is checked by our own bounds, not by each divide.
# Nothing hands our functions to C.
OPTIONS = {"_nrt": False, "error_model": "numpy", "no_cfunc_wrapper": True}


def compiled(function: F) -> F:
    """Compile on first use; no file is kept, the cached entry point contains its callees."""
    return cast(F, njit(**OPTIONS)(function))


def compiled_inside(function: F) -> F:
    """As ``compiled``, for a function that compiled code alone calls.

    Without a way in from Python, which is costly to build for ``layout.Arrays``.
    """
    return cast(F, njit(no_cpython_wrapper=True, **OPTIONS)(function))


def compiled_and_kept(function: F) -> F:
    """As ``compiled``, and keep the machine code beside the source for the next process."""
    return cast(F, njit(cache=True, **OPTIONS)(function))


def source_fingerprint(*folders: Path) -> int:
    """Checksum of all sources in the folders.

    The compiler's cache looks at one file only. An entry point that closes over this number is
    recompiled when any of the functions that it calls has changed.
    """
    checksum = 0
    for path in sorted(path for folder in folders for path in folder.glob("*.py")):
        checksum = zlib.crc32(path.read_bytes(), checksum)
    return checksum
