"""A scheduler and workers on this machine, each a process of its own with one thread."""

import os
import socket
import subprocess
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[1]


@dataclass(frozen=True, slots=True)
class LocalCluster:
    """Address of the scheduler, its process, and those of the workers."""

    address: str
    scheduler: subprocess.Popen[bytes]
    workers: list[subprocess.Popen[bytes]]


def environment(state: Path) -> dict[str, str]:
    """Environment in which everything finds this source and a state folder of its own."""
    places = [str(ROOT), *filter(None, [os.environ.get("PYTHONPATH")])]
    return {
        **os.environ,
        "PYTHONPATH": os.pathsep.join(places),
        "XDG_STATE_HOME": str(state),
    }


@contextmanager
def local_cluster(
    folder: Path, n_workers: int, env: Mapping[str, str]
) -> Iterator[LocalCluster]:
    """Run a scheduler and workers; all are killed at the end."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    address = f"tcp://127.0.0.1:{port}"

    def start(module: str, *args: str) -> subprocess.Popen[bytes]:
        return subprocess.Popen(  # noqa: S603  our own words
            [sys.executable, "-m", f"distributed.cli.{module}", *args],
            env=env,
            cwd=folder,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )

    places = ("--host", "127.0.0.1", "--port", str(port), "--dashboard-address", ":0")
    scheduler = start("dask_scheduler", *places, "--no-dashboard", "--no-show")
    limits = ("--nworkers", "1", "--nthreads", "1", "--memory-limit", "0")
    workers = [
        start(
            *("dask_worker", address, *limits, "--no-nanny", "--no-dashboard"),
            *("--local-directory", str(folder / f"worker{k}")),
        )
        for k in range(n_workers)
    ]
    try:
        yield LocalCluster(address, scheduler, workers)
    finally:
        for process in (scheduler, *workers):
            process.kill()
            process.wait()
