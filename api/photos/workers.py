"""Worker processes: how many, and what each may take of the machine. Imports nothing heavy."""

import multiprocessing
import os
import threading
from multiprocessing.process import BaseProcess
from pathlib import Path

try:
    import resource
except ImportError:  # systems without limits for processes
    resource = None  # type: ignore[assignment]

# The coach stands behind all: it must never hold up a photo that comes in or is looked at.
DESK_NICE, BENCH_NICE, COACH_NICE = 5, 10, 19
# What a worker takes with a photo of 50 megapixels (measured: 0.84 GB at ten of them), twice.
USUAL_BYTES = 1_700_000_000
MOST_WORKERS = 8

# The workers are the parallelism. Read by the libraries when they are loaded, so set before.
ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def begin(nice: int, memory_bytes: int) -> None:
    """What each worker does first: step back behind the service, accept its limit of memory, end with it."""
    end_with_the_parent()
    if hasattr(os, "nice"):
        os.nice(nice)
    if resource is not None:
        resource.setrlimit(resource.RLIMIT_AS, (memory_bytes, memory_bytes))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def end_with_the_parent() -> None:
    """Watch the process that began this one: killed, it cannot end its workers, so each sees it by itself."""
    threading.Thread(target=_end_with, args=[multiprocessing.parent_process()], daemon=True).start()


def _end_with(parent: BaseProcess | None) -> None:
    if parent is not None:
        parent.join()
        os._exit(1)


def count(most: int = MOST_WORKERS) -> int:
    """By cores, and by the memory that is free."""
    by_memory = _free_bytes() // USUAL_BYTES
    return max(1, min(os.cpu_count() or 1, by_memory, most))


def _free_bytes() -> int:
    try:
        lines = Path("/proc/meminfo").read_text().splitlines()
        kilobytes = next(int(line.split()[1]) for line in lines if line.startswith("MemAvailable:"))
        return kilobytes * 1024
    except (OSError, StopIteration, ValueError):
        return 4 * USUAL_BYTES  # a system that does not tell: a small computer of today


def one_thread_each() -> None:
    """Let the numeric libraries of processes begun from now on use one thread."""
    for name in ONE_THREAD:
        os.environ[name] = "1"
