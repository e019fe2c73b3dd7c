"""Places under a projective transform, and maps sampled there."""

from typing import Any

import numpy as np

from stacker.frame import Matrix3x3

__all__ = ["half_places", "places", "warp_linear", "within"]


def places(matrix: Matrix3x3, x: Any, y: Any) -> tuple[Any, Any]:
    """Where a transform takes (x, y), float64; `x` and `y` broadcast."""
    m = [[float(v) for v in row] for row in matrix]
    depth = m[2][0] * x + (m[2][1] * y + m[2][2])
    to_x = (m[0][0] * x + (m[0][1] * y + m[0][2])) / depth
    to_y = (m[1][0] * x + (m[1][1] * y + m[1][2])) / depth
    return to_x, to_y


def _grid(xp: Any, shape: tuple[int, int]) -> tuple[Any, Any]:
    x = xp.arange(shape[1], dtype=np.float64)[None, :]
    y = xp.arange(shape[0], dtype=np.float64)[:, None]
    return x, y


def half_places(xp: Any, to_frame: Matrix3x3, half: tuple[int, int]) -> tuple[Any, Any]:
    """Frame pixel (x, y) at each place of the master's half-size grid, float64.

    `to_frame` takes master pixels to frame pixels, both full size.
    """
    x, y = _grid(xp, half)
    return places(to_frame, 2 * x + 0.5, 2 * y + 0.5)


def within(x: Any, y: Any, frame: tuple[int, int]) -> Any:
    """Whether places lie on a frame of `frame` rows and columns, edges included."""
    inside_x = (x >= -0.5) & (x <= frame[1] - 0.5)
    return inside_x & (y >= -0.5) & (y <= frame[0] - 0.5)


def warp_linear(
    xp: Any,
    images: list[Any],
    out_to_in: Matrix3x3,
    shape: tuple[int, int],
    *,
    outside: float | None = None,
) -> list[Any]:
    """Sample (H, W) maps of one size bilinearly at ``out_to_in @ (x, y, 1)``.

    Pixels beyond a map count as `outside`, or as the nearest edge pixel where that is
    None.
    """
    height, width = images[0].shape
    x, y = places(out_to_in, *_grid(xp, shape))
    # Far outside is as good as just outside, and fits an index.
    x, y = xp.clip(x, -2, width + 1), xp.clip(y, -2, height + 1)
    left, top = xp.floor(x), xp.floor(y)
    across, down = (x - left).astype(np.float32), (y - top).astype(np.float32)
    left, top = left.astype(np.int32), top.astype(np.int32)
    out = [xp.zeros(shape, np.float32) for _ in images]
    for row, rows_share in ((top, 1 - down), (top + 1, down)):
        for column, columns_share in ((left, 1 - across), (left + 1, across)):
            share = rows_share * columns_share
            r, c = xp.clip(row, 0, height - 1), xp.clip(column, 0, width - 1)
            for k, image in enumerate(images):
                value = image[r, c]
                if outside is not None:
                    inside = (r == row) & (c == column)
                    value = xp.where(inside, value, np.float32(outside))
                out[k] += share * value
    return out
