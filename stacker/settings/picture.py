"""Settings of one picture: how frames become a master and what is made of it.

Everything that `fuse`, `handoff` and `patch` are told about a single bracket.
"""

from dataclasses import asdict, dataclass, field, fields
from math import inf
from typing import Any, Literal, Self, TypeAlias, get_args

from stacker.settings.limits import are_multipliers, check

__all__ = [
    "AlignSettings",
    "Compression",
    "Device",
    "FuseSettings",
    "HandoffSettings",
    "Motion",
    "Order",
    "OutputSettings",
    "PatchSettings",
    "ReadSettings",
    "Reference",
]

Compression: TypeAlias = Literal["none", "deflate", "lzw", "zstd"]
# Defined here and not in `frame`: settings must not import numpy, help has to be fast.
Motion: TypeAlias = Literal["translation", "similarity", "affine", "homography"]
Order: TypeAlias = Literal["name", "captured"]
Device: TypeAlias = Literal["cpu", "cuda"]
Reference: TypeAlias = Literal["auto", "first", "middle", "last"] | int


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadSettings:
    """How files are read.

    Attributes
    ----------
    max_pixels : int
        Largest picture (width times height) that is decoded; a file that declares more
        is refused before memory is asked for.
    order : str
        Depth order of the frames: "name" (files as they are named, those of a folder in
        natural order) or "captured" (by time of capture).
    white_balance : str
        Of raw frames, one for the whole bracket: "camera" (as set in the camera, taken
        from the middle frame), "daylight", or three multipliers "R,G,B".
    raw_profile : str
        Colours that raw frames are developed to: "srgb", "adobe-rgb-compatible",
        "prophoto-compatible", or the path of an ICC profile.
    """

    max_pixels: int = 1_000_000_000
    order: Order = "name"
    white_balance: str = "camera"
    raw_profile: str = "srgb"

    def __post_init__(self) -> None:
        check(
            self.white_balance in ("camera", "daylight")
            or are_multipliers(self.white_balance),
            "white_balance",
            self.white_balance,
            "camera, daylight or three positive numbers R,G,B",
        )
        check(
            self.order in get_args(Order),
            "order",
            self.order,
            "one of " + ", ".join(get_args(Order)),
        )
        check(self.max_pixels >= 1, "max_pixels", self.max_pixels, "at least 1")


@dataclass(frozen=True, slots=True, kw_only=True)
class OutputSettings:
    """How results are written.

    Attributes
    ----------
    compression : str
        Compression of the TIFF files: "none", "deflate" (opens everywhere), "lzw", "zstd" (fast, but
        many editors cannot open it). All are lossless.
    bits : int
        Depth of the master's samples, 8 or 16.
    tiles : bool
        Store TIFF files in tiles rather than strips: for programs that read regions.
    preview : bool
        Write a JPEG in sRGB beside the master.
    strip_gps : bool
        Leave the place of capture out of the master.
    overwrite : bool
        Replace results that are there already.
    checksums : bool
        Note the SHA-256 of every frame's file in the report.
    page_tiles : bool
        Write the whole picture in tiles (NAME.tiles) beside the report page, which then
        shows every place at full size.
    ply : bool
        Write a coloured point cloud (NAME.ply, binary PLY) from picture and depth.
    near_mm : float or None
        Distance in mm at which the nearest frame is in focus, for depth in mm where the
        files do not tell; far_mm goes with it.
    far_mm : float or None
        The same of the farthest frame. In between, focus is taken to move in equal
        steps of the reciprocal of the distance, as lenses do.
    far_first : bool
        With near and far: the bracket runs from far to near.
    pixel_mm : float or None
        Size in mm that one pixel of the master has on the subject, for a point cloud in
        true proportions.
    """

    compression: Compression = "deflate"
    bits: int = 16
    tiles: bool = False
    preview: bool = False
    strip_gps: bool = False
    overwrite: bool = False
    checksums: bool = True
    page_tiles: bool = False
    ply: bool = False
    near_mm: float | None = None
    far_mm: float | None = None
    far_first: bool = False
    pixel_mm: float | None = None

    def __post_init__(self) -> None:
        check(
            self.compression in get_args(Compression),
            "compression",
            self.compression,
            "one of " + ", ".join(get_args(Compression)),
        )
        check(self.bits in (8, 16), "bits", self.bits, "8 or 16")
        for name in ("near_mm", "far_mm", "pixel_mm"):
            value = getattr(self, name)
            check(value is None or 0 < value < inf, name, value, "a positive number")
        check(
            (self.near_mm is None) == (self.far_mm is None),
            "near_mm" if self.near_mm is None else "far_mm",
            None,
            "a distance where the other one is given",
        )
        if self.near_mm is not None and self.far_mm is not None:
            check(
                self.near_mm < self.far_mm,
                "near_mm",
                self.near_mm,
                f"less than far_mm, {self.far_mm}",
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class HandoffSettings:
    """What a retoucher is handed.

    Attributes
    ----------
    min_share : float
        Least share of the master, 0..1, that a frame must have supplied to be included.
    layers : bool
        Write one layered TIFF: the master, and above it the frames with their masks.
    openraster : bool
        Write an OpenRaster file (.ora) too. Programs open it with 8 bit per channel.
    compression : str
        Compression of the TIFF files: "none", "deflate" (opens everywhere), "lzw", "zstd" (fast, but
        many editors cannot open it). All are lossless.
    overwrite : bool
        Replace a hand-off that is there already.
    """

    min_share: float = 0.0
    layers: bool = True
    openraster: bool = False
    compression: Compression = "deflate"
    overwrite: bool = False

    def __post_init__(self) -> None:
        check(0 <= self.min_share <= 1, "min_share", self.min_share, "0 to 1")
        check(
            self.compression in get_args(Compression),
            "compression",
            self.compression,
            "one of " + ", ".join(get_args(Compression)),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class PatchSettings:
    """How a place is done again with another frame.

    Attributes
    ----------
    transition_px : int
        Pixels on either side of the region's edge within which the patch may change
        over: brightness over all of it, fine detail over the last few pixels. Beyond
        them the master keeps every pixel. 4 or more.
    """

    transition_px: int = 64

    def __post_init__(self) -> None:
        check(
            4 <= self.transition_px <= 4096,
            "transition_px",
            self.transition_px,
            "4 to 4096",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class AlignSettings:
    """How frames are registered.

    Attributes
    ----------
    enabled : bool
        Register the frames; off for frames that are registered already.
    motion : str
        Motion model: "translation", "similarity" (shift, rotation, one scale; the
        right one for a camera on a stand), "affine", "homography".
    reference : str or int
        The frame whose geometry the master has: "auto" (the narrowest field of view,
        so that every other frame covers it), "first", "middle", "last" or a 0-based
        number.
    normalise_light : bool
        Bring all frames to the reference frame's exposure, per channel.
    min_correlation : float
        A frame that correlates less with its neighbour is left out, 0..1.
    """

    enabled: bool = True
    motion: Motion = "similarity"
    reference: Reference = "auto"
    normalise_light: bool = True
    min_correlation: float = 0.6

    def __post_init__(self) -> None:
        check(
            self.motion in get_args(Motion),
            "motion",
            self.motion,
            "one of " + ", ".join(get_args(Motion)),
        )
        check(
            self.reference in ("auto", "first", "middle", "last")
            or (isinstance(self.reference, int) and self.reference >= 0),
            "reference",
            self.reference,
            "auto, first, middle, last or a frame number from 0",
        )
        check(
            0 <= self.min_correlation <= 1,
            "min_correlation",
            self.min_correlation,
            "0 to 1",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class FuseSettings:
    """All that a fusion of frames in memory can be told.

    Attributes
    ----------
    align : AlignSettings
        Registration and light.
    strict : bool
        Stop with `AlignmentError` at a frame that cannot be registered instead of
        leaving it out. For scripts: the command's --strict finishes the work and tells
        by its exit status.
    threads : int
        Threads for the computing; 0 = one per core.
    memory_gib : float or None
        Memory to stay within, in GiB; refused before the work where it cannot be done.
        What is left over is used to read frames once instead of twice. Without a limit
        about 3.2 GiB for 100 megapixels, whatever the number of frames.
    device : str
        Where pixels are worked on: "cpu", or "cuda" for a graphics card (the extra cuda;
        about 60 bytes of its memory a pixel).
    """

    align: AlignSettings = field(default_factory=AlignSettings)
    strict: bool = False
    threads: int = 0
    memory_gib: float | None = None
    device: Device = "cpu"

    def __post_init__(self) -> None:
        check(self.threads >= 0, "threads", self.threads, "0 or more")
        check(
            self.device in get_args(Device),
            "device",
            self.device,
            "one of " + ", ".join(get_args(Device)),
        )
        check(
            self.memory_gib is None or 0 < self.memory_gib < inf,
            "memory_gib",
            self.memory_gib,
            "more than 0",
        )

    def to_dict(self) -> dict[str, Any]:
        """Every setting with its value, nested by group, ready for JSON."""
        return asdict(self)

    @classmethod
    def from_dict(cls, values: dict[str, Any]) -> Self:
        """Rebuild settings from `to_dict`'s answer.

        Raises
        ------
        InputError
            A key is not a setting, or a value is out of its range.
        """
        groups = {"align": AlignSettings}
        known = {f.name for f in fields(cls)}
        unknown = sorted(set(values) - known)
        check(not unknown, "settings", unknown, "only known settings")
        plain = {k: v for k, v in values.items() if k not in groups}
        for name, kind in groups.items():
            if name in values:
                inner = {f.name for f in fields(kind)}
                extra = sorted(set(values[name]) - inner)
                check(not extra, name, extra, "only known settings")
                plain[name] = kind(**values[name])
        return cls(**plain)
