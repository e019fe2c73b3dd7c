"""Settings: every tunable number with its default, its limits and its unit.

This is the only home of defaults: the command line reads its defaults and choices from
these classes, and the report writes them out with the values used.
"""

from dataclasses import asdict, dataclass, field, fields
from typing import Any, Literal, Self, TypeAlias, get_args

from stacker.errors import InputError

__all__ = [
    "AlignSettings",
    "FuseSettings",
    "Motion",
    "ReadSettings",
    "Reference",
]

Motion: TypeAlias = Literal["translation", "similarity", "affine", "homography"]
Reference: TypeAlias = Literal["auto", "first", "middle", "last"] | int


def _check(condition: bool, name: str, value: object, expected: str) -> None:  # noqa: FBT001
    if not condition:
        msg = f"{name} is {value!r}: expected {expected}"
        raise InputError(msg)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadSettings:
    """How files are read.

    Attributes
    ----------
    max_pixels : int
        Largest picture (width times height) that is decoded; a file that declares more
        is refused before memory is asked for.
    """

    max_pixels: int = 1_000_000_000

    def __post_init__(self) -> None:
        _check(self.max_pixels >= 1, "max_pixels", self.max_pixels, "at least 1")


@dataclass(frozen=True, slots=True, kw_only=True)
class AlignSettings:
    """How frames are registered.

    Attributes
    ----------
    enabled : bool
        False for frames that are registered already.
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
class FuseSettings:
    """All that a fusion of frames in memory can be told.

    Attributes
    ----------
    align : AlignSettings
        Registration and light.
    strict : bool
        Stop with `AlignmentError` at a frame that cannot be registered instead of
        leaving it out.
    threads : int
        Threads for the computing; 0 = one per core.
    """

    align: AlignSettings = field(default_factory=AlignSettings)
    strict: bool = False
    threads: int = 0

    def __post_init__(self) -> None:
        _check(self.threads >= 0, "threads", self.threads, "0 or more")

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
