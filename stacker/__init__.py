"""Focus brackets of large still lifes, fused at full resolution and bit depth.

Three faces: files (`fuse_bracket`), arrays (`fuse_frames`, and `fuse_source` for frames
that come one at a time), and the single stages in the modules of this package. Names
below are loaded when first used, so that ``import stacker`` costs nothing.
"""

import logging
from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from stacker.compute import fuse_frames, fuse_source
    from stacker.errors import (
        AlignmentError,
        BracketError,
        FrameReadError,
        InputError,
        MemoryLimitError,
        OutputError,
        OutputExistsError,
        StackerError,
        StackerWarning,
    )
    from stacker.events import Event
    from stacker.frame import (
        ArraySource,
        Box,
        Finding,
        FrameInfo,
        FrameRecord,
        FrameSource,
        FusionResult,
    )
    from stacker.handoff.opened import OpenedResult, open_result
    from stacker.handoff.patching import patch, undo_patch
    from stacker.pipeline import FusionReport, fuse_bracket
    from stacker.remake import fuse_from_report
    from stacker.settings import AlignSettings, FuseSettings, ReadSettings

# A library says nothing on its own: programs that use it decide where its log goes.
logging.getLogger(__name__).addHandler(logging.NullHandler())

__all__ = [
    "AlignSettings",
    "AlignmentError",
    "ArraySource",
    "Box",
    "BracketError",
    "Event",
    "Finding",
    "FrameInfo",
    "FrameReadError",
    "FrameRecord",
    "FrameSource",
    "FuseSettings",
    "FusionReport",
    "FusionResult",
    "InputError",
    "MemoryLimitError",
    "OpenedResult",
    "OutputError",
    "OutputExistsError",
    "ReadSettings",
    "StackerError",
    "StackerWarning",
    "__version__",
    "fuse_bracket",
    "fuse_frames",
    "fuse_from_report",
    "fuse_source",
    "open_result",
    "patch",
    "undo_patch",
]

_HOMES = {
    "AlignSettings": "settings",
    "AlignmentError": "errors",
    "ArraySource": "frame",
    "Box": "frame",
    "BracketError": "errors",
    "Event": "events",
    "Finding": "frame",
    "FrameInfo": "frame",
    "FrameReadError": "errors",
    "FrameRecord": "frame",
    "FrameSource": "frame",
    "FuseSettings": "settings",
    "FusionReport": "pipeline",
    "FusionResult": "frame",
    "InputError": "errors",
    "MemoryLimitError": "errors",
    "OpenedResult": "handoff.opened",
    "OutputError": "errors",
    "OutputExistsError": "errors",
    "ReadSettings": "settings",
    "StackerError": "errors",
    "StackerWarning": "errors",
    "fuse_bracket": "pipeline",
    "fuse_frames": "compute",
    "fuse_from_report": "remake",
    "fuse_source": "compute",
    "open_result": "handoff.opened",
    "patch": "handoff.patching",
    "undo_patch": "handoff.patching",
}
__version__: str


def __getattr__(name: str) -> Any:
    if name == "__version__":
        return import_module("importlib.metadata").version("stacker")
    if name not in _HOMES:
        msg = f"module {__name__!r} has no attribute {name!r}"
        raise AttributeError(msg)
    return getattr(import_module(f"stacker.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return __all__
