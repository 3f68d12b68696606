"""Pages of a digest, one after another; those of many vehicles made by several processes.

Measured: a page costs its process 30 microseconds for each row it is made from, nearly all of it in
Python (50 ms at ten years of monthly scans of eight units), a worker a second to start.

Only the command line begins workers (``App.processes``), since each reads the main module again.
All pages show one state of the store (``still_store.py``), whoever writes it meanwhile.
"""

import os
import signal
import threading
from collections import deque
from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import contextmanager
from itertools import chain, islice
from multiprocessing import get_context, parent_process
from multiprocessing.synchronize import Event

from afterclear.commands.pages.kept_pages import PagesBefore, PagesNow, VehicleFiles, made
from afterclear.digest.build_digests import DigestModel, VehicleChunk, VehiclePages
from afterclear.digest.output.render import render_overviews

_WORTH_IT = 200_000  # rows: six seconds of one process
_MOST_WORKERS = 2  # the first process reads rows and writes files meanwhile

# in a worker: set when its pages are no longer wanted
_stop: Event | None = None


def rendered(
    model: DigestModel,
    processes: int = 1,
    before: PagesBefore | None = None,
    now: PagesNow | None = None,
) -> Iterator[tuple[str, str]]:
    """Yield every page's file name and HTML, the same by one process or several; index last.

    ``processes``: how many may be begun.  ``before``: pages of vehicles that need not be made
    again if nothing changed, None: all are made; ``now``: takes down what became of them.
    """
    for files in _vehicles(model.vehicles, processes, before):
        if now is not None:
            now.note(files)
        yield from files.files
    yield from render_overviews(model)


def _vehicles(
    pages: VehiclePages, processes: int, before: PagesBefore | None
) -> Iterator[VehicleFiles]:
    """Yield the pages of vehicles: those that stay as they are, then those that are made."""
    if before is None:
        yield from _made(pages.chunks(), len(pages), processes)
        return
    wanted: dict[str, str] = {}
    for facts in pages.facts(before.program):
        for vehicle_id, own in facts.items():
            kept = before.kept(vehicle_id, own, pages.setting.as_of)
            if kept is None:
                wanted[vehicle_id] = own
            else:
                yield kept
    yield from _made(pages.chunks(tuple(wanted)), len(wanted), processes, wanted)


def _made(
    chunks: Iterable[VehicleChunk],
    n_pages: int,
    processes: int,
    facts: Mapping[str, str] | None = None,
) -> Iterator[VehicleFiles]:
    """Make the pages of chunks, in their order; ``facts``: of each vehicle's page."""
    n = min(_MOST_WORKERS, processes)
    rest = iter(chunks)
    some = list(islice(rest, 1))
    n_rows = sum(chunk.n_rows / len(chunk.vehicle_ids) * n_pages for chunk in some)
    if n < 2 or n_rows < _WORTH_IT:  # noqa: PLR2004
        for chunk in chain(some, rest):
            yield from made(chunk, facts)
        return
    with _workers(n) as pool:
        begun: deque[Future[list[VehicleFiles]]] = deque()
        for chunk in chain.from_iterable(each.apart(n) for each in chain(some, rest)):
            own = facts and {vehicle: facts[vehicle] for vehicle in chunk.vehicle_ids}
            begun.append(pool.submit(_render, chunk, own))
            if len(begun) > n:
                yield from begun.popleft().result()
        while begun:
            yield from begun.popleft().result()


@contextmanager
def _workers(n: int) -> Iterator[ProcessPoolExecutor]:
    """Give ``n`` processes that end with the block, at once if it is left by an exception."""
    # not forked: the database's threads would be missing in the copy
    context = get_context("spawn")
    stop = context.Event()
    pool = ProcessPoolExecutor(n, context, initializer=_begin, initargs=(stop,))
    try:
        yield pool
    finally:
        stop.set()
        pool.shutdown(cancel_futures=True)


def _begin(stop: Event) -> None:
    """In a worker: leave signals to the first process, and never outlive it."""
    global _stop  # noqa: PLW0603  (the one state of a worker)
    _stop = stop
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _render(chunk: VehicleChunk, facts: Mapping[str, str] | None) -> list[VehicleFiles]:
    """In a worker: render the pages of some vehicles, as long as somebody wants them."""
    done: list[VehicleFiles] = []
    for files in made(chunk, facts):
        if _stop is not None and _stop.is_set():
            break
        done.append(files)
    return done
