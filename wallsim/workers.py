"""Worker processes, one numeric thread each: of this machine, or those of a cluster."""

from __future__ import annotations

import logging
import multiprocessing
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import CancelledError, Executor, Future, ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing.process import BaseProcess
from typing import Any

from wallsim import __version__
from wallsim.errors import ClusterError

REACHED = 5.0
LOOK = 5.0
WITHOUT_WORKERS = 60.0
TIMES_SENT = 3

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


@contextmanager
def cluster(address: str) -> Iterator[Executor]:
    """Yield the workers of a distributed scheduler that is running already.

    Parameters
    ----------
    address : str
        As the scheduler prints it, ``tcp://HOST:PORT``.

    Raises
    ------
    ClusterError
        If this is no address, the extra is not installed, no scheduler answers, it has no worker,
        or one of them has another wallsim than this.
    """
    if not address.startswith(("tcp://", "tls://")):
        raise ClusterError(f"cluster {address}: is no address of a scheduler; write it as "
                           "tcp://HOST:8786")
    try:
        import distributed
    except ImportError:
        raise ClusterError(
            "a cluster needs the package distributed; pip install 'wallsim[cluster]'"
        ) from None
    for name in ("distributed", "distributed.client", "tornado"):
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    try:
        connect: Any = distributed.Client
        client = connect(address, timeout=REACHED, set_as_default=False)
    except (OSError, ValueError, TypeError) as error:
        raise ClusterError(
            f"cluster {address}: no scheduler answers within {REACHED:.0f} s; look whether it runs "
            "and give the address it prints, like tcp://HOST:8786"
        ) from error
    with client:
        _check_workers(client, address)
        yield _Cluster(client, address)


def _check_workers(client: Any, address: str) -> None:
    """Refuse a cluster without workers, or whose workers would compute something else."""
    try:
        found = client.run(_version, on_error="return")
    except ValueError:  # the scheduler's word for no workers, in some versions
        found = {}
    if not found:
        raise ClusterError(f"cluster {address}: has no worker; start some, then again")
    for worker, version in found.items():
        if version != __version__:
            had = "no wallsim" if isinstance(version, Exception) else f"wallsim {version}"
            raise ClusterError(f"cluster {address}: worker {worker} has {had}, this is wallsim "
                             f"{__version__}; install the same on every machine")


def _version() -> str:
    from wallsim import __version__

    return __version__


class _Cluster(Executor):
    """Tasks on a cluster; those that a dying worker takes along are computed again.

    The scheduler itself hands the tasks of a dead worker to the others, until it suspects them of
    having killed it; these are sent anew a few times. Arguments travel with each task: shared ones
    left with the workers would die with them.
    """

    def __init__(self, client: Any, address: str) -> None:
        self._client, self._address = client, address

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = self._client.get_executor(pure=False).submit(fn, *args, **kwargs)
        return future

    def map(
        self, fn: Callable[..., Any], *iterables: Iterable[Any], timeout: float | None = None,
        chunksize: int = 1,
    ) -> Iterator[Any]:
        calls = list(zip(*iterables, strict=False))
        sent = [self._client.submit(fn, *call, pure=False) for call in calls]

        def results() -> Iterator[Any]:
            try:
                for i, call in enumerate(calls):
                    yield self._result(sent[i], fn, call)
                    sent[i] = None
            finally:
                self._client.cancel([future for future in sent if future is not None])

        return results()

    def _result(self, future: Any, fn: Callable[..., Any], call: tuple[Any, ...]) -> Any:
        from distributed import KilledWorker

        for left in reversed(range(TIMES_SENT)):
            try:
                return self._wait(future)
            except (KilledWorker, CancelledError):
                if self._client.status != "running":
                    raise ClusterError(f"cluster {self._address}: the scheduler is gone; start it "
                                       "again, then this command") from None
                if left:
                    future = self._client.submit(fn, *call, pure=False)
        raise ClusterError(f"cluster {self._address}: workers keep dying over one task; look at "
                           "their logs and memory")

    def _wait(self, future: Any) -> Any:
        alone = 0.0
        while alone < WITHOUT_WORKERS:
            try:
                return future.result(timeout=LOOK)
            except TimeoutError:
                alone = 0.0 if self._client.scheduler_info()["workers"] else alone + LOOK
        raise ClusterError(f"cluster {self._address}: no worker is left; start some, then this "
                           "command again")
