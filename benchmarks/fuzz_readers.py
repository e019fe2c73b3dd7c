"""Feed mutated files to the readers and count what comes of it.

Every case is a whole, small file of one kind with a few bytes changed, cut, doubled or
zeroed; case N of a run with the same seed is always the same file. A case passes if it
ends in pixels or in one `FrameReadError`. What may not happen: another exception, a
crash of the process, no end within five seconds, memory far beyond the pixels allowed.

    python benchmarks/fuzz_readers.py --cases 20000
    python benchmarks/fuzz_readers.py --seed 1 --case 4711 --keep /tmp/case.tif

Files live in memory (/dev/shm where there is one). Answers JSON on stdout; exit status 1
if anything happened that may not.
"""

import argparse
import json
import logging
import multiprocessing as mp
import os
import random
import resource
import shutil
import struct
import sys
import tempfile
import time
import traceback
from collections import Counter
from datetime import UTC, datetime
from importlib.util import find_spec
from io import BytesIO
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import tifffile
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from stacker.errors import FrameReadError
from stacker.files import read_metadata, transfer_table
from stacker.files.header import decode, read_header
from stacker.files.metadata import capture_facts
from stacker.files.raw import make_development
from stacker.files.xmp import packet_with_history

HANG_S = 5.0
MAX_PIXELS = 1 << 20
# Address space of a worker beyond what it starts with: far more than MAX_PIXELS of six
# bytes need, far less than what would hurt the machine.
MEMORY_BYTES = 4 << 30
SHAPE = (40, 56, 3)
XMP = (
    b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/'
    b'02/22-rdf-syntax-ns#"><rdf:Description rdf:about=""/></rdf:RDF></x:xmpmeta>'
)
ICC = bytes(imagecodecs.cms_profile("adobergb"))
NOW = datetime(2026, 5, 1, tzinfo=UTC)
INTERESTING = (0, 1, 0x7F, 0x80, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 0x7FFFFFFF, 0xFFFFFFFF)


def make_seeds() -> dict[str, bytes]:
    """Whole files of every kind, some thousand bytes each."""
    rng = np.random.default_rng(3)
    noise = rng.integers(0, 65535, SHAPE, dtype=np.uint16)
    smooth = np.linspace(0, 255, noise.size).reshape(SHAPE).astype(np.uint8)
    exif = Image.Exif()
    exif[271], exif[274] = "Maker", 6
    exif.get_ifd(34665).update({33437: 8.0, 36867: "2026:05:01 10:11:12"})
    exif.get_ifd(34853)[1] = "N"
    seeds: dict[str, bytes] = {}

    def tiff(name: str, pixels: Any, **options: Any) -> None:
        file = BytesIO()
        tags = [(271, 2, 6, b"Maker\0", True), (700, 1, len(XMP), XMP, True)]
        tags.append((33437, 5, 1, struct.pack("<II", 8, 1), True))
        options = {"photometric": "rgb", "iccprofile": ICC, "extratags": tags} | options
        tifffile.imwrite(file, pixels, **options)
        seeds[name] = file.getvalue()

    tiff("none.tif", noise)
    tiff("big-endian.tif", noise, byteorder=">", extratags=())
    tiff("bigtiff.tif", noise, bigtiff=True)
    tiff("tiles.tif", noise, tile=(16, 32))
    planes = np.moveaxis(noise, -1, 0).copy()
    tiff("planar.tif", planes, planarconfig="separate")
    for name in ("zlib", "lzw", "zstd"):
        tiff(f"{name}.tif", noise, compression=name, predictor=True, rowsperstrip=16)
    tiff("zlib-tiles.tif", smooth, compression="zlib", tile=(16, 32))
    tiff("packbits.tif", smooth, compression="packbits")
    tiff("jpegxl.tif", noise, compression="jpegxl", tile=(32, 32))
    tiff("jpeg.tif", smooth, compression="jpeg", rowsperstrip=16)

    if find_spec("rawpy"):
        seeds["bayer.dng"] = make_dng(noise[..., 0])

    def pillow(name: str, kind: str, **options: Any) -> None:
        file = BytesIO()
        Image.fromarray(smooth).save(file, kind, icc_profile=ICC, exif=exif, **options)
        seeds[name] = file.getvalue()

    texts = PngInfo()
    texts.add_itxt("XML:com.adobe.xmp", XMP.decode(), zip=True)
    pillow("eight.png", "png", pnginfo=texts)
    seeds["sixteen.png"] = bytes(imagecodecs.png_encode(noise, level=1))
    pillow("plain.jpg", "jpeg", xmp=XMP, dpi=(300, 300))
    pillow("progressive.jpg", "jpeg", progressive=True)
    return seeds


def make_dng(samples: Any) -> bytes:
    """Write a Bayer mosaic as a DNG (Adobe Digital Negative specification 1.4)."""
    file = BytesIO()
    identity = [n for k in range(9) for n in (10_000 * (k % 4 == 0), 10_000)]
    tags = [
        (271, 2, 0, "Maker", True),
        (33421, 3, 2, (2, 2), True),  # CFARepeatPatternDim
        (33422, 1, 4, bytes([0, 1, 1, 2]), True),  # CFAPattern
        (50706, 1, 4, bytes([1, 4, 0, 0]), True),  # DNGVersion
        (50708, 2, 0, "Maker Model", True),  # UniqueCameraModel
        (50714, 3, 1, 512, True),  # BlackLevel
        (50717, 4, 1, 65535, True),  # WhiteLevel
        (50721, 10, 9, tuple(identity), True),  # ColorMatrix1
        (50728, 5, 3, (1, 2, 1, 1, 2, 3), True),  # AsShotNeutral
    ]
    tifffile.imwrite(file, samples, photometric="cfa", metadata=None, extratags=tags)
    return file.getvalue()


def mutate(seed: int, case: int, seeds: dict[str, bytes]) -> tuple[str, bytes]:
    """Name and bytes of a case."""
    rng = random.Random(f"{seed}/{case}")  # noqa: S311
    name = rng.choice(sorted(seeds))
    data = bytearray(seeds[name])
    for _ in range(rng.choice((1, 1, 1, 2, 3, 5, 8, 16))):
        if not data:
            break
        # Half of the changes hit the beginning, where most structure is.
        reach = len(data) if rng.random() < 0.5 else min(len(data), 600)
        at = rng.randrange(reach)
        how = rng.randrange(8)
        if how <= 1:
            data[at] = rng.randrange(256)
        elif how == 2:
            data[at] ^= 1 << rng.randrange(8)
        elif how <= 4:
            size = rng.choice((1, 2, 4, 8))
            value = rng.choice(INTERESTING) & ((1 << 8 * size) - 1)
            data[at : at + size] = value.to_bytes(size, rng.choice(("little", "big")))
        elif how == 5:
            del data[at : at + rng.choice((1, 2, 4, 64, 100_000))]
        elif how == 6:
            size = rng.choice((1, 4, 64))
            data[at:at] = data[at : at + size]
        else:
            end = len(data) if rng.random() < 0.5 else at + rng.choice((4, 64))
            end = min(end, len(data))
            data[at:end] = bytes(end - at)
    return name, bytes(data)


def read_everything(path: Path) -> str:
    """Do all that is done with a frame's file; the answer is the outcome's name."""
    try:
        metadata = read_metadata(path)
        capture_facts(metadata)
        if metadata.icc_profile not in (None, ICC):  # what is whole is known to pass
            transfer_table(metadata.icc_profile, 3)
        if metadata.xmp not in (None, XMP):
            packet_with_history(
                metadata.xmp, software="s", parameters="p", when=NOW, strip_gps=True
            )
        header = read_header(path, max_pixels=MAX_PIXELS)
        development = None
        if header.raw is not None:
            development = make_development(
                header.raw, white_balance="camera", raw_profile="srgb"
            )
        decode(header, threads=1, development=development)
    except FrameReadError as err:
        if "\n" in str(err) or not str(err).startswith(str(path)):
            return "not-one-line"
        return "memory" if "not enough memory" in err.reason else "refused"
    return "read"


def work(seed: int, cases: range, beat: Any, answers: Any) -> None:
    """Run cases in this process, telling which one is at hand."""
    room = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 + MEMORY_BYTES
    resource.setrlimit(resource.RLIMIT_AS, (room, room))
    seeds = make_seeds()
    shm = "/dev/shm" if Path("/dev/shm").is_dir() else None  # noqa: S108
    folder = Path(tempfile.mkdtemp(dir=shm))
    counts: Counter[str] = Counter()
    bad: list[dict[str, Any]] = []
    slowest = (0.0, -1)
    try:
        for case in cases:
            beat[0], beat[1] = case, time.monotonic()
            name, data = mutate(seed, case, seeds)
            path = folder / name
            path.write_bytes(data)
            begun = time.monotonic()
            try:
                outcome = read_everything(path)
            except Exception:  # noqa: BLE001 - what this script looks for
                outcome = "escaped"
                bad.append(
                    {"case": case, "file": name, "error": traceback.format_exc()}
                )
            slowest = max(slowest, (time.monotonic() - begun, case))
            if outcome == "not-one-line":
                bad.append({"case": case, "file": name, "error": outcome})
            counts[f"{Path(name).suffix[1:]} {outcome}"] += 1
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    answers.put((dict(counts), bad, slowest, peak))


def run(seed: int, first: int, n_cases: int, workers: int) -> dict[str, Any]:
    """Run all cases over several processes, replacing those that die or hang."""
    os.environ.setdefault("OMP_NUM_THREADS", "1")  # LibRaw's threads wait busily
    context = mp.get_context("spawn")
    counts: Counter[str] = Counter()
    bad: list[dict[str, Any]] = []
    slowest, peak = (0.0, -1), 0
    step = max(1, min(20_000, -(-n_cases // workers)))
    todo = [
        range(a, min(a + step, first + n_cases))
        for a in range(first, first + n_cases, step)
    ]
    live: list[tuple[Any, Any, Any, range]] = []
    begun = time.monotonic()
    while todo or live:
        while todo and len(live) < workers:
            cases = todo.pop()
            beat = context.Array("d", [float(cases.start), time.monotonic() + 60])
            answers = context.Queue()
            process = context.Process(target=work, args=(seed, cases, beat, answers))
            process.start()
            live.append((process, beat, answers, cases))
        time.sleep(0.05)
        for item in list(live):
            process, beat, answers, cases = item
            is_hung = time.monotonic() - beat[1] > HANG_S
            if not answers.empty():
                more, worse, slow, rss = answers.get()
                counts.update(more)
                bad.extend(worse)
                slowest, peak = max(slowest, slow), max(peak, rss)
                process.join()
                live.remove(item)
            elif is_hung or not process.is_alive():
                process.kill()
                process.join()
                case = int(beat[0])
                what = "hang" if is_hung else f"crash {process.exitcode}"
                bad.append({"case": case, "error": what})
                counts[what] += 1
                # What came before it in this range is run again: it is not counted yet.
                todo.extend([range(cases.start, case), range(case + 1, cases.stop)])
                todo = [r for r in todo if r]
                live.remove(item)
    return {
        "seed": seed,
        "cases": n_cases,
        "seconds": round(time.monotonic() - begun, 1),
        "outcomes": dict(sorted(counts.items())),
        "slowest_s": round(slowest[0], 3),
        "slowest_case": slowest[1],
        "peak_memory_bytes": peak,
        "bad": bad[:50],
        "n_bad": len(bad),
        "versions": {m.__name__: m.__version__ for m in (tifffile, imagecodecs, np)},
    }


logging.getLogger("stacker").addHandler(logging.NullHandler())


def main() -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--cases", type=int, default=2000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument(
        "--case", type=int, help="run this one here, with its traceback"
    )
    parser.add_argument("--keep", type=Path, help="with --case: write its file here")
    options = parser.parse_args()
    if options.case is not None:
        name, data = mutate(options.seed, options.case, make_seeds())
        path = options.keep or Path(tempfile.gettempdir()) / name
        path.write_bytes(data)
        print(name, read_everything(path))
        return 0
    answer = run(options.seed, options.first, options.cases, options.workers)
    print(json.dumps(answer, indent=1))
    return 1 if answer["n_bad"] else 0


if __name__ == "__main__":
    sys.exit(main())
