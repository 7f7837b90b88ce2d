"""What the benchmarks of the log share: lines of times, and how fast the disk is by itself."""

import os
import statistics
import time
from collections.abc import Sequence
from pathlib import Path


def percentile(times: Sequence[float], share: float) -> float:
    """The time that this share of all stays below."""
    ordered = sorted(times)
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


def line(what: str, times_ms: Sequence[float]) -> str:
    """One line about some times."""
    return (
        f"{what:34} n {len(times_ms):5}  median {statistics.median(times_ms):5.1f}  "
        f"p99 {percentile(times_ms, 0.99):5.1f}  max {max(times_ms):5.1f} ms"
    )


def disk_alone(folder: str, times: int = 200) -> list[float]:
    """How long the disk takes for 64 kB that must be safe, in ms: what no program can be faster than."""
    measured = []
    with (Path(folder) / "floor").open("wb", buffering=0) as file:
        for _ in range(times):
            start = time.perf_counter()
            file.write(bytes(65536))
            os.fsync(file.fileno())
            measured.append(1000 * (time.perf_counter() - start))
    return measured
