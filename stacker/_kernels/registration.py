"""One Gauss-Newton step of a weighted registration."""

import numpy as np

from stacker._kernels.runtime import jit

__all__ = ["normal_equations_rows"]


@jit
def _cubic_weights(f):
    """Cubic convolution (Keys 1981, a = -1/2) of four samples at phase `f`."""
    half, whole = np.float32(0.5), np.float32(1)
    g = whole - f
    return (
        -half * f * g * g,
        whole + f * f * (np.float32(1.5) * f - np.float32(2.5)),
        whole + g * g * (np.float32(1.5) * g - np.float32(2.5)),
        -half * g * f * f,
    )


@jit
def _cubic(image, y, x):
    """Value of `image` at (y, x), at least one pixel inside its edge."""
    i, j = int(y), int(x)
    a = _cubic_weights(np.float32(y - i))
    b = _cubic_weights(np.float32(x - j))
    v = np.float32(0)
    for k in range(4):
        row = image[i - 1 + k]
        v += a[k] * (
            b[0] * row[j - 1] + b[1] * row[j] + b[2] * row[j + 1] + b[3] * row[j + 2]
        )
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
    # One row at a time: what depends on the picture first, then sums of products, which
    # run over the row and are quick.
    g = np.empty((m, width), np.float32)
    residual = np.empty(width, np.float32)
    weight = np.empty(width, np.float32)
    scaled = np.empty(width, np.float32)
    inverse_noise = np.float32(1.0 / noise)
    # The grid of samples does not depend on how the rows are shared out.
    start = margin + (max(first - margin, 0) + step - 1) // step * step
    for r in range(start, min(end, height - margin), step):
        n = 0
        y = np.float32((r - centre_y) / unit)
        for c in range(margin, width - margin, step):
            w = focus[r, c]
            if w <= 0:
                continue
            q = behind[r, c]
            xr, yr = c - q * parallax_x, r - q * parallax_y
            d = 1.0 / (to_moving[2, 0] * xr + to_moving[2, 1] * yr + to_moving[2, 2])
            xm = (to_moving[0, 0] * xr + to_moving[0, 1] * yr + to_moving[0, 2]) * d
            ym = (to_moving[1, 0] * xr + to_moving[1, 1] * yr + to_moving[1, 2]) * d
            if not (
                margin <= xm < width - 1 - margin and margin <= ym < height - 1 - margin
            ):
                continue
            v = _cubic(moving, ym, xm)
            residual[n] = v - reference[r, c]
            weight[n] = w
            g[0, n] = np.float32(0.5) * (reference[r, c + 1] - reference[r, c - 1])
            g[1, n] = np.float32(0.5) * (reference[r + 1, c] - reference[r - 1, c])
            scaled[n] = np.float32((c - centre_x) / unit)
            g[n_params, n] = q
            g[n_params + 2, n] = -v
            n += 1
        _fill_columns(g, n_params, scaled, y, n)
        row_cost, row_mass = np.float32(0), np.float32(0)
        for k in range(n):
            z = residual[k] * inverse_noise
            weight[k] /= np.float32(1) + z * z
            row_mass += weight[k]
            scaled[k] = weight[k] * residual[k]
            row_cost += scaled[k] * residual[k]
        cost += float(row_cost)
        mass += float(row_mass)
        for a in range(m):
            row_right = np.float32(0)
            for k in range(n):
                row_right += scaled[k] * g[a, k]
            right[a] += row_right
        for a in range(m):
            for k in range(n):
                scaled[k] = weight[k] * g[a, k]
            for b in range(a, m):
                product = np.float32(0)
                for k in range(n):
                    product += scaled[k] * g[b, k]
                normal[a, b] += product
    for a in range(m):
        for b in range(a):
            normal[a, b] = normal[b, a]
    return normal, right, cost, mass


@jit
def _fill_columns(g, n_params, x, y, n):
    """Fill in what the two gradients and the place make of the other columns."""
    for k in range(n):
        gx, gy, q = g[0, k], g[1, k], g[n_params, k]
        if n_params > 2:
            g[2, k] = gx * x[k] + gy * y
            g[3, k] = gy * x[k] - gx * y
        if n_params > 4:
            g[4, k] = gx * x[k] - gy * y
            g[5, k] = gx * y + gy * x[k]
        if n_params > 6:
            along = gx * x[k] + gy * y
            g[6, k] = along * x[k]
            g[7, k] = along * y
        g[n_params, k] = gx * q
        g[n_params + 1, k] = gy * q
