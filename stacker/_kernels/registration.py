"""One Gauss-Newton step of a weighted registration."""

import numpy as np

from stacker._kernels.runtime import jit

__all__ = ["normal_equations_rows"]


@jit
def _cubic_weights(f):
    """Cubic convolution (Keys 1981, a = -1/2) of four samples at phase `f`."""
    g = 1.0 - f
    return (
        -0.5 * f * g * g,
        1.0 + f * f * (1.5 * f - 2.5),
        1.0 + g * g * (1.5 * g - 2.5),
        -0.5 * g * f * f,
    )


@jit
def _cubic(image, y, x):
    """Value of `image` at (y, x), at least one pixel inside its edge."""
    i, j = int(y), int(x)
    a, b = _cubic_weights(y - i), _cubic_weights(x - j)
    v = 0.0
    for k in range(4):
        row = i - 1 + k
        across = 0.0
        for t in range(4):
            across += b[t] * image[row, j - 1 + t]
        v += a[k] * across
    return v


@jit
def normal_equations_rows(
    reference,
    moving,
    to_moving,
    focus,
    behind,
    parallax_x,
    parallax_y,
    n_params,
    noise,
    margin,
    step,
    first,
    end,
):
    """Sum up one Gauss-Newton step of a weighted registration, rows `first` to `end`.

    Returns (A, b, cost, weight): normal matrix and right side of ``moving - reference =
    grad(reference) . u - alpha * moving``. The displacement u is spanned by the first
    `n_params` of: shift x, shift y, scale, rotation, two shears, two keystones, and by
    two shifts that grow with `behind` (how far behind the plane of focus a place lies),
    the parallax, at `parallax_x`, `parallax_y` now. alpha, a change of contrast, is the
    last unknown. Coordinates are centred and divided by half the diagonal. Residuals
    beyond `noise` are damped (Cauchy weights). Every `step`-th pixel each way counts, none
    within `margin` of the edges.
    """
    height, width = reference.shape
    centre_x, centre_y = 0.5 * (width - 1), 0.5 * (height - 1)
    unit = max(np.sqrt(centre_x * centre_x + centre_y * centre_y), 1.0)
    m = n_params + 3
    normal = np.zeros((m, m))
    right = np.zeros(m)
    cost = 0.0
    mass = 0.0
    g = np.empty(m)
    # The grid of samples does not depend on how the rows are shared out.
    start = margin + (max(first - margin, 0) + step - 1) // step * step
    for r in range(start, min(end, height - margin), step):
        for c in range(margin, width - margin, step):
            w = focus[r, c]
            if w <= 0:
                continue
            q = behind[r, c]
            xr, yr = c - q * parallax_x, r - q * parallax_y
            d = to_moving[2, 0] * xr + to_moving[2, 1] * yr + to_moving[2, 2]
            xm = (to_moving[0, 0] * xr + to_moving[0, 1] * yr + to_moving[0, 2]) / d
            ym = (to_moving[1, 0] * xr + to_moving[1, 1] * yr + to_moving[1, 2]) / d
            if xm < margin or ym < margin or xm >= width - 1 - margin or ym >= height - 1 - margin:
                continue
            v = _cubic(moving, ym, xm)
            e = v - reference[r, c]
            gx = 0.5 * (reference[r, c + 1] - reference[r, c - 1])
            gy = 0.5 * (reference[r + 1, c] - reference[r - 1, c])
            x, y = (c - centre_x) / unit, (r - centre_y) / unit
            g[0] = gx
            g[1] = gy
            if n_params > 2:
                g[2] = gx * x + gy * y
                g[3] = gy * x - gx * y
            if n_params > 4:
                g[4] = gx * x - gy * y
                g[5] = gx * y + gy * x
            if n_params > 6:
                g[6] = gx * x * x + gy * x * y
                g[7] = gx * x * y + gy * y * y
            g[n_params] = gx * q
            g[n_params + 1] = gy * q
            g[n_params + 2] = -v
            w = w / (1 + (e / noise) ** 2)
            cost += w * e * e
            mass += w
            for a in range(m):
                right[a] += w * g[a] * e
                for b in range(a, m):
                    normal[a, b] += w * g[a] * g[b]
    for a in range(m):
        for b in range(a):
            normal[a, b] = normal[b, a]
    return normal, right, cost, mass
