"""Crashes, slow copies, full disks, lost shares and long runs, by the numbers.

Each test runs a real `stacker watch` process on a folder of its own and counts what must
not happen; exit status 1 if anything of it did.

    python -m benchmarks.reliability crash --kills 200
    python -m benchmarks.reliability slow --frames 500 --brackets 40
    python -m benchmarks.reliability disk
    python -m benchmarks.reliability soak --brackets 1000
    python -m benchmarks.reliability all --json FILE

Linux only. "disk" takes the superuser's rights for its small file systems, and leaves
those parts out without.
"""

import argparse
import contextlib
import json
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.studio import Shot, Studio, shoot, write_in_pieces

Figures = dict[str, Any]

_REST_S = 120.0  # without any result: what is not done by now is lost
_SIDE_CRASH = 200  # px: fusing and writing take long enough to be hit
_N_FRAMES_SMALL = 3
_DISK_KIB = 1024
_SAMPLE_EVERY = 10  # brackets of a soak


def crash(
    work: Path, *, kills: int, longest_life_s: float = 5.0, seed: int = 1
) -> Figures:
    """Kill the watch at random moments while brackets come in, and start it again."""
    rng = random.Random(seed)  # noqa: S311  not for secrets
    studio = Studio(work, options=("--retry", "0.5"))
    n_fusing = n_broken = 0
    for number in range(1, kills + 1):
        studio.start()
        studio.put(shoot(number, _N_FRAMES_SMALL, kind="folder", side=_SIDE_CRASH))
        time.sleep(rng.uniform(0.1, longest_life_s))
        studio.kill()
        n_broken += len(studio.broken_outputs())
        n_fusing += studio.status()["counts"].get("fusing", 0)
    studio.start()
    studio.wait(_REST_S)
    time.sleep(2.0)  # would anything be done twice?
    status = studio.stop()
    return {
        "kills": kills,
        "while_fusing_or_writing": n_fusing,
        "brackets": len(studio.expected),
        "broken_files_seen_after_a_kill": n_broken,
        "exit_status_of_sigterm": status,
        "taken_over_whole_after_a_kill": studio.log.count("made before"),
        "faults": studio.faults(),
    }


def slow(
    work: Path, *, frames: int, brackets: int, gap_s: float = 4.0, seed: int = 1
) -> Figures:
    """Copy frames in pieces, out of order, by every way of writing, several at a time.

    The gap has to be longer than the two seconds between captures.
    """
    rng = random.Random(seed)  # noqa: S311
    studio = Studio(work, options=("--gap", str(gap_s), "--settle", "0.5"))
    sizes = _parts(frames, brackets, rng)
    kinds = ("timed", "folder", "bare")
    streams: dict[str, list[Shot]] = {kind: [] for kind in kinds}
    first = dict.fromkeys(kinds, 1)
    for number, size in enumerate(sizes):
        kind = kinds[number % len(kinds)]
        shot = shoot(number, size, kind=kind, first=first[kind])
        first[kind] += size
        streams[kind].append(shot)
        studio.expect(shot)
    pauses = {"bare": 1.5 * gap_s}  # nothing but pauses tells these brackets apart
    studio.start()
    writers = [
        threading.Thread(
            target=_deliver, args=(studio, shots, pauses.get(kind, 0.0), seed + i)
        )
        for i, (kind, shots) in enumerate(streams.items())
    ]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    studio.wait(_REST_S)
    time.sleep(1.5 * gap_s)  # would anything be done twice?
    studio.stop()
    faults = studio.faults()
    wrong = faults["lost"] + faults["mixed"] + faults["more_than_once_or_unexpected"]
    return {
        "frames": frames,
        "brackets": brackets,
        "grouped_right": brackets - wrong,
        "fused_again_for_late_frames": studio.log.count("to be fused again"),
        "faults": faults,
    }


def _parts(total: int, n: int, rng: random.Random) -> list[int]:
    """`n` sizes of at least three that add up to `total`."""
    sizes = [_N_FRAMES_SMALL] * n
    for _ in range(total - _N_FRAMES_SMALL * n):
        sizes[rng.randrange(n)] += 1
    return sizes


def _deliver(studio: Studio, shots: list[Shot], pause_s: float, seed: int) -> None:
    """Write brackets, their frames in any order: two at a time if there is no pause."""
    rng = random.Random(seed)  # noqa: S311
    at_once = 1 if pause_s else 2
    for group in (shots[i : i + at_once] for i in range(0, len(shots), at_once)):
        mixed = [(name, data) for shot in group for name, data in shot.frames.items()]
        rng.shuffle(mixed)
        for name, data in mixed:
            _write(studio, name, data, rng)
        time.sleep(pause_s)


def _write(studio: Studio, name: str, data: bytes, rng: random.Random) -> None:
    how = rng.choice(("plain", "allocated", "renamed", "whole"))
    write_in_pieces(studio.folder / name, data, how, rng, 0.25)


def disk(work: Path, *, whole: bool = True) -> Figures:
    """Full, read-only, forbidden and lost places: said, waited for, gone on with."""
    told: Figures = {"share_away": _share_away(work / "share")}
    if not whole or os.geteuid() != 0:
        return told
    told["full"] = _full(work / "full")
    told["read_only"] = _read_only(work / "read_only")
    told["forbidden"] = _forbidden(work / "forbidden")
    told["unmounted"] = _unmounted(work / "unmounted")
    return told


def _held(studio: Studio, words: str, cure: Callable[[], object]) -> Figures:
    """See that the trouble is told, then that work goes on when it is cured."""
    is_told = studio.wait(_REST_S, lambda: re.search(words, studio.log) is not None)
    cure()
    is_done = studio.wait(_REST_S)
    studio.stop()
    lines = [line for line in studio.log.splitlines() if re.search(words, line)]
    line = lines[0] if lines else ""
    return {
        "told": is_told,
        "line": line[20:],  # without the time
        "goes_on_by_itself": is_done,
        "faults": {
            **studio.faults(),
            "not_told": int(not is_told),
            "did_not_go_on": int(not is_done),
        },
    }


def _patient(work: Path, *prefix: str) -> Studio:
    options = ("--retry", "1", "--longest-retry", "2")
    return Studio(work, options=options, prefix=prefix)


@contextmanager
def _mounted(place: Path, *how: str) -> Iterator[None]:
    place.mkdir(parents=True, exist_ok=True)
    subprocess.run(["mount", *how, str(place)], check=True)  # noqa: S603, S607
    try:
        yield
    finally:
        subprocess.run(["umount", "-l", str(place)], check=False)  # noqa: S603, S607


def _full(work: Path) -> Figures:
    studio = _patient(work)
    with _mounted(studio.results, "-t", "tmpfs", "-o", f"size={_DISK_KIB}k", "none"):
        ballast = studio.results / "ballast"
        with contextlib.suppress(OSError), ballast.open("wb") as file:
            while True:
                file.write(bytes(4096))
        studio.start()
        studio.put(shoot(1, _N_FRAMES_SMALL, kind="folder"))
        return _held(studio, "held, .*no space left on device", ballast.unlink)


def _read_only(work: Path) -> Figures:
    studio = _patient(work)
    with _mounted(studio.results, "-t", "tmpfs", "-o", "size=8m", "none"):
        place = str(studio.results)
        studio.start()
        studio.wait(_REST_S, (studio.results / "index.html").exists)
        subprocess.run(["mount", "-o", "remount,ro", place], check=True)  # noqa: S603, S607
        studio.put(shoot(1, _N_FRAMES_SMALL, kind="folder"))
        return _held(
            studio,
            "held, .*read-only file system",
            lambda: subprocess.run(  # noqa: S603
                ["mount", "-o", "remount,rw", place],  # noqa: S607
                check=True,
            ),
        )


def _forbidden(work: Path) -> Figures:
    """No permission to write results, nor to read a frame: as other users meet it."""
    lame = ("setpriv", "--bounding-set", "-dac_override,-dac_read_search")
    studio = _patient(work, *lame)
    studio.results.mkdir()
    studio.results.chmod(0o500)
    shot = shoot(1, _N_FRAMES_SMALL, kind="folder")
    studio.put(shot)
    frame = studio.folder / next(iter(shot.frames))
    frame.chmod(0)
    studio.start()
    told = studio.wait(
        _REST_S, lambda: "cannot be read (permission denied)" in studio.log
    )
    frame.chmod(0o600)
    words = r"held, .*out: not writable \(permission denied\)"
    held = _held(studio, words, lambda: studio.results.chmod(0o700))
    return {**held, "told": held["told"] and told}


def _unmounted(work: Path) -> Figures:
    """Frames on a share that is unmounted in the middle: its empty place stays."""
    studio, real = _patient(work), work / "real"
    real.mkdir()
    bind = ("--bind", str(real))
    shot = shoot(1, 6, kind="folder")
    studio.expect(shot)
    names = list(shot.frames)
    with _mounted(studio.folder, *bind):
        studio.start()
        for name in names[:3]:
            path = studio.folder / name
            path.parent.mkdir(exist_ok=True)
            path.write_bytes(shot.frames[name])
        studio.wait(_REST_S, lambda: bool(studio.status()["brackets"]))
    words = "is empty all at once"
    is_told = studio.wait(_REST_S, lambda: words in studio.log)
    time.sleep(3.0)
    n_made_meanwhile = len(studio.made())
    with _mounted(studio.folder, *bind):
        for name in names[3:]:
            (studio.folder / name).write_bytes(shot.frames[name])
        told = _held(studio, words, lambda: None)
    told["told"] = is_told
    told["faults"]["made_from_half_a_bracket"] = n_made_meanwhile
    return told


def _share_away(work: Path) -> Figures:
    """Frames and results vanish and come back."""
    studio = _patient(work)
    studio.start()
    studio.wait(_REST_S, (studio.results / "index.html").exists)
    studio.results.rename(work / "elsewhere")
    studio.put(shoot(1, _N_FRAMES_SMALL, kind="folder"))
    told = studio.wait(_REST_S, lambda: "cannot be reached; waiting" in studio.log)
    studio.folder.rename(work / "away")
    told &= studio.wait(_REST_S, lambda: "cannot be read; waiting" in studio.log)
    (work / "elsewhere").rename(studio.results)
    time.sleep(1.0)
    result = _held(
        studio, "cannot be read", lambda: (work / "away").rename(studio.folder)
    )
    return {**result, "told": told}


def soak(work: Path, *, brackets: int) -> Figures:
    """Fuse many small brackets, whose frames are taken away then: does anything grow."""
    studio = Studio(work)
    studio.start()
    samples: list[list[float]] = []
    for number in range(1, brackets + 1):
        shot = shoot(number, 2, kind="folder")
        studio.put(shot)
        if number % _SAMPLE_EVERY == 0 or number == brackets:
            if not studio.wait(_REST_S):
                break
            samples.append([number, *_measured(studio)])
            for name in list(studio.sources):
                (studio.folder / name).unlink(missing_ok=True)
            studio.sources.clear()
    status = studio.stop()
    rows = np.array(samples)
    # At first libraries are loaded, the page fills up, and so does SQLite's cache (2 MB).
    settled = rows[len(rows) // 2 :]
    names = ("watch_kib", "worker_kib", "handles", "zombies", "processes")
    slopes = {
        f"{name}_per_bracket": round(
            float(np.polyfit(settled[:, 0], settled[:, i], 1)[0]), 4
        )
        for i, name in enumerate(names, start=1)
        if len(settled) > 2
    }
    return {
        "brackets": brackets,
        "exit_status_of_sigterm": status,
        "first": dict(zip(names, settled[0, 1:].tolist(), strict=True)),
        "last": dict(zip(names, settled[-1, 1:].tolist(), strict=True)),
        "slopes": slopes,
        "noise_kib": [round(float(v)) for v in settled[:, 1:3].std(axis=0)],
        "watch_kib_every_100": rows[9::10, 1].tolist(),
        "faults": {
            "lost": len(studio.expected.keys() - studio.made()),
            "handles_grown": int(settled[-1, 3] > settled[0, 3] + 2),
            "zombies": int(settled[:, 4].max()),
            "processes_left": studio.n_processes_left(),
        },
    }


def _measured(studio: Studio) -> list[float]:
    """Resident KiB of the watch and its worker, handles, zombies, processes."""
    assert studio.process is not None
    own = studio.process.pid
    family = [p for p in studio.processes() if p != own and not _is_tracker(p)]
    workers = [_status(p) for p in family]
    rss = [int(s.get("VmRSS", "0").split()[0]) for s in workers]
    handles = len(list(Path(f"/proc/{own}/fd").iterdir()))
    children = [
        _status(int(p))
        for p in Path(f"/proc/{own}/task/{own}/children").read_text().split()
    ]
    zombies = sum(s.get("State", "").startswith("Z") for s in children)
    watch = int(_status(own)["VmRSS"].split()[0])
    return [watch, max(rss, default=0), handles, zombies, len(children)]


def _is_tracker(process: int) -> bool:
    with contextlib.suppress(OSError):
        return b"resource_tracker" in Path(f"/proc/{process}/cmdline").read_bytes()
    return True


def _status(process: int) -> dict[str, str]:
    try:
        lines = Path(f"/proc/{process}/status").read_text().splitlines()
    except OSError:
        return {}
    return {key: value.strip() for key, _, value in (x.partition(":") for x in lines)}


def n_faults(figures: Figures) -> int:
    """Sum all that must not have happened."""
    total = sum(int(n) for n in figures.get("faults", {}).values())
    return total + sum(n_faults(v) for v in figures.values() if isinstance(v, dict))


def main(arguments: list[str] | None = None) -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("test", choices=("crash", "slow", "disk", "soak", "all"))
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--frames", type=int, default=500)
    parser.add_argument("--brackets", type=int, help="40 for slow, 1000 for soak")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--work", type=Path, help="empty folder; kept afterwards")
    parser.add_argument("--json", type=Path, help="write the figures here, too")
    args = parser.parse_args(arguments)
    work = args.work or Path(tempfile.mkdtemp(prefix="reliability-"))
    tests: dict[str, Callable[[Path], Figures]] = {
        "crash": lambda place: crash(place, kills=args.kills, seed=args.seed),
        "slow": lambda place: slow(
            place, frames=args.frames, brackets=args.brackets or 40, seed=args.seed
        ),
        "disk": disk,
        "soak": lambda place: soak(place, brackets=args.brackets or 1000),
    }
    chosen = list(tests) if args.test == "all" else [args.test]
    figures = {}
    for name in chosen:
        started_s = time.monotonic()
        figures[name] = tests[name](work / name)
        figures[name]["took_s"] = round(time.monotonic() - started_s)
        print(json.dumps({name: figures[name]}, indent=2), flush=True)
    if args.json:
        args.json.write_text(json.dumps(figures, indent=2) + "\n", "utf-8")
    if args.work is None:
        shutil.rmtree(work, ignore_errors=True)
    return int(n_faults(figures) > 0)


if __name__ == "__main__":
    sys.exit(main())
