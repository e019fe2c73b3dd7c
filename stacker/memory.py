"""Memory of a fusion: what it needs, and how to stay within a limit. Pure arithmetic."""

from dataclasses import dataclass

from stacker.errors import InputError

__all__ = ["MemoryPlan", "plan_memory"]

GIB = 2**30
# Interpreter, libraries and compiled kernels; small copies of one frame.
BASE_BYTES = 420e6
BYTES_PER_FRAME = 6e6
# Bytes per pixel of the first pass's grid: sharpness and light of four frames,
# running peak, all at half size.
FIRST_PASS_BYTES_PER_PX = 16.0
# Between the passes: maps at half size and what smooths them.
MAPS_BYTES_PER_PX = 4.5
# Sums and range of the band at work, per channel; the picture, and its maps at the end.
BAND_BYTES_PER_SAMPLE = 6
PICTURE_BYTES_PER_SAMPLE = 2
FINISHED_MAPS_BYTES_PER_PX = 4
MOST_BANDS = 32
# Not worth a second band: some formats are decoded whole for each.
SMALL_BYTES = 1.0e9


@dataclass(frozen=True, slots=True)
class MemoryPlan:
    """How a fusion goes about its frames.

    Attributes
    ----------
    is_ahead : bool
        The next frame is read while one is worked on.
    n_bands : int
        Bands of rows that the picture is made in, one after the other.
    n_kept : int
        Frames kept in memory from the first pass for the second.
    peak_bytes : int
        What it is expected to need.
    """

    is_ahead: bool
    n_bands: int
    n_kept: int
    peak_bytes: int


def plan_memory(
    shape: tuple[int, int, int],
    itemsize: int,
    n_frames: int,
    *,
    grid_pixels: int | None = None,
    limit_gib: float | None = None,
) -> MemoryPlan:
    """Choose how to go about a fusion.

    Parameters
    ----------
    shape : (H, W, C)
        Of every frame.
    itemsize : int
        Bytes of a sample, 1 or 2.
    n_frames : int
        In the bracket.
    grid_pixels : int, optional
        Pixels that the first pass works on; ``H * W`` where left out.
    limit_gib : float, optional
        Memory to stay within, in GiB. Without it the second pass takes no more than the
        first needs, and no frames are kept.

    Raises
    ------
    InputError
        The limit cannot be kept.
    """
    pixels = shape[0] * shape[1]
    samples = pixels * shape[2]
    raw = samples * itemsize
    fixed = BASE_BYTES + BYTES_PER_FRAME * n_frames
    first = fixed + FIRST_PASS_BYTES_PER_PX * (grid_pixels or pixels)

    def second(n_bands: int, n_read: int) -> float:
        share = 1.0 if n_bands == 1 else 1.0 / n_bands + 0.03
        bands = share * (BAND_BYTES_PER_SAMPLE * samples + n_read * raw)
        picture = PICTURE_BYTES_PER_SAMPLE * samples
        finished = FINISHED_MAPS_BYTES_PER_PX * pixels
        return fixed + MAPS_BYTES_PER_PX * pixels + picture + max(bands, finished)

    is_ahead = True
    if limit_gib is None:
        allowed = max(first + 2 * raw, SMALL_BYTES)
    else:
        allowed = limit_gib * GIB
        is_ahead = first + 2 * raw <= allowed
    n_read = 2 if is_ahead else 1
    n_bands = 1
    while n_bands < MOST_BANDS and second(n_bands, n_read) > allowed:
        n_bands += 1
    peak = max(first + n_read * raw, second(n_bands, n_read))
    if limit_gib is not None and peak > allowed:
        msg = (
            f"memory limit is {limit_gib:g} GiB: frames of {pixels / 1e6:.0f} megapixels "
            f"need {peak / GIB:.1f} GiB"
        )
        raise InputError(msg)
    n_kept = 0
    if limit_gib is not None:
        n_kept = min(n_frames, int((allowed - peak) // raw))
    return MemoryPlan(is_ahead, n_bands, n_kept, round(peak + n_kept * raw))
