"""The loop of the tempo: lines through the notes around many places."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from graith.listen._compiled import njit

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]


@njit(cache=True, nogil=True)
def local_lines(
    x_s: Floats, y_s: Floats, at_s: Floats, reach_s: Floats, least_noise_s: float
) -> tuple[Floats, Floats, Floats, Indices]:
    """Return height and slope of a line through the points near each place, the slope's error, and how many are near.

    Parameters
    ----------
    x_s, y_s : float arrays, shape (points,)
    at_s, reach_s : float arrays, shape (places,)
        Points weigh as a normal distribution of this width, those that lie far off the line less.
    """
    n = at_s.size
    height, slope, error = np.zeros(n), np.zeros(n), np.zeros(n)
    n_near = np.zeros(n, dtype=np.int64)
    near, off, y, weight = np.empty(x_s.size), np.empty(x_s.size), np.empty(x_s.size), np.empty(x_s.size)
    for place in range(n):
        m = 0
        for point in range(x_s.size):
            away = x_s[point] - at_s[place]
            if abs(away) < 3.1 * reach_s[place]:
                weighs = np.exp(-0.5 * (away / reach_s[place]) ** 2)
                if weighs >= 0.01:
                    near[m], off[m], y[m] = weighs, away, y_s[point]
                    m += 1
                    n_near[place] += weighs > 0.1
        weight[:m] = near[:m]
        for _ in range(3):
            total = mean_x = mean_y = square = both = noise = lean = 0.0
            for i in range(m):
                total += weight[i]
                mean_x += weight[i] * off[i]
                mean_y += weight[i] * y[i]
            total = max(total, 1e-12)
            mean_x, mean_y = mean_x / total, mean_y / total
            for i in range(m):
                square += weight[i] * (off[i] - mean_x) ** 2
                both += weight[i] * (off[i] - mean_x) * (y[i] - mean_y)
                lean += weight[i] ** 2 * (off[i] - mean_x) ** 2
            square = max(square, 1e-12)
            slope[place] = both / square
            height[place] = mean_y - slope[place] * mean_x
            for i in range(m):
                noise += weight[i] * (y[i] - height[place] - slope[place] * off[i]) ** 2
            noise = np.sqrt(noise / total)
            usual = max(1.2 * noise, least_noise_s)
            error[place] = max(noise, least_noise_s) * np.sqrt(lean) / square
            for i in range(m):
                rest = y[i] - height[place] - slope[place] * off[i]
                weight[i] = near[i] / (1.0 + (rest / (2.0 * usual)) ** 2)
    return height, slope, error, n_near
