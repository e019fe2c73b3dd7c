"""Everything that knows a file format: finding, reading, colour, metadata, writing.

The names below come from the modules of this room when they are first used, so that
importing the room costs nothing.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from stacker.files.carry import Merge
    from stacker.files.colour import Transfer, to_srgb8, transfer_table
    from stacker.files.find import find_frames, list_frames
    from stacker.files.mapping import sha256_of_file
    from stacker.files.metadata import Metadata, read_metadata
    from stacker.files.results import Results
    from stacker.files.source import FileSource

__all__ = [
    "FileSource",
    "Merge",
    "Metadata",
    "Results",
    "Transfer",
    "find_frames",
    "list_frames",
    "read_metadata",
    "sha256_of_file",
    "to_srgb8",
    "transfer_table",
]

_HOMES = {
    "FileSource": "source",
    "Merge": "carry",
    "Metadata": "metadata",
    "Results": "results",
    "Transfer": "colour",
    "find_frames": "find",
    "list_frames": "find",
    "read_metadata": "metadata",
    "sha256_of_file": "mapping",
    "to_srgb8": "colour",
    "transfer_table": "colour",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        msg = f"module {__name__!r} has no attribute {name!r}"
        raise AttributeError(msg)
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
