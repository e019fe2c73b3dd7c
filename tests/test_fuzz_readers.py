"""The fuzzing benchmark itself: cases can be made again, nothing bad is let through."""

import resource
from collections import Counter
from typing import Any

from benchmarks import fuzz_readers


def outcomes(folder, n_cases):
    seeds = fuzz_readers.make_seeds()
    counts: Counter[str] = Counter()
    for case in range(n_cases):
        name, data = fuzz_readers.mutate(5, case, seeds)
        path = folder / name
        path.write_bytes(data)
        counts[fuzz_readers.read_everything(path)] += 1
    return counts


def test_a_case_is_the_same_every_time():
    seeds = fuzz_readers.make_seeds()
    assert fuzz_readers.mutate(1, 7, seeds) == fuzz_readers.mutate(1, 7, seeds)
    assert fuzz_readers.mutate(1, 7, seeds) != fuzz_readers.mutate(2, 7, seeds)


def test_whole_files_are_read(tmp_path):
    for name, data in fuzz_readers.make_seeds().items():
        (tmp_path / name).write_bytes(data)
        assert fuzz_readers.read_everything(tmp_path / name) == "read", name


def test_mutated_files_are_read_or_refused(tmp_path):
    counts = outcomes(tmp_path, 400)
    assert set(counts) == {"read", "refused"}


def test_an_error_that_escapes_is_noticed(tmp_path, monkeypatch):
    def broken(*_args, **_options):
        raise RuntimeError

    monkeypatch.setattr(resource, "setrlimit", lambda *_: None)  # not for this process
    monkeypatch.setattr(fuzz_readers, "read_header", broken)
    answers = Answers()
    fuzz_readers.work(1, range(30), [0.0, 0.0], answers)
    counts, bad, _, _ = answers.item
    assert any(name.endswith("escaped") for name in counts)
    assert "RuntimeError" in bad[0]["error"]


class Answers:
    item: tuple[Any, ...] = ()

    def put(self, item):
        self.item = item
