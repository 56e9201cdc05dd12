"""A Dask scheduler and workers on this machine, each a process of its own, for tests."""

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

from distributed import Client

ROOT = Path(__file__).parents[2]


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@dataclass
class Loopback:
    """A standing cluster; `workers` are those started and not yet killed."""

    folder: Path
    address: str
    scheduler: subprocess.Popen
    workers: list[subprocess.Popen] = field(default_factory=list)

    def add_worker(self, *options: str, **environment: str) -> subprocess.Popen:
        """Start a worker; without a nanny, so that its process is the one that computes."""
        command = [self.address, "--no-nanny", "--nthreads", "1", *options]
        self.workers.append(_started(self.folder, "dask_worker", command, environment))
        return self.workers[-1]

    def wait(self, count: int) -> None:
        """Wait until so many workers have come."""
        with Client(self.address, set_as_default=False) as client:
            client.wait_for_workers(count, timeout=600)

    def kill(self, process: subprocess.Popen) -> None:
        process.send_signal(signal.SIGKILL)
        process.wait()
        if process in self.workers:
            self.workers.remove(process)

    def pids(self) -> list[int]:
        return [process.pid for process in (self.scheduler, *self.workers)]

    def unfinished(self) -> int:
        """Count what the scheduler still holds of any client's work."""
        with Client(self.address, set_as_default=False) as client:
            return client.run_on_scheduler(lambda dask_scheduler: len(dask_scheduler.tasks))


def _started(
    folder: Path, module: str, arguments: list[str], environment: dict[str, str]
) -> subprocess.Popen:
    run = f"from distributed.cli.{module} import main; main()"
    command = [sys.executable, "-c", run, *arguments, "--no-dashboard"]
    with (folder / f"{module}.log").open("a") as log:
        return subprocess.Popen(
            command, cwd=ROOT, stdout=log, stderr=log, env=os.environ | environment
        )


def _address(file: Path) -> str:
    until = time.monotonic() + 600.0
    while time.monotonic() < until:
        with suppress(FileNotFoundError, json.JSONDecodeError):
            return json.loads(file.read_text())["address"]
        time.sleep(0.05)
    raise TimeoutError(f"no scheduler wrote {file}")


@contextmanager
def loopback_cluster(folder: Path, workers: int, more: tuple[str, ...] = ()) -> Iterator[Loopback]:
    """Provide a scheduler with so many workers; all of them are ended afterwards.

    `more` are options that scheduler and workers share.
    """
    # It picks its port itself: workers that knock at a port before it listens may take it away.
    file = folder / "scheduler.json"
    options = ["--host", "127.0.0.1", "--port", "0", "--scheduler-file", str(file), *more]
    scheduler = _started(folder, "dask_scheduler", options, {})
    cluster = Loopback(folder, "", scheduler)
    try:
        cluster.address = _address(file)
        for _ in range(workers):
            cluster.add_worker("--local-directory", str(folder), *more)
        if workers:
            cluster.wait(workers)
        yield cluster
    finally:
        for process in [*cluster.workers, scheduler]:
            if process.poll() is None:
                cluster.kill(process)
