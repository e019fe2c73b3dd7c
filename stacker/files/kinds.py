"""Which files are frames: by name when a folder is listed, by content when one is read.

The content decides how a file is read, so that a JPEG named ".tif" still opens; only raw files, which have no signature in
common, go by their suffix.
"""

from os import PathLike, fspath
from pathlib import Path
from typing import Literal, TypeAlias

__all__ = [
    "FRAME_SUFFIXES",
    "RAW_SUFFIXES",
    "SIGNATURE_BYTES",
    "Kind",
    "is_frame_name",
    "kind_of",
]

Kind: TypeAlias = Literal["tiff", "png", "jpeg", "raw"]

# Suffixes of camera raw files that LibRaw lists as supported.
RAW_SUFFIXES: tuple[str, ...] = (
    ".3fr", ".arw", ".cr2", ".cr3", ".crw", ".dcr", ".dng", ".erf", ".fff", ".iiq",
    ".kdc", ".mef", ".mos", ".mrw", ".nef", ".nrw", ".orf", ".pef", ".raf", ".raw",
    ".rw2", ".rwl", ".srw", ".x3f",
)  # fmt: skip

FRAME_SUFFIXES: dict[str, Kind] = {
    ".tif": "tiff",
    ".tiff": "tiff",
    ".png": "png",
    ".jpg": "jpeg",
    ".jpeg": "jpeg",
    **dict.fromkeys(RAW_SUFFIXES, "raw"),
}

# First bytes of each kind: TIFF 6.0 (classic) and the BigTIFF design (43) in both byte
# orders, PNG (ISO/IEC 15948, 5.2), JPEG (ITU-T T.81: SOI and the next marker's FF).
_SIGNATURES: tuple[tuple[bytes, Kind], ...] = (
    (b"II*\0", "tiff"),
    (b"MM\0*", "tiff"),
    (b"II+\0", "tiff"),
    (b"MM\0+", "tiff"),
    (b"\x89PNG\r\n\x1a\n", "png"),
    (b"\xff\xd8\xff", "jpeg"),
)
SIGNATURE_BYTES = max(len(signature) for signature, _ in _SIGNATURES)

# Names of files that are still being copied or belong to somebody's editor.
_UNFINISHED_SUFFIXES = (".tmp", ".part", ".partial", ".crdownload")
_HIDDEN_PREFIXES = (".", "~$")


def is_frame_name(name: str | PathLike[str]) -> bool:
    """Tell whether a file of this name in a folder is taken as a frame.

    Examples
    --------
    >>> is_frame_name("a_01.TIF"), is_frame_name("._a_01.tif"), is_frame_name("a.txt")
    (True, False, False)
    """
    path = Path(fspath(name))
    if path.name.startswith(_HIDDEN_PREFIXES):
        return False
    if path.name.lower().endswith(_UNFINISHED_SUFFIXES):
        return False
    return path.suffix.lower() in FRAME_SUFFIXES


def kind_of(first_bytes: bytes) -> Kind | None:
    r"""Name the kind of file that begins with `first_bytes`; None if it is none of ours.

    Examples
    --------
    >>> kind_of(b"II*\0") , kind_of(b"GIF8")
    ('tiff', None)
    """
    for signature, kind in _SIGNATURES:
        if first_bytes.startswith(signature):
            return kind
    return None
