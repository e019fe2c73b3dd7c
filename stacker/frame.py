"""Value objects: what is known of a frame, of a bracket, and of a finished fusion.

No file is opened and nothing is computed here; these are the shapes that the rooms
above hand to each other.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal, Protocol, TypeAlias, cast

import numpy as np
import numpy.typing as npt

from stacker.errors import BracketError, InputError

__all__ = [
    "ArraySource",
    "Box",
    "Finding",
    "FrameInfo",
    "FrameRecord",
    "FrameSource",
    "FusionResult",
    "ImageF32",
    "Matrix3x3",
    "Pixels",
    "Severity",
    "TransferTable",
]

Pixels: TypeAlias = npt.NDArray[np.uint8] | npt.NDArray[np.uint16]
"""(H, W) or (H, W, 3), as decoded from the file: uint8 or uint16, encoded values."""
ImageF32: TypeAlias = npt.NDArray[np.float32]
Matrix3x3: TypeAlias = npt.NDArray[np.float64]
"""3x3, maps homogeneous (x, y, 1) pixel coordinates; pixel centres at whole numbers."""
TransferTable: TypeAlias = npt.NDArray[np.float32]
"""(C, 65536) float32: linear light 0..1 for each 16-bit code; C = 1 (grey) or 3."""
Severity: TypeAlias = Literal["note", "look", "reshoot"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """A region of a picture, in pixels of the master.

    Attributes
    ----------
    row, column : int
        Top-left pixel.
    height, width : int
        Size, at least 1.
    """

    row: int
    column: int
    height: int
    width: int

    def cut(self, whole: Pixels) -> Pixels:
        """Cut the region out of a picture that holds it; C-contiguous."""
        rows = slice(self.row, self.row + self.height)
        part = whole[rows, self.column : self.column + self.width]
        return cast("Pixels", np.ascontiguousarray(part))


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameInfo:
    """What a frame's header says, without decoding its pixels.

    Attributes
    ----------
    name : str
        The frame as the user named it: a path as given, or "frame 3" for an array.
    height, width : int
        Size in pixels *after* the Orientation tag has been applied.
    n_channels : int
        1 (grey) or 3 (RGB); alpha is not counted.
    bit_depth : int
        8 or 16.
    icc_profile : bytes or None
        The embedded ICC profile, byte for byte.
    captured : datetime or None
        Time of capture, sub-seconds and offset included where the file has them.
    focal_length_mm, f_number, exposure_s, iso, focus_distance_mm : float or None
        None where the file does not say.
    notes : tuple of str
        What reading this file leaves out or assumes ("alpha channel ignored"), in words.
    """

    name: str
    height: int
    width: int
    n_channels: int
    bit_depth: int
    icc_profile: bytes | None = field(default=None, repr=False)
    captured: datetime | None = None
    focal_length_mm: float | None = None
    f_number: float | None = None
    exposure_s: float | None = None
    iso: float | None = None
    focus_distance_mm: float | None = None
    notes: tuple[str, ...] = ()


class FrameSource(Protocol):
    """The frames of one bracket in depth order, read one at a time and more than once.

    `read` may be called from any thread, also for two frames at the same time.
    """

    @property
    def infos(self) -> Sequence[FrameInfo]:
        """One entry per frame; all of one size, bit depth and channel count."""
        ...

    def read(self, index: int) -> Pixels:
        """Decode frame `index`: (H, W) or (H, W, 3), uint8 or uint16, C-contiguous.

        The array is the caller's to keep, but not to change.
        """
        ...

    def read_window(self, index: int, box: Box) -> Pixels:
        """Decode the pixels of frame `index` in `box`, which lies within the frame."""
        ...

    def rest(self) -> None:
        """Give back memory kept for the next frame: for a while none will be read.

        What was made of those read so far counts from now on; raises what stands
        against that.
        """
        ...


class ArraySource:
    """A bracket that is already in memory.

    Parameters
    ----------
    frames : sequence of arrays
        (H, W) or (H, W, 3), uint8 or uint16, all alike, at least two. Not copied and
        not modified.

    Raises
    ------
    InputError
        A frame is no array of such a shape or type.
    BracketError
        Fewer than two frames, or frames that differ in shape or type.
    """

    def __init__(self, frames: Sequence[Pixels]) -> None:
        if len(frames) < 2:
            msg = f"a bracket needs at least two frames, found {len(frames)}"
            raise BracketError(msg)
        for i, a in enumerate(frames):
            ok_shape = a.ndim == 2 or (a.ndim == 3 and a.shape[2] == 3)
            if not ok_shape or a.dtype not in (np.uint8, np.uint16) or a.size == 0:
                msg = (
                    f"frame {i} is {a.dtype} {a.shape}: "
                    "expected uint8 or uint16, (H, W) or (H, W, 3)"
                )
                raise InputError(msg)
            if a.shape != frames[0].shape or a.dtype != frames[0].dtype:
                msg = (
                    f"frame {i} is {a.dtype} {a.shape}, frame 0 is {frames[0].dtype} "
                    f"{frames[0].shape}: all frames of a bracket must be alike"
                )
                raise BracketError(msg, names=(f"frame {i}",))
        self._frames: list[Pixels] = [
            cast("Pixels", np.ascontiguousarray(a)) for a in frames
        ]
        self._infos = tuple(
            FrameInfo(
                name=f"frame {i}",
                height=a.shape[0],
                width=a.shape[1],
                n_channels=1 if a.ndim == 2 else 3,
                bit_depth=a.dtype.itemsize * 8,
            )
            for i, a in enumerate(self._frames)
        )

    @property
    def infos(self) -> Sequence[FrameInfo]:
        """One entry per frame."""
        return self._infos

    def read(self, index: int) -> Pixels:
        """Return frame `index`, not a copy."""
        return self._frames[index]

    def read_window(self, index: int, box: Box) -> Pixels:
        """Return a region of frame `index`."""
        return box.cut(self._frames[index])

    def rest(self) -> None:
        """Give back memory: none is kept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something about a bracket or a result that a person should know.

    Attributes
    ----------
    code : str
        Stable snake_case word for programs, e.g. "frame_left_out".
    message : str
        One plain sentence for people.
    severity : str
        "note" (nothing to do), "look" (a person should look), "reshoot".
    frames : tuple of int
        0-based frame numbers concerned.
    region : Box or None
        Where in the master, if it has a place.
    action : str
        What to do about it; may be empty.
    """

    code: str
    message: str
    severity: Severity = "look"
    frames: tuple[int, ...] = ()
    region: Box | None = None
    action: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameRecord:
    """What the fusion found out about one frame.

    Attributes
    ----------
    transform : (3, 3) float64 array
        Maps pixel coordinates of this frame to pixel coordinates of the master.
    correlation : float
        Final ECC value against its neighbour, 0..1; 1 for the reference, and 1 where
        alignment was switched off.
    gain_ev : tuple of float
        Light normalisation applied, in stops, per channel (one value for grey).
    share : float
        Fraction of the master's pixels to which this frame contributed most.
    used : bool
        False for a frame that was left out.
    warnings : tuple of str
        Plain sentences about this frame.
    """

    transform: Matrix3x3
    correlation: float
    gain_ev: tuple[float, ...]
    share: float
    used: bool = True
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class FusionResult:
    """A finished fusion, all arrays on the reference frame's pixel grid.

    Attributes
    ----------
    picture : (H, W) or (H, W, 3) uint16 array
        The master, encoded like the sources (8-bit sources scaled by 257).
    depth : (H, W) uint16 array
        0 = the first frame's focus, 65535 = the last frame's, linear in fractional
        frame number; `depth_in_frames` converts.
    confidence : (H, W) uint8 array
        0 = the depth there is a guess, 255 = certain.
    coverage : (H, W) uint8 array (uint16 from 256 frames on)
        0-based number of the frame that contributed most.
    reference : int
        0-based number of the reference frame.
    frames : tuple of FrameRecord
        In depth order.
    findings : tuple of Finding
        What a person should know, worst first.
    timings_s : dict
        Seconds by stage: decode, align, measure, fuse, total.
    notes : dict
        Further JSON-ready figures (noise model, say).
    """

    picture: npt.NDArray[np.uint16]
    depth: npt.NDArray[np.uint16]
    confidence: npt.NDArray[np.uint8]
    coverage: Pixels
    reference: int
    frames: tuple[FrameRecord, ...]
    findings: tuple[Finding, ...] = ()
    timings_s: dict[str, float] = field(default_factory=dict)
    notes: dict[str, Any] = field(default_factory=dict)

    def depth_in_frames(self) -> ImageF32:
        """Depth as fractional frame number, (H, W) float32 in [0, n - 1]."""
        scale = np.float32((len(self.frames) - 1) / 65535)
        return self.depth.astype(np.float32) * scale
