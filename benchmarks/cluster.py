"""Many brackets over one and two single-threaded workers of a real cluster.

    python -m benchmarks.cluster --brackets 24 --frames 6

Scheduler and workers run on this machine, so it takes two idle cores for the ratio to
mean anything. Overhead is wall time less the time in which workers fused, per bracket:
finding frames, journal, index page and the way to the worker and back.
"""

import argparse
import json
import os
import tempfile
import time
from concurrent.futures import Executor
from dataclasses import asdict, dataclass
from pathlib import Path
from unittest import mock

from benchmarks.localcluster import environment, local_cluster
from benchmarks.studio import shoot
from stacker.batch import Pool, run_batch
from stacker.cluster import ClusterWorkers, PathMap
from stacker.hotfolder.books import FusePlan
from stacker.hotfolder.summary import BatchSummary
from stacker.settings import BatchSettings, FuseSettings, GroupSettings

_WARM_UP = 2  # brackets per worker: libraries load with the first


@dataclass(frozen=True, slots=True, kw_only=True)
class Throughput:
    """One run.

    Attributes
    ----------
    workers, brackets : int
    wall_s : float
        From the call to the summary.
    fusing_s : float
        Sum over the brackets, as the workers measured it.
    failed : int
    """

    workers: int
    brackets: int
    wall_s: float
    fusing_s: float
    failed: int

    @property
    def overhead_ms(self) -> float:
        """Per bracket; with one worker, which is never idle but for it."""
        return 1000 * (self.wall_s - self.fusing_s) / self.brackets


def measure(
    work: Path, *, workers: int, brackets: int, frames: int, side: int
) -> Throughput:
    """Fuse brackets over some workers; the warm-up is not counted."""
    env = environment(work / "state")
    with (
        mock.patch.dict(os.environ, env),
        local_cluster(work, workers, env) as cluster,
    ):
        for name, count in (("warm", _WARM_UP * workers), ("day", brackets)):
            for number in range(count):
                shot = shoot(number, frames, kind="folder", side=side)
                for file, data in shot.frames.items():
                    path = work / name / file
                    path.parent.mkdir(parents=True, exist_ok=True)
                    path.write_bytes(data)
        pool = ClusterWorkers(cluster.address, PathMap())
        while pool.n_slots() < workers:
            time.sleep(0.1)
        _batch(work / "warm", _Kept(pool))
        started_s = time.perf_counter()
        summary = _batch(work / "day", pool)
        wall_s = time.perf_counter() - started_s
    return Throughput(
        workers=workers,
        brackets=brackets,
        wall_s=wall_s,
        fusing_s=sum(row.took_s for row in summary.rows),
        failed=summary.n_failed,
    )


def _batch(folder: Path, pool: Pool) -> BatchSummary:
    plan = FusePlan(fuse=FuseSettings(threads=1))
    results = folder.with_name(f"{folder.name}-out")
    return run_batch(folder, results, plan, GroupSettings(), BatchSettings(), pool)


class _Kept:
    """A pool that stays open when a batch is done with it."""

    is_local = False

    def __init__(self, pool: ClusterWorkers) -> None:
        self._pool = pool
        self.n_slots, self.discard = pool.n_slots, pool.discard
        self.abandon = pool.abandon

    @property
    def executor(self) -> Executor:
        """The same one."""
        return self._pool.executor

    def close(self) -> None:
        """Stay open."""


def main(arguments: list[str] | None = None) -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--brackets", type=int, default=24)
    parser.add_argument("--frames", type=int, default=6)
    parser.add_argument("--side", type=int, default=330, help="height in pixels")
    parser.add_argument("--workers", type=int, nargs="+", default=[1, 2])
    parser.add_argument("--json", type=Path, help="write the figures here, too")
    args = parser.parse_args(arguments)
    runs = []
    for workers in args.workers:
        with tempfile.TemporaryDirectory(prefix="cluster-") as work:
            run = measure(
                Path(work),
                workers=workers,
                brackets=args.brackets,
                frames=args.frames,
                side=args.side,
            )
        runs.append(run)
        overhead = (
            f"; overhead {run.overhead_ms:.0f} ms a bracket" if workers == 1 else ""
        )
        print(
            f"{workers} workers: {run.brackets} brackets in {run.wall_s:.1f} s, "
            f"{60 * run.brackets / run.wall_s:.1f} a minute{overhead}"
        )
    ratio = runs[0].wall_s / runs[-1].wall_s
    print(
        f"{runs[-1].workers} workers do {ratio:.2f} times the work of {runs[0].workers}"
    )
    if args.json:
        told = {"runs": [asdict(run) for run in runs], "ratio": ratio}
        args.json.write_text(json.dumps(told, indent=2) + "\n", "utf-8")


if __name__ == "__main__":
    main()
