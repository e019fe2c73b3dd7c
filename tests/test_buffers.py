"""Memory and threads that are kept: used again, but only where nobody else is.

Memory of decoded frames must not be overwritten while somebody holds a frame; threads of
kernels must not be waited for in a process that was forked off.
"""

import os
import subprocess
import sys

import numpy as np
import pytest
import tifffile

from stacker.buffers import FrameMemory
from stacker.files import FileSource
from stacker.frame import Box


def address(array):
    return array.__array_interface__["data"][0]


def test_memory_is_used_again_once_nobody_holds_it():
    memory = FrameMemory()
    first = memory.empty((40, 50, 3), np.uint16)
    row = first[7]
    row[:] = 123
    place = address(first)
    del first
    # A part of the frame is still held.
    other = memory.empty((40, 50, 3), np.uint16)
    other[:] = 9
    assert address(other) != place
    assert (row == 123).all()
    del row
    again = memory.empty((39, 50, 3), np.uint16)
    assert address(again) == place
    assert again.flags.c_contiguous


def test_what_does_not_fit_or_is_given_back_is_let_go():
    memory = FrameMemory()
    memory.empty((400, 500), np.uint16)
    memory.empty((4, 5), np.uint8)
    assert sum(block.size for block in memory._blocks) < 100
    held = memory.empty((400, 500), np.uint16)
    memory.rest()
    assert len(memory._blocks) == 1
    del held
    memory.rest()
    assert not memory._blocks


def test_frames_of_files_stay_what_they_are(tmp_path):
    rng = np.random.default_rng(4)
    frames = [rng.integers(0, 65535, (31, 47, 3), np.uint16) for _ in range(5)]
    paths = [tmp_path / f"{k}.tif" for k in range(5)]
    for k, (path, frame) in enumerate(zip(paths, frames, strict=True)):
        packing = "zlib" if k % 2 else None
        tifffile.imwrite(path, frame, photometric="rgb", compression=packing)
    source = FileSource(paths)
    box = Box(row=3, column=0, height=9, width=47)
    kept = [(source.read(k), source.read_window(k, box)) for k in range(5)]
    for k in range(5):
        source.read(k)
    for frame, (whole, part) in zip(frames, kept, strict=True):
        np.testing.assert_array_equal(whole, frame)
        np.testing.assert_array_equal(part, frame[3:12])


def test_blocks_kept_do_not_grow_in_number():
    memory = FrameMemory()
    ahead = memory.empty((40, 50), np.uint16)
    for k in range(9):
        frame, ahead = ahead, memory.empty((40, 50), np.uint16)
        frame[:], ahead[:] = k, k + 1
        assert (frame == k).all()
    assert len(memory._blocks) <= 3


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork")
def test_a_forked_process_has_threads_of_its_own():
    script = """
import os, signal
from stacker._kernels import run_strips
run_strips(8, 2, lambda a, b: None)
child = os.fork()
if not child:
    signal.alarm(20)
    run_strips(8, 2, lambda a, b: None)
    os._exit(0)
raise SystemExit(os.waitpid(child, 0)[1])
"""
    command = [sys.executable, "-W", "ignore", "-c", script]
    assert subprocess.run(command, check=False).returncode == 0
