"""What the master says about itself: the reference frame's metadata, made true again.

Pure: from one `Metadata` to another, no file is touched.
"""

from dataclasses import dataclass, replace
from datetime import datetime

from stacker.files.ifd import LONG, SHORT, Entry, ascii_entry, number_entry
from stacker.files.metadata import Metadata
from stacker.files.xmp import packet_with_history

__all__ = ["Merge", "carried"]

# TIFF 6.0 and Exif 3.0.
_ORIENTATION, _SOFTWARE, _DATE_TIME, _UPRIGHT = 274, 305, 306, 1
_PIXEL_X, _PIXEL_Y = 40962, 40963
# How a JPEG was coded: ComponentsConfiguration, CompressedBitsPerPixel (Exif 3.0).
_OF_JPEG_CODING = (37121, 37122)
# tifffile's own note of the array's shape, where a caption would be.
_DESCRIPTION, _SHAPE_NOTE = 270, b'{"shape": ['

_MAX_NAMES = 100  # of frames in the history; a number tells the rest


@dataclass(frozen=True, slots=True, kw_only=True)
class Merge:
    """How a master was made, for its history.

    Attributes
    ----------
    frames : tuple of str
        The frames used, in depth order, as they were named.
    software : str
        Name and version, e.g. "stacker 0.1.0".
    settings_digest : str
        Fingerprint of the settings, as in the report.
    when : datetime
        With its offset from UTC.
    """

    frames: tuple[str, ...]
    software: str
    settings_digest: str
    when: datetime

    def in_words(self) -> str:
        """Describe the merge on one line."""
        names = ", ".join(self.frames[:_MAX_NAMES])
        if len(self.frames) > _MAX_NAMES:
            names += ", ..."
        return (
            f"focus bracket of {len(self.frames)} frames fused: {names}; "
            f"settings {self.settings_digest}"
        )


def carried(
    metadata: Metadata, merge: Merge, *, height: int, width: int, strip_gps: bool
) -> Metadata:
    """Give the metadata of a master made from the frame that `metadata` comes from.

    Parameters
    ----------
    metadata : Metadata
        Of the reference frame.
    merge : Merge
        Goes into the XMP history, its software and time also into the plain tags.
    height, width : int
        Of the master.
    strip_gps : bool
        Leave out the place of capture.

    Returns
    -------
    Metadata
        Upright, with the right size; title, creator, rights and capture data as they
        were; the profile byte for byte.
    """
    replaced = {_SOFTWARE, _DATE_TIME, _ORIENTATION}
    main = (
        *(e for e in metadata.main if e.code not in replaced and not _is_shape_note(e)),
        ascii_entry(_SOFTWARE, merge.software),
        ascii_entry(_DATE_TIME, f"{merge.when:%Y:%m:%d %H:%M:%S}"),
        number_entry(_ORIENTATION, SHORT, _UPRIGHT),
    )
    dropped = {_PIXEL_X, _PIXEL_Y, *_OF_JPEG_CODING}
    exif: tuple[Entry, ...] = ()
    if metadata.exif:
        exif = (
            *(e for e in metadata.exif if e.code not in dropped),
            number_entry(_PIXEL_X, LONG, width),
            number_entry(_PIXEL_Y, LONG, height),
        )
    packet = packet_with_history(
        metadata.xmp,
        software=merge.software,
        parameters=merge.in_words(),
        when=merge.when,
        strip_gps=strip_gps,
    )
    return replace(
        metadata,
        main=main,
        exif=exif,
        gps=() if strip_gps else metadata.gps,
        xmp=packet,
        orientation=_UPRIGHT,
    )


def _is_shape_note(entry: Entry) -> bool:
    return entry.code == _DESCRIPTION and entry.data.startswith(_SHAPE_NOTE)
