"""Many machines: a real scheduler and two workers on this one, of which one is killed."""

import json
import signal
import subprocess
import sys
import time
from importlib.util import find_spec

import pytest
from click.testing import CliRunner

from benchmarks import cluster as cluster_benchmark
from benchmarks.localcluster import environment, local_cluster
from stacker.cli import main
from stacker.cluster import ClusterWorkers, PathMap
from stacker.errors import InputError, OutputError
from stacker.hotfolder.job import Job
from tests.shots import write_bracket

N_BRACKETS, N_FRAMES = 6, 3
PATIENCE_S = 300  # kernels may have to be compiled, on a busy machine

needs_cluster = pytest.mark.skipif(
    find_spec("distributed") is None,
    reason='the extra "cluster" is not installed',
)
needs_signals = pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")


def test_paths_are_translated_both_for_frames_and_results():
    paths = PathMap.of(["/mnt/shoots=/data/shoots/", "/mnt=/other"])
    job = Job(
        number=1,
        frames=("/mnt/shoots/a.tif", "/mnt/b.tif", "/mnt/shoots2/c.tif"),
        stats=((1, 2),) * 3,
        results="/mnt/shoots/out",
        name="x",
        journal="/home/j.db",
    )
    there = paths.job_there(job)
    assert there.frames == (
        "/data/shoots/a.tif",
        "/other/b.tif",
        "/other/shoots2/c.tif",
    )
    assert there.results == "/data/shoots/out"
    assert there.journal == ""
    assert there.number == job.number


@pytest.mark.parametrize("text", ["", "/a", "/a=", "=/b"])
def test_a_wrong_pair_of_paths_is_refused(text):
    with pytest.raises(InputError, match="no pair of paths"):
        PathMap.of([text])


@needs_cluster
def test_no_scheduler_is_one_line(monkeypatch):
    monkeypatch.setattr("stacker.cluster._CONNECT_S", 1)
    with pytest.raises(
        OutputError, match=r"tcp://127\.0\.0\.1:9: no scheduler answers"
    ):
        ClusterWorkers("tcp://127.0.0.1:9", PathMap())


@needs_cluster
@pytest.mark.parametrize("error", ["CommClosedError", "ClosedClientError"])
def test_a_lost_scheduler_is_one_line_whatever_the_client_says(monkeypatch, error):
    """How far the client is with its closing decides what it raises."""
    import distributed.client

    class Lost:
        def __init__(self, *_, **__):
            pass

        def get_executor(self, **_):
            return self

        def fail(self, *_, **__):
            raise getattr(distributed.client, error)

        nthreads = submit = shutdown = close = fail

    monkeypatch.setattr("distributed.Client", Lost)
    pool = ClusterWorkers("tcp://127.0.0.1:9", PathMap())
    job = Job(number=1, frames=(), stats=(), results="/out", name="x")
    for ask in (pool.n_slots, pool.abandon, lambda: pool.executor.submit(id, job)):
        with pytest.raises(OutputError, match="are lost; start again with --resume"):
            ask()
    pool.close()


@pytest.fixture
def env(tmp_path):
    return environment(tmp_path / "state")


@pytest.fixture
def cluster(tmp_path, env):
    with local_cluster(tmp_path, 2, env) as running:
        yield running


@needs_cluster
@needs_signals
def test_a_worker_is_lost_and_no_bracket_with_it(tmp_path, cluster, env):
    """Done elsewhere, once each; results and journal are as if done here."""
    here, there = tmp_path / "here", tmp_path / "there"
    there.mkdir()
    here.symlink_to(there)  # the same files, under another path for the workers
    for k in range(N_BRACKETS):
        names = [f"f{i}.tif" for i in range(N_FRAMES)]
        write_bracket(there / f"day/b{k}", names, mark=k)
    batch = subprocess.Popen(
        [
            *(sys.executable, "-m", "stacker", "batch", str(here / "day")),
            *("--into", str(here / "out"), "--cluster", cluster.address, "--json"),
            *("--map", f"{here}={there}", "--threads", "1"),
        ],
        env=env,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    out = there / "out"
    deadline = time.monotonic() + PATIENCE_S
    while not list(out.glob("b*_f0.tif")) and batch.poll() is None:
        assert time.monotonic() < deadline
        time.sleep(0.02)
    cluster.workers[0].send_signal(signal.SIGKILL)
    told, log = batch.communicate(timeout=PATIENCE_S)
    assert batch.returncode == 0, log
    rows = json.loads(told)["brackets"]
    assert sorted(r["name"] for r in rows) == [f"b{k}_f0" for k in range(N_BRACKETS)]
    assert {r["state"] for r in rows} <= {"done", "kept"}
    for k in range(N_BRACKETS):
        record = json.loads((out / f"b{k}_f0.report.json").read_text("utf-8"))
        files = [f["file"] for f in record["frames"]]
        expected = [str(there / f"day/b{k}/f{i}.tif") for i in range(N_FRAMES)]
        assert files == expected
    status = subprocess.run(
        [sys.executable, "-m", "stacker", "status", str(here / "day"), "--json"],
        env=env,
        capture_output=True,
        text=True,
        check=True,
    )
    brackets = json.loads(status.stdout)["brackets"]
    assert [b["state"] for b in brackets] == ["done"] * N_BRACKETS
    assert f"{N_BRACKETS} good" in (out / "index.html").read_text("utf-8")


@needs_cluster
def test_the_benchmark_of_a_cluster(tmp_path):
    run = cluster_benchmark.measure(tmp_path, workers=1, brackets=2, frames=2, side=64)
    assert run.failed == 0
    assert 0 < run.fusing_s < run.wall_s


@needs_cluster
@needs_signals
def test_a_scheduler_is_lost_and_the_batch_ends(tmp_path, cluster, env, monkeypatch):
    """With one line, and so that it can be resumed."""
    for k in range(6):
        write_bracket(tmp_path / f"day/b{k}", ["f1.tif", "f2.tif"], mark=k)
    words = ["batch", str(tmp_path / "day"), "--into", str(tmp_path / "out")]
    cluster.workers[0].send_signal(signal.SIGSTOP)  # else all may be done too soon
    lost = subprocess.Popen(
        [sys.executable, "-m", "stacker", *words, "--cluster", cluster.address],
        env=env,
        stderr=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        text=True,
    )
    deadline = time.monotonic() + PATIENCE_S
    while not list((tmp_path / "out").glob("*.report.json")):
        assert time.monotonic() < deadline
        time.sleep(0.02)
    cluster.scheduler.send_signal(signal.SIGKILL)
    _, log = lost.communicate(timeout=PATIENCE_S)
    assert lost.returncode == 1
    assert log.splitlines()[-1] == (
        "stacker: those who did the jobs are lost; start again with --resume"
    )
    assert "Traceback" not in log
    monkeypatch.setenv("XDG_STATE_HOME", env["XDG_STATE_HOME"])
    result = CliRunner().invoke(main, [*words, "--resume", "--threads", "1"])
    assert result.exit_code == 0, result.output
    assert "6 brackets:" in result.stdout
