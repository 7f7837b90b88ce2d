"""Couriers of the gate in place of its threads: at once, or when told to."""

from collections.abc import Callable


def at_once(work: Callable, done: Callable, failed: Callable) -> None:
    """A courier that runs the work on the spot."""
    try:
        value = work()
    except Exception as error:
        failed(error)
    else:
        done(value)


class Later:
    """A courier that keeps the work until it is told to run it."""

    def __init__(self) -> None:
        self.kept: list[tuple[Callable, Callable, Callable]] = []

    def __call__(self, *job: Callable) -> None:
        self.kept.append(job)

    def run(self) -> None:
        jobs, self.kept = self.kept, []
        for job in jobs:
            at_once(*job)
