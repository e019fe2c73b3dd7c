"""Settings: every tunable number with its default, its limits and its unit.

This is the only home of defaults: the command line reads its defaults and choices from
these classes, and the report writes them out with the values used.
"""

from dataclasses import asdict, dataclass, field, fields
from math import inf
from typing import Any, Literal, Self, TypeAlias, get_args

from stacker.errors import InputError

__all__ = [
    "AlignSettings",
    "BatchSettings",
    "CheckSettings",
    "Compression",
    "Device",
    "Folders",
    "FuseSettings",
    "GroupSettings",
    "HandoffSettings",
    "Motion",
    "Order",
    "OutputSettings",
    "PatchSettings",
    "PlanSettings",
    "ReadSettings",
    "Reference",
    "WatchSettings",
]

Folders: TypeAlias = Literal["split", "whole"]
Compression: TypeAlias = Literal["none", "deflate", "lzw", "zstd"]
# Defined here and not in `frame`: settings must not import numpy, help has to be fast.
Motion: TypeAlias = Literal["translation", "similarity", "affine", "homography"]
Order: TypeAlias = Literal["name", "captured"]
Device: TypeAlias = Literal["cpu", "cuda"]
Reference: TypeAlias = Literal["auto", "first", "middle", "last"] | int


def _check(condition: bool, name: str, value: object, expected: str) -> None:  # noqa: FBT001
    if not condition:
        msg = f"{name} is {value!r}: expected {expected}"
        raise InputError(msg)


def _are_multipliers(text: str) -> bool:
    try:
        values = [float(part) for part in text.split(",")]
    except ValueError:
        return False
    return len(values) == 3 and all(0 < v < inf for v in values)


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
        _check(
            self.white_balance in ("camera", "daylight")
            or _are_multipliers(self.white_balance),
            "white_balance",
            self.white_balance,
            "camera, daylight or three positive numbers R,G,B",
        )
        _check(
            self.order in get_args(Order),
            "order",
            self.order,
            "one of " + ", ".join(get_args(Order)),
        )
        _check(self.max_pixels >= 1, "max_pixels", self.max_pixels, "at least 1")


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
        _check(
            self.compression in get_args(Compression),
            "compression",
            self.compression,
            "one of " + ", ".join(get_args(Compression)),
        )
        _check(self.bits in (8, 16), "bits", self.bits, "8 or 16")
        for name in ("near_mm", "far_mm", "pixel_mm"):
            value = getattr(self, name)
            _check(value is None or 0 < value < inf, name, value, "a positive number")
        _check(
            (self.near_mm is None) == (self.far_mm is None),
            "near_mm" if self.near_mm is None else "far_mm",
            None,
            "a distance where the other one is given",
        )
        if self.near_mm is not None and self.far_mm is not None:
            _check(
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
        _check(0 <= self.min_share <= 1, "min_share", self.min_share, "0 to 1")
        _check(
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
        _check(
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
        _check(
            self.motion in get_args(Motion),
            "motion",
            self.motion,
            "one of " + ", ".join(get_args(Motion)),
        )
        _check(
            self.reference in ("auto", "first", "middle", "last")
            or (isinstance(self.reference, int) and self.reference >= 0),
            "reference",
            self.reference,
            "auto, first, middle, last or a frame number from 0",
        )
        _check(
            0 <= self.min_correlation <= 1,
            "min_correlation",
            self.min_correlation,
            "0 to 1",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanSettings:
    """How a bracket is planned, before there is any frame.

    Attributes
    ----------
    f_number : float or None
        Aperture to plan for; without it the one with the best total sharpness.
    n_frames : int or None
        Frames to plan for; without it as many as the overlap asks.
    max_frames : int
        Most frames to propose, even where the overlap asks for more.
    widest_f_number : float
        Widest aperture to propose. Medium-format lenses are at their best two stops
        from wide open (common practice), which no formula here knows.
    smallest_f_number : float
        Smallest aperture to propose.
    overlap : float
        Share of a frame's depth of field that the next frame holds again, 0 to 0.9. No
        point is then blurred by more than 1 - overlap of what still counts as sharp;
        0.3 leaves room for a focus drive that is not exact (common practice: 0.2 to
        0.5).
    blur_px : float
        Blur disc that still counts as sharp, in pixels. A disc of 2 pixels halves
        contrast at 0.35 cycles a pixel (our own choice).
    wavelength_nm : float
        Wavelength in nm for diffraction; 550 is green, where the eye sees best.
    lights_f_number : float or None
        Aperture that the lights are set for now, from which changes of light are
        counted; without it the one planned for.
    recycle_s : float
        Seconds until the flash is ready again.
    settle_s : float
        Seconds for moving the focus and for vibrations to die.
    exposure_s : float
        Seconds of one exposure.
    """

    f_number: float | None = None
    n_frames: int | None = None
    max_frames: int = 60
    widest_f_number: float = 5.6
    smallest_f_number: float = 32.0
    overlap: float = 0.3
    blur_px: float = 2.0
    wavelength_nm: float = 550.0
    lights_f_number: float | None = None
    recycle_s: float = 1.5
    settle_s: float = 2.0
    exposure_s: float = 0.01

    def __post_init__(self) -> None:
        _check(0 <= self.overlap <= 0.9, "overlap", self.overlap, "0 to 0.9")
        for name in ("max_frames", "n_frames"):
            count = getattr(self, name)
            _check(count is None or 1 <= count <= 9999, name, count, "1 to 9999")
        _check(
            self.widest_f_number <= self.smallest_f_number,
            "widest_f_number",
            self.widest_f_number,
            f"at most the smallest aperture, f/{self.smallest_f_number:g}",
        )
        for name in (
            *("blur_px", "wavelength_nm", "widest_f_number"),
            *("f_number", "lights_f_number"),
        ):
            value = getattr(self, name)
            _check(value is None or 0 < value < inf, name, value, "a positive number")
        for name in ("recycle_s", "settle_s", "exposure_s"):
            value = getattr(self, name)
            _check(0 <= value < inf, name, value, "0 or more seconds")


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckSettings:
    """How a bracket is checked.

    Attributes
    ----------
    frames : int or None
        Frames that the bracket was planned to have; fewer are a fault, and following
        goes on until they are there.
    look_s : float
        Seconds between two looks at the folder while following. A file that has not
        changed from one look to the next is read.
    """

    frames: int | None = None
    look_s: float = 0.5

    def __post_init__(self) -> None:
        _check(
            self.frames is None or 2 <= self.frames <= 9999,
            "frames",
            self.frames,
            "2 to 9999",
        )
        _check(0 < self.look_s < inf, "look_s", self.look_s, "more than 0 seconds")


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupSettings:
    """How the frames of many brackets are told apart.

    Attributes
    ----------
    gap_s : float
        Longest pause between two frames of one bracket, in seconds; after so long
        without a new frame a bracket counts as complete. Longer than recycling of the
        flash and exposure take, shorter than setting up the next picture.
    folders : str
        What a sub-folder is: to be "split" where what the camera wrote in its frames
        says so, or one bracket as a "whole" whatever the pauses in it.
    name : str
        Name of a result: a text with {folder} (of the frames), {first}, {last} (frames,
        without suffix), {date}, {time} (of the first frame) or {count} (of frames). A
        slash makes folders.
    """

    gap_s: float = 30.0
    folders: Folders = "split"
    name: str = "{folder}_{first}"

    def __post_init__(self) -> None:
        _check(0 < self.gap_s < inf, "gap_s", self.gap_s, "more than 0 seconds")
        _check(
            self.folders in get_args(Folders),
            "folders",
            self.folders,
            "one of " + ", ".join(get_args(Folders)),
        )
        _check(bool(self.name.strip()), "name", self.name, "a text")


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchSettings:
    """How a folder is watched.

    Attributes
    ----------
    settle_s : float
        A file whose size and time have not changed for so many seconds is looked at.
        Shares may tell of changes with a delay of a second or two.
    look_s : float
        Seconds between two looks at the folder.
    patience_s : float
        Seconds after which a bracket no longer waits for a file that stays incomplete;
        should it become whole later, the bracket is fused again.
    close_on : str or None
        Pattern of names: a file of such a name (*.done, say) closes the bracket that
        came before it in its folder.
    tries : int
        Times that a bracket is tried before it is parked.
    retry_s : float
        Seconds to the second try; each further wait is twice as long.
    longest_retry_s : float
        Longest wait between two tries. A full disk or a lost share never parks a
        bracket: it is tried again at this pace at the latest.
    """

    settle_s: float = 2.0
    look_s: float = 1.0
    patience_s: float = 300.0
    close_on: str | None = None
    tries: int = 3
    retry_s: float = 10.0
    longest_retry_s: float = 120.0

    def __post_init__(self) -> None:
        for name in ("settle_s", "look_s", "patience_s", "retry_s", "longest_retry_s"):
            value = getattr(self, name)
            _check(0 < value < inf, name, value, "more than 0 seconds")
        _check(self.tries >= 1, "tries", self.tries, "at least 1")


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchSettings:
    """How many brackets are fused in one go.

    Attributes
    ----------
    jobs : int
        Brackets at a time. The threads (one per core, or --threads) are shared out
        among them; fewer at a time run where memory is short.
    memory_gib : float or None
        Memory that all of them together may take, in GiB, shared out among them; with
        a cluster, of each worker. Without it three quarters of the machine's.
    resume : bool
        Go on with an earlier batch: what is done with the same settings is kept, what
        failed is tried again.
    """

    jobs: int = 1
    memory_gib: float | None = None
    resume: bool = False

    def __post_init__(self) -> None:
        _check(self.jobs >= 1, "jobs", self.jobs, "at least 1")
        _check(
            self.memory_gib is None or 0 < self.memory_gib < inf,
            "memory_gib",
            self.memory_gib,
            "more than 0",
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
        _check(self.threads >= 0, "threads", self.threads, "0 or more")
        _check(
            self.device in get_args(Device),
            "device",
            self.device,
            "one of " + ", ".join(get_args(Device)),
        )
        _check(
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
        _check(not unknown, "settings", unknown, "only known settings")
        plain = {k: v for k, v in values.items() if k not in groups}
        for name, kind in groups.items():
            if name in values:
                inner = {f.name for f in fields(kind)}
                extra = sorted(set(values[name]) - inner)
                _check(not extra, name, extra, "only known settings")
                plain[name] = kind(**values[name])
        return cls(**plain)
