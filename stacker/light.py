"""Light: transfer curves and the exposure of one frame against another.

Flash output varies from shot to shot. Gains are ratios of linear light, estimated where
nothing is clipped and nothing is sharp enough for focus to matter, and applied by one
table per channel: code in, code of the normalised frame out.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stacker import _opencv
from stacker.errors import InputError
from stacker.frame import ImageF32, Pixels, TransferTable
from stacker.geometry import reduced_shape

__all__ = [
    "LightGain",
    "check_transfer",
    "estimate_gain",
    "linear_samples",
    "normalising_table",
    "srgb_transfer",
    "straight_parts",
]

N_CODES = 65536
# Linear light from here up may be clipped or rolled off by the camera's curve.
BRIGHTEST = 0.9
# Light is compared block by block: a block is large against defocus and parallax.
LIGHT_BLOCKS = 96
# A block counts when this much of it is usable.
MIN_USABLE = 0.25
# A gain is believed only from this many blocks and this much mean linear light.
MIN_BLOCKS, DARKEST = 2, 0.002
# Parts of a curve are taken for straight where a chord is nowhere further off than this,
# looked at every so many codes; shorter and more parts are not worth looking for.
STRAIGHT_WITHIN = 0.5 / 65535
STRAIGHT_STEP = 16
SHORTEST_PART = 512
MOST_PARTS = 8
# Linear light above which a brighter frame's whites roll off to stay white.
SHOULDER_FROM = 0.85


@dataclass(frozen=True, slots=True)
class LightGain:
    """Exposure of one frame relative to another.

    Attributes
    ----------
    ratio : (C,) float64 array
        Linear light of the frame divided by that of the other, per channel; ones where
        there was nothing to measure.
    n_blocks : int
        Blocks of the reduced frames that the estimate rests on; 0 = nothing measured.
    """

    ratio: npt.NDArray[np.float64]
    n_blocks: int


def srgb_transfer(n_channels: int) -> TransferTable:
    """Linear light for each 16-bit code under the sRGB curve.

    References
    ----------
    IEC 61966-2-1:1999, section 5.2 (the transfer function and its two constants).
    """
    v = np.arange(N_CODES) / (N_CODES - 1)
    linear = np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)
    return np.repeat(linear[None].astype(np.float32), n_channels, axis=0)


def check_transfer(table: TransferTable, n_channels: int) -> None:
    """Raise `InputError` unless `table` is (n_channels, 65536) and never falls."""
    if table.shape != (n_channels, N_CODES):
        msg = f"transfer table is {table.shape}: expected ({n_channels}, {N_CODES})"
        raise InputError(msg)
    if not np.isfinite(table).all() or (np.diff(table, axis=1) < 0).any():
        msg = "transfer table must be finite and never fall with the code"
        raise InputError(msg)


def linear_samples(raw: Pixels, table: TransferTable, step: int) -> ImageF32:
    """Linear light of every `step`-th pixel in both directions, (h, w, C) float32.

    Parameters
    ----------
    raw : (H, W, C) uint8 or uint16 array
        Not modified.
    table : (C, 65536) float32 array
        Linear light by 16-bit code.
    step : int
        At least 1.
    """
    codes = np.ascontiguousarray(raw[::step, ::step])
    return _opencv.look_up(codes, table[:, ::257] if raw.dtype == np.uint8 else table)


def estimate_gain(
    reference: ImageF32, moving: ImageF32, usable: npt.NDArray[np.bool_]
) -> LightGain:
    """Exposure of `moving` relative to `reference`, per channel.

    Parameters
    ----------
    reference, moving : (h, w, C) float32 arrays
        Registered frames in linear light, each cell the mean over many pixels.
    usable : (h, w) bool array
        Where both frames have data and nothing is clipped in either.

    Returns
    -------
    LightGain

    Notes
    -----
    Median over large blocks, weighted by light, of the ratio of their sums. Defocus
    moves light about but keeps its sum; a median of the ratios of single cells would
    follow the many that gain a little from the few that lose much (by 1 % on the sample
    bracket, against 0.2 % this way).
    """
    n_channels = reference.shape[2]
    beside = _opencv.dilate_disc((~usable).astype(np.uint8), 1) > 0
    mask = (~beside).astype(np.float32)
    shape = reduced_shape(usable.shape, LIGHT_BLOCKS)
    share = _opencv.area_reduce(mask, shape)
    a = _opencv.area_reduce(reference * mask[..., None], shape).reshape(-1, n_channels)
    b = _opencv.area_reduce(moving * mask[..., None], shape).reshape(-1, n_channels)
    lit = np.minimum(a, b).min(axis=1) > DARKEST * share.ravel()
    keep = (share.ravel() > MIN_USABLE) & lit
    if int(keep.sum()) < MIN_BLOCKS:
        return LightGain(np.ones(n_channels), 0)
    a, b = a[keep].astype(np.float64), b[keep].astype(np.float64)
    ratio = np.array(
        [_weighted_median(b[:, c] / a[:, c], a[:, c]) for c in range(n_channels)]
    )
    return LightGain(ratio, int(keep.sum()))


def _weighted_median(
    values: npt.NDArray[np.float64], weights: npt.NDArray[np.float64]
) -> float:
    order = np.argsort(values)
    middle = np.cumsum(weights[order]) - weights[order] / 2
    return float(np.interp(weights.sum() / 2, middle, values[order]))


def normalising_table(table: TransferTable, gain: npt.NDArray[np.float64]) -> ImageF32:
    """Return the normalised frame's encoded value for each 16-bit code of the frame.

    Parameters
    ----------
    table : (C, 65536) float32 array
        Linear light by code.
    gain : (C,) array
        Linear light of this frame relative to the reference, per channel, above 0.

    Returns
    -------
    (C, 65536) float32 array, range [0, 1]
        Monotone. Full scale stays full scale: a clipped white of a brighter frame must
        not turn grey, so the gain fades out towards white.
    """
    codes = np.arange(N_CODES)
    pairs = zip(table, gain, strict=True)
    return np.stack([_normalised(t, float(g), codes) for t, g in pairs])


def _normalised(linear: ImageF32, gain: float, at: npt.NDArray[np.int64]) -> ImageF32:
    """Normalised value at some codes of one channel."""
    codes = np.arange(N_CODES) / (N_CODES - 1)
    if abs(gain - 1) < 1e-9:
        return codes[at].astype(np.float32)
    light = linear[at].astype(np.float64)
    white = float(linear[-1])
    u = np.clip((light / white - SHOULDER_FROM) / (1 - SHOULDER_FROM), 0.0, 1.0)
    fade = u * u * (3 - 2 * u) if gain > 1 else np.zeros_like(u)
    normalised = light * ((1 - fade) / gain + fade)
    # np.interp needs rising abscissae: flat ends of a curve are nudged apart.
    rising = linear + np.arange(N_CODES) * 1e-12
    return np.interp(normalised, rising, codes).astype(np.float32)


def slope_of_light(table: TransferTable, gain: npt.NDArray[np.float64]) -> float:
    """Factor by which a normalising table changes contrast, mean of the channels.

    Half way up the range is a fair place for it; arguments as of `normalising_table`.
    """
    at = np.array([20000, 40000])
    pairs = zip(table, gain, strict=True)
    rises = [np.ptp(_normalised(t, float(g), at)) for t, g in pairs]
    return float(np.mean(rises)) / (float(np.ptp(at)) / (N_CODES - 1))


def straight_parts(curves: ImageF32) -> ImageF32:
    """Parts over which all channels of a normalising table are straight lines.

    A power law with an offset stays one when light is multiplied: but for toe and
    shoulder a table is straight, and a line costs a tenth of a look into a table.

    Parameters
    ----------
    curves : (C, 65536) float32 array
        As `normalising_table` makes it.

    Returns
    -------
    (n, 2 + 2 * C) float32 array
        First and last code of each part, longest part first; and for every channel the
        value at code 0 and the rise per code of its line.
    """
    codes = np.arange(0, N_CODES + STRAIGHT_STEP - 1, STRAIGHT_STEP).clip(
        max=N_CODES - 1
    )
    values = curves[:, codes].astype(np.float64)

    def line(a: int, b: int) -> tuple[npt.NDArray[np.float64], float]:
        rise = (values[:, b] - values[:, a]) / float(codes[b] - codes[a])
        start = values[:, a] - rise * codes[a]
        chord = start[:, None] + rise[:, None] * codes[a : b + 1]
        off = np.abs(chord - values[:, a : b + 1]).max()
        return np.stack([start, rise], axis=1).ravel(), float(off)

    parts: list[list[float]] = []
    last = len(codes) - 1
    first = 0
    while first < last and len(parts) < MOST_PARTS:
        low, high = first + 1, last
        while low < high:
            middle = (low + high + 1) // 2
            if line(first, middle)[1] <= STRAIGHT_WITHIN:
                low = middle
            else:
                high = middle - 1
        # A bend may lie between the last two codes looked at.
        if codes[low] - codes[first] >= SHORTEST_PART:
            parts.append([codes[first + 1], codes[low - 1], *line(first, low)[0]])
        first = low
    parts.sort(key=lambda part: part[0] - part[1])
    return np.array(parts, np.float32).reshape(-1, 2 + 2 * len(curves))
