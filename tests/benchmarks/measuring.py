"""What a piece of work costs: seconds, processor seconds, and the memory it needs at its peak."""

import gc
import os
import resource
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

_STATUS = Path("/proc/self/status")


@dataclass(frozen=True, slots=True)
class Cost:
    """Seconds on the clock and of all processors; MB resident at the peak."""

    seconds: float
    cpu_s: float
    peak_mb: float


class Watch:
    """Runs from when it is made; the peak is that since then.

    Where the system cannot reset the peak (other than Linux) it is the process's own since it
    began.  What the process already held counts in.
    """

    def __init__(self) -> None:
        gc.collect()
        with suppress(OSError):
            Path("/proc/self/clear_refs").write_text("5")  # peak := now; see proc(5)
        self._begun, self._used = time.perf_counter(), _cpu_s()

    def cost(self) -> Cost:
        """Say what was used so far."""
        return Cost(time.perf_counter() - self._begun, _cpu_s() - self._used, _peak_mb())


def cost_of(work: Callable[[], object]) -> Cost:
    """Do the work and say what it took."""
    watch = Watch()
    work()
    return watch.cost()


def best(costs: list[Cost]) -> Cost:
    """Give the fastest of several turns, with the highest of their peaks."""
    fastest = min(costs, key=lambda cost: cost.seconds)
    return Cost(fastest.seconds, fastest.cpu_s, max(cost.peak_mb for cost in costs))


def machine() -> str:
    """Name what the figures depend on, without naming whose machine it is."""
    with suppress(OSError):
        for line in _STATUS.parent.parent.joinpath("meminfo").read_text().splitlines():
            if line.startswith("MemTotal:"):
                gb = int(line.split()[1]) / 1024**2
                return f"{len(os.sched_getaffinity(0))} processors, {gb:.0f} GB"
    return f"{os.cpu_count()} processors"


def _cpu_s() -> float:
    own, children = (
        resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    )
    return own.ru_utime + own.ru_stime + children.ru_utime + children.ru_stime


def _peak_mb() -> float:
    with suppress(OSError):
        for line in _STATUS.read_text().splitlines():
            if line.startswith("VmHWM:"):
                return int(line.split()[1]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
