"""How loops are compiled: kept on disk until any file that may be compiled into them changes."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

from numba import njit


def _stamp(path: Path) -> tuple[str, float, int]:
    found = path.stat()
    return path.name, found.st_mtime, found.st_size


_VECTORS = [_stamp(path) for path in sorted(Path(__file__).parent.glob("*.py"))]


def part(function: Callable[..., Any]) -> Any:
    """A function compiled into each loop that calls it, where a call would take as long as it."""
    return njit(error_model="numpy", nogil=True, _nrt=False, forceinline=True)(function)


def loop(function: Callable[..., Any]) -> Any:
    """A function compiled when it is first called, without the lock of the interpreter.

    It works in memory that it is given and makes none: then nobody need count who refers to an
    array, which at each call of one loop by another takes longer than a short loop does.

    What it calls is compiled into it, but numba looks at its own file alone when it asks whether
    what it kept on disk is still right: here the files of this room count too.
    """
    compiled = njit(cache=True, error_model="numpy", nogil=True, _nrt=False)(function)
    own = Path(function.__code__.co_filename)
    # numba has no public way to say so; it reads this when it opens its index, if it keeps one
    index = getattr(getattr(compiled, "_cache", None), "_cache_file", None)
    if index is not None:
        index._source_stamp = (_stamp(own), *_VECTORS)
    return compiled
