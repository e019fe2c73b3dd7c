"""Samples of files where they lie in the system's cache, instead of copies of them.

Copying a frame of 100 megapixels out of that cache takes as long as measuring it. The
danger of a map is that the system ends a process which touches what is no longer in the
file (SIGBUS): somebody writes it anew, a network drive goes away. Here a handler puts
zeros there instead and notes it, and `FileMaps.check` tells who asked for the frame.

Only on Linux with 64 bits, for which the handler is written; elsewhere nothing is mapped.
"""

import ctypes
import hashlib
import math
import mmap
import signal
import sys
import threading
from pathlib import Path
from typing import Any, BinaryIO, Self, cast

import numpy as np
import numpy.typing as npt
from llvmlite import binding, ir

from stacker.errors import FrameReadError

__all__ = ["FileMaps", "sha256_of_file"]

# Maps alive at the same time; a file beyond them is read.
_N_SLOTS = 512
# Of each: first byte, byte after the last, whether the handler was needed.
_FIELDS = 3
_PIECE_BYTES = (
    32 << 20
)  # hashed at a time: what is mapped counts as the process's memory

_HAS_HANDLER = sys.platform == "linux" and sys.maxsize > 2**32
_FIXED = 0x10  # MAP_FIXED of <linux/mman.h>, which Python does not name
_RIGHTS = mmap.PROT_READ | mmap.PROT_WRITE if _HAS_HANDLER else 0
_ZEROS = mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS | _FIXED if _HAS_HANDLER else 0
_SIGINFO, _RESTART = 0x4, 0x10000000  # SA_SIGINFO, SA_RESTART
_ADDRESS_AT = 2  # si_addr in siginfo_t, in units of 8 bytes


class _SigAction(ctypes.Structure):
    """Glibc's and musl's ``struct sigaction``."""

    _fields_ = (
        ("handler", ctypes.c_void_p),
        ("mask", ctypes.c_ubyte * 128),
        ("flags", ctypes.c_int),
        ("restorer", ctypes.c_void_p),
    )


class _Guard:
    """What is mapped, and the handler that looks there when a page cannot be had."""

    def __init__(self) -> None:
        self.table = (ctypes.c_int64 * (_FIELDS * _N_SLOTS))()
        self.free = list(range(_N_SLOTS))
        self._lock = threading.Lock()
        self._before = _SigAction()
        self._libc = ctypes.CDLL(None, use_errno=True)
        code = _handler_code(
            ctypes.addressof(self.table), ctypes.addressof(self._before)
        )
        self._engine, address = _compiled(code)
        self._ours = _SigAction(handler=address, flags=_SIGINFO | _RESTART)

    def install(self) -> None:
        """Take the signal, where somebody else has it."""
        with self._lock:
            now = _SigAction()
            self._libc.sigaction(signal.SIGBUS, None, ctypes.byref(now))
            if now.handler == self._ours.handler:
                return
            # Whoever had it gets what is not ours, first hand.
            ctypes.memmove(
                ctypes.byref(self._before), ctypes.byref(now), ctypes.sizeof(now)
            )
            self._libc.sigaction(signal.SIGBUS, ctypes.byref(self._ours), None)


def _handler_code(table_at: int, before_at: int) -> str:
    """Write the handler for LLVM: no line of Python may run within a signal like this.

    In C::

        void handler(int number, siginfo_t *info, void *context) {
            for (int k = 0; k < N_SLOTS; k++) {
                if (table[k].first <= info->si_addr && info->si_addr < table[k].end) {
                    page = info->si_addr & -page_size;
                    mmap(page, table[k].end - page, ...);  // zeros
                    table[k].hit = 1;
                    return;  // and the access is tried again
                }
            }
            sigaction(number, before, NULL);
        }
    """
    word, number = ir.IntType(64), ir.IntType(32)
    pointer = word.as_pointer()

    def constant(value: int) -> ir.Constant:
        return ir.Constant(word, value)

    module = ir.Module()
    kind = ir.FunctionType(ir.VoidType(), [number, pointer, pointer])
    handler = ir.Function(module, kind, "handler")
    # Found in the C library by their names.
    kind = ir.FunctionType(pointer, [word, word, number, number, number, word])
    zeros = ir.Function(module, kind, "mmap")
    kind = ir.FunctionType(number, [number, pointer, pointer])
    restore = ir.Function(module, kind, "sigaction")
    start, loop, test, found, further, foreign = (
        handler.append_basic_block(name)
        for name in ("start", "loop", "test", "found", "further", "foreign")
    )
    table = constant(table_at).inttoptr(pointer)

    build = ir.IRBuilder(start)
    address = build.load(build.gep(handler.args[1], [constant(_ADDRESS_AT)]))
    build.branch(loop)

    build.position_at_end(loop)
    at = build.phi(word)
    at.add_incoming(constant(0), start)
    begin = build.load(build.gep(table, [at]))
    end = build.load(build.gep(table, [build.add(at, constant(1))]))
    build.cbranch(build.icmp_signed("<=", begin, address), test, further)

    build.position_at_end(test)
    build.cbranch(build.icmp_signed("<", address, end), found, further)

    build.position_at_end(found)
    page = build.and_(address, constant(-mmap.PAGESIZE))
    options = [ir.Constant(number, value) for value in (_RIGHTS, _ZEROS, -1)]
    build.call(zeros, [page, build.sub(end, page), *options, constant(0)])
    build.store(constant(1), build.gep(table, [build.add(at, constant(2))]))
    build.ret_void()

    build.position_at_end(further)
    after = build.add(at, constant(_FIELDS))
    at.add_incoming(after, further)
    is_over = build.icmp_signed(">=", after, constant(_FIELDS * _N_SLOTS))
    build.cbranch(is_over, foreign, loop)

    build.position_at_end(foreign)
    before = constant(before_at).inttoptr(pointer)
    build.call(restore, [handler.args[0], before, constant(0).inttoptr(pointer)])
    build.ret_void()
    return str(module)


def _compiled(code: str) -> tuple[Any, int]:
    """Compile a handler: what keeps it alive, and its address."""
    binding.initialize_native_target()
    binding.initialize_native_asmprinter()
    module = binding.parse_assembly(code)
    module.verify()
    machine = binding.Target.from_default_triple().create_target_machine()
    engine = binding.create_mcjit_compiler(module, machine)
    engine.finalize_object()
    return engine, engine.get_function_address("handler")


_guard: _Guard | None = None
_making = threading.Lock()


def _guarded() -> _Guard:
    """Return the one guard of this process, with its handler in place."""
    global _guard  # noqa: PLW0603  a process has one handler
    with _making:
        if _guard is None:
            _guard = _Guard()
    _guard.install()
    return _guard


class _Map(mmap.mmap):
    """A map in the guard's table for as long as it lives."""

    _owner: "FileMaps | None" = None
    _slot: int

    def enter(self, owner: "FileMaps", guard: _Guard, slot: int) -> Self:
        begin = ctypes.addressof(ctypes.c_char.from_buffer(self))
        table = guard.table
        table[_FIELDS * slot] = begin
        table[_FIELDS * slot + 1] = begin + len(self)  # last: nothing lies before 0
        self._owner, self._slot = owner, slot
        return self

    def __del__(self) -> None:
        if self._owner is not None:
            self._owner._leave(self._slot)


class FileMaps:
    """Maps of parts of files, and what became of them."""

    def __init__(self) -> None:
        self._names: dict[int, str] = {}
        self._lost: list[str] = []

    def samples(
        self,
        file: BinaryIO,
        name: str,
        offset: int,
        shape: tuple[int, ...],
        dtype: npt.DTypeLike,
        *,
        is_ahead: bool = True,
    ) -> npt.NDArray[Any] | None:
        """Map samples of an open file.

        Parameters
        ----------
        file : file
            May be closed afterwards.
        name : str
            Whom `check` names.
        offset : int
            Of the first sample's first byte.
        shape, dtype
            Of the array.
        is_ahead : bool
            All of it will be looked at: the system reads it into its cache.

        Returns
        -------
        array or None
            C-contiguous. What is written to it does not reach the file. None where
            nothing can be mapped: the caller reads.
        """
        kind = np.dtype(dtype)
        n_bytes = math.prod(shape) * kind.itemsize
        # Kernels are compiled for aligned samples.
        if not _HAS_HANDLER or offset % kind.itemsize or not n_bytes:
            return None
        guard = _guarded()
        before = offset % mmap.ALLOCATIONGRANULARITY
        try:
            slot = guard.free.pop()
        except IndexError:
            return None
        try:
            mapped = _Map(
                file.fileno(),
                before + n_bytes,
                flags=mmap.MAP_PRIVATE,
                prot=_RIGHTS,
                offset=offset - before,
            )
        except (OSError, ValueError):  # no such thing there; a file that is cut off
            guard.free.append(slot)
            return None
        self._names[slot] = name
        mapped.enter(self, guard, slot)
        if is_ahead:
            mapped.madvise(mmap.MADV_WILLNEED)
        flat = np.frombuffer(mapped, np.uint8, count=n_bytes, offset=before)
        return cast("npt.NDArray[Any]", flat.view(kind).reshape(shape))

    def check(self) -> None:
        """Say so if a file was no longer all there when its samples were looked at.

        Raises
        ------
        FrameReadError
            It was; what has been made of its samples is wrong.
        """
        # A copy: frames come and go in other threads.
        alive = list(self._names.items())
        table = _guarded().table if alive else ()
        gone = [name for slot, name in alive if table[_FIELDS * slot + 2]]
        gone += self._lost
        if gone:
            raise FrameReadError(
                gone[0],
                "has been cut off, or is out of reach, since it was opened: "
                "copy it again",
            )

    def _leave(self, slot: int) -> None:
        """Note what became of a map that nobody holds any more."""
        guard = _guard
        if guard is None:
            return
        at = _FIELDS * slot
        if guard.table[at + 2]:
            self._lost.append(self._names[slot])
        del self._names[slot]
        guard.table[at + 1] = guard.table[at + 2] = guard.table[at] = 0
        guard.free.append(slot)


def sha256_of_file(path: Path) -> str | None:
    """SHA-256 of a file in hex; None where it cannot be read, or not to its end."""
    digest = hashlib.sha256()
    maps = FileMaps()
    try:
        with path.open("rb", buffering=0) as file:
            left, at = file.seek(0, 2), 0
            while left > at:
                n = min(_PIECE_BYTES, left - at)
                piece = maps.samples(file, str(path), at, (n,), np.uint8)
                if piece is None:
                    file.seek(0)
                    return hashlib.file_digest(file, "sha256").hexdigest()
                digest.update(piece.data)
                at += n
        maps.check()
    except (OSError, FrameReadError):
        return None
    return digest.hexdigest()
