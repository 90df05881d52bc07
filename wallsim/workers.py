"""Worker processes, one numeric thread each."""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import threading
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing.process import BaseProcess

_THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


@contextmanager
def processes(n: int | None = None) -> Iterator[Executor]:
    """Yield a pool of ``n`` fresh processes (as many as there are cores, if None).

    The small systems of a march gain nothing from several numeric threads, so each worker gets
    one; the caller's own environment is put back at once.
    """
    before = {name: os.environ.get(name) for name in _THREADS}
    os.environ.update(dict.fromkeys(_THREADS, "1"))
    context = multiprocessing.get_context("spawn")
    count = n or _cores()
    others = set(multiprocessing.active_children())
    with ProcessPoolExecutor(count, mp_context=context, initializer=_deaf) as executor:
        try:
            with _interrupts_held():
                warm = executor.map(_warm_up, range(count))
            list(warm)
        except BaseException:
            _end(executor, set(multiprocessing.active_children()) - others)
            raise
        finally:
            for name, value in before.items():
                if value is None:
                    os.environ.pop(name, None)
                else:
                    os.environ[name] = value
        try:
            yield executor
        except BaseException:
            _end(executor, set(multiprocessing.active_children()) - others)
            raise


def _end(executor: Executor, workers: set[BaseProcess]) -> None:
    """End the workers at once; a march under way is of no use any more.

    Older versions of Python (before 3.11.5, from memory) can hang on a pool whose workers died
    while a task was being sent; there the marches under way are waited for.
    """
    if sys.version_info >= (3, 11, 5):
        for worker in workers:
            worker.terminate()
    executor.shutdown(cancel_futures=True)


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """Hold a request to end back until the workers are started, then pass it on.

    A worker that is still loading Python would answer it with a traceback. Workers inherit the
    mask; the handlers hold back what another thread of the caller lets through.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    asked: list[int] = []
    before = {n: signal.getsignal(n) for n in (signal.SIGINT, signal.SIGTERM)}
    masks = hasattr(signal, "pthread_sigmask")
    for number in before:
        signal.signal(number, lambda n, _: asked.append(n))
    mask = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT}) if masks else None
    try:
        yield
    finally:
        if mask is not None:
            signal.pthread_sigmask(signal.SIG_SETMASK, mask)
        for number, handler in before.items():
            signal.signal(number, signal.SIG_DFL if handler is None else handler)
        if asked:
            signal.raise_signal(asked[0])


def _cores() -> int:
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _deaf() -> None:
    """Leave an interrupt from the keyboard to the parent, which ends its workers."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _warm_up(_: int) -> None:
    """Load the model in a worker, while its environment still holds."""
    import wallsim.estimate.run_model  # noqa: F401
