"""Pooling of a map by five taps each way, row by row."""

from stacker._kernels.runtime import jit

__all__ = ["KEPT_ROWS", "mirrored", "pool_row"]

# Row k of a map lies in row k % KEPT_ROWS of the few that are kept.
KEPT_ROWS = 8


@jit
def mirrored(k, n):
    """Index within 0 to `n` for one beyond: reflected at the middle of the edge."""
    while n > 1 and not 0 <= k < n:
        k = -k if k < 0 else 2 * n - 2 - k
    return k if n > 1 else 0


@jit
def pool_row(kept, i, height, taps, down, out):
    """Pool row `i` of a map of `height` rows by taps (middle, beside, outermost).

    `kept` holds the rows around it, `down` (w + 4,) float32 is scratch.
    """
    a, e = (
        kept[mirrored(i - 2, height) % KEPT_ROWS],
        kept[mirrored(i + 2, height) % KEPT_ROWS],
    )
    b, d = (
        kept[mirrored(i - 1, height) % KEPT_ROWS],
        kept[mirrored(i + 1, height) % KEPT_ROWS],
    )
    c = kept[i % KEPT_ROWS]
    middle, beside, outer = taps[0], taps[1], taps[2]
    width = out.shape[0]
    inner = down[2 : width + 2]
    for j in range(width):
        inner[j] = middle * c[j] + beside * (b[j] + d[j]) + outer * (a[j] + e[j])
    for j in range(2):
        down[j] = inner[mirrored(j - 2, width)]
        down[width + 2 + j] = inner[mirrored(width + j, width)]
    for j in range(width):
        out[j] = (
            middle * down[j + 2]
            + beside * (down[j + 1] + down[j + 3])
            + outer * (down[j] + down[j + 4])
        )
