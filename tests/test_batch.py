"""Many brackets in one go: one that fails stops no other, and nothing is done twice."""

import json
import os
import signal
import time
from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool

import pytest
from click.testing import CliRunner

from stacker import pipeline
from stacker.batch import run_batch
from stacker.cli import batch as batch_command
from stacker.cli import main
from stacker.errors import BracketError
from stacker.hotfolder.books import FusePlan
from stacker.hotfolder.job import Outcome, fuse_job
from stacker.hotfolder.status import folder_status
from stacker.hotfolder.workers import LocalWorkers
from stacker.settings import (
    AlignSettings,
    BatchSettings,
    FuseSettings,
    GroupSettings,
    OutputSettings,
)
from tests.shots import noise_bytes, write_bracket


@pytest.fixture(autouse=True)
def state(tmp_path, monkeypatch):
    place = tmp_path / "state"
    monkeypatch.setattr(
        "stacker.hotfolder.places.user_state_path", lambda *_, **__: place
    )


class Threads:
    """Workers in this process; `n_slots` may be smaller than what is asked for."""

    def __init__(self, n=1, *, is_local=True):
        self.n, self.at_once, self.most = n, 0, 0
        self.is_local = is_local
        self.pool = ThreadPoolExecutor(n)

    @property
    def executor(self):
        return self

    def submit(self, work, job):
        def counted():
            self.at_once += 1
            self.most = max(self.most, self.at_once)
            time.sleep(0.05)
            try:
                return work(job)
            finally:
                self.at_once -= 1

        return self.pool.submit(counted)

    def n_slots(self):
        return self.n

    def discard(self):
        pass

    def abandon(self):
        pass

    def close(self):
        self.pool.shutdown()


@pytest.fixture
def root(tmp_path):
    """Three good brackets, of which one lies in the folder itself, and a bad one."""
    root = tmp_path / "day"
    write_bracket(root / "cup", ["c1.tif", "c2.tif"])
    write_bracket(root / "jug", ["j1.tif", "j2.tif", "j3.tif"])
    write_bracket(root, ["p1.tif", "p2.tif"])
    bad = root / "bad"
    bad.mkdir()
    for k in (1, 2):
        (bad / f"b{k}.tif").write_bytes(noise_bytes(k))
    return root


def go(root, pool=None, batch=None, plan=None, group=None):
    plan = plan or FusePlan(fuse=FuseSettings(threads=1))
    return run_batch(
        root,
        root.parent / "out",
        plan,
        group or GroupSettings(),
        batch or BatchSettings(),
        pool or Threads(),
    )


def states(summary):
    return {row.name: row.state for row in summary.rows}


ALL = {"bad_b1": "failed", "cup_c1": "done", "jug_j1": "done", "day_p1": "done"}


def test_one_that_fails_stops_no_other(root):
    summary = go(root)
    assert states(summary) == ALL
    assert summary.n_failed == 1
    bad = next(r for r in summary.rows if r.name == "bad_b1")
    assert "no two frames can be registered" in bad.message
    out = root.parent / "out"
    for name in ("cup_c1", "jug_j1", "day_p1"):
        assert (out / f"{name}.tif").exists()
        assert f'href="./{name}.report.html"' in (out / "index.html").read_text()
    assert folder_status(root)["counts"] == {"parked": 1, "done": 3}


def test_resuming_does_what_is_left(root):
    go(root)
    (root / "bad" / "b1.tif").unlink()
    (root / "bad" / "b2.tif").unlink()
    write_bracket(root / "bad", ["b1.tif", "b2.tif"])
    written = (root.parent / "out" / "cup_c1.tif").stat().st_mtime_ns
    summary = go(root, batch=BatchSettings(resume=True))
    assert states(summary) == {
        name: "done" if name == "bad_b1" else "kept" for name in ALL
    }
    assert (root.parent / "out" / "cup_c1.tif").stat().st_mtime_ns == written


def test_resuming_without_a_journal_goes_by_the_results(root, tmp_path, monkeypatch):
    """Another machine, or another user, goes on."""
    go(root)
    monkeypatch.setattr(
        "stacker.hotfolder.places.user_state_path", lambda *_, **__: tmp_path / "s2"
    )
    summary = go(root, batch=BatchSettings(resume=True))
    assert sorted(states(summary).values()) == ["failed", "kept", "kept", "kept"]


def test_results_that_are_there_are_not_replaced_unasked(root):
    go(root)
    again = go(root)
    assert set(states(again).values()) == {"failed"}
    assert "--resume" in again.rows[1].message
    plan = FusePlan(
        fuse=FuseSettings(threads=1), outputs=OutputSettings(overwrite=True)
    )
    assert states(go(root, plan=plan)) == ALL


def test_resuming_with_other_settings_keeps_and_replaces_nothing(root):
    go(root)
    align = AlignSettings(normalise_light=False)
    plan = FusePlan(fuse=FuseSettings(threads=1, align=align))
    summary = go(root, plan=plan, batch=BatchSettings(resume=True))
    assert set(states(summary).values()) == {"failed"}
    assert "exists already" in summary.rows[1].message


def test_a_batch_that_was_killed_is_resumed(root, monkeypatch):
    """Half of a result's files had their names; the bracket's own may be replaced."""
    real = pipeline.fuse_bracket

    def killed(inputs, output, *args, **options):
        if "jug" in str(output):
            (root.parent / "out" / "jug_j1.depth.tif").write_bytes(b"half")
            raise KeyboardInterrupt
        return real(inputs, output, *args, **options)

    class Here(Threads):
        def submit(self, work, job):
            future: Future[Outcome] = Future()
            future.set_result(work(job))  # an interrupt comes out at once
            return future

    monkeypatch.setattr(pipeline, "fuse_bracket", killed)
    summary = go(root, pool=Here())
    assert summary.is_broken_off
    monkeypatch.setattr(pipeline, "fuse_bracket", real)
    resumed = go(root, batch=BatchSettings(resume=True))
    assert states(resumed)["jug_j1"] == "done"
    assert resumed.n_failed == 1


def test_as_many_at_a_time_as_asked_for_and_as_memory_allows(root):
    pool = Threads(3)
    go(root, pool)
    assert pool.most > 1
    small = Threads(3)
    out = root.parent / "out"
    for path in out.glob("*.*"):
        path.unlink()
    go(root, small, BatchSettings(memory_gib=0.4))  # for one process
    assert small.most == 1


def test_memory_here_does_not_bound_what_other_machines_do(root):
    elsewhere = Threads(3, is_local=False)
    go(root, elsewhere, BatchSettings(memory_gib=0.4))
    assert elsewhere.most > 1


def test_a_process_that_dies_takes_only_its_bracket_along(root):
    """All that were at work are tried once more, one by one."""

    class Dying(Threads):
        deaths = 0

        def submit(self, work, job):
            if "jug" in job.name:
                self.deaths += 1
                future: Future[Outcome] = Future()
                future.set_exception(BrokenProcessPool("killed"))
                return future
            return super().submit(work, job)

    pool = Dying(2)
    summary = go(root, pool)
    assert [r.name for r in summary.rows if r.state == "failed"] == ["bad_b1", "jug_j1"]
    jug = next(r for r in summary.rows if r.name == "jug_j1")
    assert "the process that fused it died" in jug.message
    assert pool.deaths == 2


def test_whole_folders_and_groups(root):
    write_bracket(root / "cup", ["d1.tif", "d2.tif"], mark=1)
    assert len(go(root, group=GroupSettings(folders="whole")).rows) == 4
    for path in (root.parent / "out").glob("*.*"):
        path.unlink()
    assert len(go(root).rows) == 5


def test_nothing_found(tmp_path):
    (tmp_path / "empty").mkdir()
    with pytest.raises(BracketError, match="no brackets found"):
        go(tmp_path / "empty")


# The command ------------------------------------------------------------------------


@pytest.fixture
def command(monkeypatch):
    """The command with its jobs done in this process."""

    def pool(fuse, how, cluster, maps):
        return fuse, Threads(how.jobs)

    monkeypatch.setattr(batch_command, "_pool", pool)
    return lambda *args: CliRunner().invoke(main, ["batch", *map(str, args)])


def test_status_3_when_some_have_failed(root, command):
    result = command(root, "--into", root.parent / "out", "--threads", 1)
    assert result.exit_code == 3, result.output
    lines = result.stdout.splitlines()
    assert lines[-1] == "4 brackets: 1 failed, 3 done"
    assert any(line.startswith("cup_c1") and "good:" in line for line in lines)


def test_status_1_when_all_have_failed_0_when_none(root, command):
    out = root.parent / "out"
    assert command(root / "bad", "--into", out).exit_code == 1
    assert command(root / "cup", "--into", out, "--threads", 1).exit_code == 0


def test_json(root, command):
    result = command(root / "cup", "--into", root.parent / "out", "--json")
    told = json.loads(result.stdout)
    assert told["failed"] == 0
    assert [b["name"] for b in told["brackets"]] == ["cup_c1"]


def test_a_folder_that_is_not_there(tmp_path, command):
    result = command(tmp_path / "no", "--into", tmp_path / "out")
    assert result.exit_code == 1
    assert "no such folder" in result.stderr


def test_threads_are_shared_out_among_the_jobs():
    fuse, pool = batch_command._pool(
        FuseSettings(threads=8), BatchSettings(jobs=3), None, ()
    )
    assert fuse.threads == 2
    assert pool.n_slots() == 3
    pool.close()


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="signals of POSIX")
def test_real_processes_one_of_which_is_killed(root, monkeypatch):
    """Out of memory, say: its bracket fails, the pool is made anew, the rest is done."""
    fuse, pool = batch_command._pool(
        FuseSettings(threads=2), BatchSettings(jobs=2), None, ()
    )
    killed: list[str] = []
    submit = vars(LocalWorkers)["executor"].fget

    class Killing:
        def __init__(self, inner):
            self.inner = inner

        def submit(self, work, job):
            if "cup" in job.name and not killed:
                killed.append(job.name)
                return self.inner.submit(_die)
            return self.inner.submit(work, job)

    monkeypatch.setattr(
        LocalWorkers, "executor", property(lambda s: Killing(submit(s)))
    )
    summary = go(root, pool, plan=FusePlan(fuse=fuse))
    assert states(summary) == ALL
    assert killed == ["cup_c1"]


def _die():
    os.kill(os.getpid(), signal.SIGKILL)


def test_an_outcome_is_small():
    """It travels between machines; pixels do not."""
    import pickle

    outcome = Outcome(number=1, state="failed", note="x")
    assert len(pickle.dumps(outcome)) < 1000
    assert pickle.loads(pickle.dumps(fuse_job)) is fuse_job  # noqa: S301
