"""How much memory a run can still take, as the system tells it."""

from __future__ import annotations

import ctypes
import os
import sys
from contextlib import suppress
from pathlib import Path

_KB = 1024
_LIMITS = ("/sys/fs/cgroup/memory.max", "/sys/fs/cgroup/memory/memory.limit_in_bytes")


def free_bytes() -> float | None:
    """Return the memory that programs can still take, None where the system does not say.

    On Linux what is available without pushing other programs out, the swap that is free, and no
    more than the limit of the container; on Windows what may still be committed; elsewhere all
    memory of the machine, which is at least no less.

    References
    ----------
    ``proc(5)``, meminfo: ``MemAvailable``; kernel documentation, cgroup v2: ``memory.max``.
    """
    with suppress(OSError, ValueError, KeyError, AttributeError):
        if sys.platform == "linux":
            return _free_on_linux()
        if sys.platform == "win32":
            return _free_on_windows()
        return float(os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE"))
    return None


def _free_on_linux() -> float:
    lines = Path("/proc/meminfo").read_text(encoding="ascii").splitlines()
    kilobytes = {name: float(value.split()[0])
                 for name, _, value in (line.partition(":") for line in lines)}
    free = [(kilobytes["MemAvailable"] + kilobytes["SwapFree"]) * _KB]
    for limit in _LIMITS:
        with suppress(OSError, ValueError):  # no limit is the word "max"
            free.append(float(Path(limit).read_text(encoding="ascii")))
    return min(free)


def _free_on_windows() -> float:
    class Status(ctypes.Structure):
        _fields_ = (("length", ctypes.c_ulong), ("load", ctypes.c_ulong),
                    *((name, ctypes.c_ulonglong) for name in (
                        "total", "free", "total_commit", "free_commit", "total_virtual",
                        "free_virtual", "free_extended")))

    status = Status(length=ctypes.sizeof(Status))
    if sys.platform == "win32" and ctypes.WinDLL("kernel32").GlobalMemoryStatusEx(
            ctypes.byref(status)):
        return float(status.free_commit)
    raise OSError("GlobalMemoryStatusEx")


def free_if_below(needed_bytes: float) -> float | None:
    """Return the bytes that are free if they are fewer than needed.

    Where the system does not tell what is free, nothing is held to be too much.
    """
    free = free_bytes()
    return free if free is not None and free < needed_bytes else None
