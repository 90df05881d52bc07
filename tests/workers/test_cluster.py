"""A cluster of real processes on this machine: what dies on the way, and what is refused."""

import os
import signal
import socket
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

import wallsim
from tests.cli.campaign import write
from tests.cli.command import wallsim_here
from wallsim import workers
from wallsim.errors import ClusterError
from wallsim.workers import cluster

pytest.importorskip("distributed")
pytestmark = pytest.mark.skipif(os.name != "posix", reason="SIGKILL")

ROOT = Path(__file__).parents[2]
SWEEP = ('case = "campaign"\ndraws = 3\n[vary]\nwall = { from = "3 mm", to = "5 mm", steps = 6 }\n'
         'pressure = { from = "5 bar", to = "7 bar", steps = 3 }\n')


def free_port():
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


def start(folder, kind, *words):
    with (folder / f"{kind}.log").open("a") as log:
        return subprocess.Popen([sys.executable, "-m", f"distributed.cli.dask_{kind}", *words],
                                stdout=log, stderr=log, cwd=ROOT)


def start_worker(folder, address):
    return start(folder, "worker", address, "--no-nanny", "--nthreads", "1", "--no-dashboard",
                 "--host", "127.0.0.1", "--local-directory", str(folder))


@pytest.fixture
def two_workers(tmp_path):
    """Yield the address of a scheduler and its two workers, every one a process of its own."""
    port = free_port()
    address = f"tcp://127.0.0.1:{port}"
    parts = [start(tmp_path, "scheduler", "--host", "127.0.0.1", "--port", str(port),
                   "--no-dashboard")]
    parts += [start_worker(tmp_path, address) for _ in range(2)]
    try:
        yield address, parts[1:]
    finally:
        for part in reversed(parts):
            part.kill()
            part.wait()


def ready(address, n):
    """Wait for ``n`` workers, from outside as a user would."""
    import distributed

    deadline = time.monotonic() + 60.0
    while True:
        try:
            with distributed.Client(address, timeout=2, set_as_default=False) as client:
                if n:
                    client.wait_for_workers(n, timeout=30)
            return
        except OSError:
            assert time.monotonic() < deadline


def die_once(marker, value):
    """Kill the worker that is given this first; serve after that."""
    if value == 3 and not Path(marker).exists():
        Path(marker).touch()
        os.kill(os.getpid(), signal.SIGKILL)
    time.sleep(0.02)
    return value**2


@pytest.mark.slow
def test_a_worker_killed_in_a_sweep_costs_no_firing_and_no_digit(tmp_path, two_workers):
    address, processes = two_workers
    write(tmp_path / "campaign")
    question = tmp_path / "whatif.toml"
    question.write_text(SWEEP)
    killed = []

    def kill(done, every):
        if not killed and done < every:
            killed.append(processes[0].pid)
            os.kill(processes[0].pid, signal.SIGKILL)

    ready(address, 2)
    with cluster(address) as pool:
        far = wallsim.whatif(question, executor=pool, progress=kill)
    assert killed
    assert processes[0].wait(timeout=10) == -signal.SIGKILL
    assert processes[1].poll() is None
    with ThreadPoolExecutor(1) as pool:
        near = wallsim.whatif(question, executor=pool)
    assert far.to_json() == near.to_json()
    assert len(far.document["firings"]) == 18


def test_results_that_died_with_their_worker_are_computed_again(tmp_path, two_workers):
    address, processes = two_workers
    ready(address, 2)
    with cluster(address) as pool:
        values = pool.map(die_once, [str(tmp_path / "died")] * 12, range(12))
        assert list(values) == [value**2 for value in range(12)]
    assert sorted(worker.poll() is None for worker in processes) == [False, True]


def test_a_scheduler_that_does_not_answer_is_one_line_within_seconds(monkeypatch):
    monkeypatch.setattr(workers, "REACHED", 1.0)
    begun = time.monotonic()
    with (pytest.raises(ClusterError, match="no scheduler answers within 1 s; look whether"),
          cluster(f"tcp://127.0.0.1:{free_port()}")):
        pass
    assert time.monotonic() - begun < 10.0


def test_an_address_that_is_none_is_refused_by_the_command(tmp_path):
    write(tmp_path / "campaign")
    out = tmp_path / "w"
    done = wallsim_here("whatif", tmp_path / "campaign", "--out", out, "--cluster", "host")
    assert done.returncode == 3
    assert done.stderr.splitlines() == ["cluster host: is no address of a scheduler; write it as "
                                        "tcp://HOST:8786"]
    assert not out.exists()


def test_without_the_extra_it_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(ClusterError, match=r"pip install 'wallsim\[cluster\]'"), cluster("tcp://x"):
        pass


def test_a_scheduler_without_workers_is_refused(tmp_path):
    port = free_port()
    scheduler = start(tmp_path, "scheduler", "--host", "127.0.0.1", "--port", str(port),
                      "--no-dashboard")
    try:
        ready(f"tcp://127.0.0.1:{port}", 0)
        with (pytest.raises(ClusterError, match="has no worker; start some"),
              cluster(f"tcp://127.0.0.1:{port}")):
            pass
    finally:
        scheduler.kill()
        scheduler.wait()


class Fake:
    """A scheduler's client whose tasks are given up so many times before they are done."""

    status = "running"

    def __init__(self, times):
        self.times, self.sent, self.cancelled = times, [], []

    def submit(self, fn, *args, pure):
        assert not pure, "a task is never taken for one that was lost"
        self.sent.append(args)
        return FakeFuture(self, fn(*args))

    def cancel(self, futures):
        self.cancelled += futures


class FakeFuture:
    def __init__(self, client, value):
        self.client, self.value = client, value

    def result(self, timeout):
        from distributed import KilledWorker

        if self.value and self.client.times:
            self.client.times -= 1
            raise KilledWorker("task", None, 3)
        return self.value


def test_a_task_given_up_as_deadly_is_sent_three_times_in_all():
    client = Fake(times=2)
    assert list(workers._Cluster(client, "here").map(abs, [0, -1, -2])) == [0, 1, 2]
    assert client.sent == [(0,), (-1,), (-2,), (-1,), (-1,)]

    client = Fake(times=3)
    values = workers._Cluster(client, "here").map(abs, [0, -1, -2])
    assert next(values) == 0
    with pytest.raises(ClusterError, match="workers keep dying over one task"):
        next(values)
    assert client.sent.count((-1,)) == 3
    assert len(client.cancelled) == 2


def test_a_scheduler_that_went_away_is_told_not_waited_for():
    client = Fake(times=1)
    client.status = "closed"
    with pytest.raises(ClusterError, match="the scheduler is gone; start it again"):
        list(workers._Cluster(client, "here").map(abs, [-1]))
