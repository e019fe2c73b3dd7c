"""The compiled core: every numba kernel of the package, and nothing else.

Kernels are serial and release the GIL; `run_strips` drives them over strips of rows from
our own threads (numba's own parallel regions abort the process when two Python threads
enter them, numba issue 8563). Each has a plain twin in `stacker.arrays`.
"""

from stacker._kernels.blending import (
    accumulate_rows,
    align_rows,
    finish_maps_rows,
    finish_picture_rows,
)
from stacker._kernels.edges import (
    GUIDE_SHIFT,
    LIKENESS_SHIFT,
    follow_rows,
    guide_rows,
    hide_rows,
)
from stacker._kernels.energy import energy_rows, luma_rows
from stacker._kernels.peaks import finish_peak_rows, judge_rows
from stacker._kernels.reducing import area_mean_rows, glance_rows, tile_detail
from stacker._kernels.registration import normal_equations_rows
from stacker._kernels.runtime import run_strips
from stacker._kernels.sampling import (
    BLOCK_COLUMNS,
    BLOCK_ROWS,
    LANCZOS_TAPS,
    lanczos_table,
)
from stacker._kernels.warping import take_in_rows
from stacker._kernels.weight_sums import weight_sum_rows
from stacker._kernels.weights import (
    WEIGHT_STEPS,
    block_reach_rows,
    share_rows,
)

__all__ = [
    "BLOCK_COLUMNS",
    "BLOCK_ROWS",
    "GUIDE_SHIFT",
    "LANCZOS_TAPS",
    "LIKENESS_SHIFT",
    "WEIGHT_STEPS",
    "accumulate_rows",
    "align_rows",
    "area_mean_rows",
    "block_reach_rows",
    "energy_rows",
    "finish_maps_rows",
    "finish_peak_rows",
    "finish_picture_rows",
    "follow_rows",
    "glance_rows",
    "guide_rows",
    "hide_rows",
    "judge_rows",
    "lanczos_table",
    "luma_rows",
    "normal_equations_rows",
    "run_strips",
    "share_rows",
    "take_in_rows",
    "tile_detail",
    "weight_sum_rows",
]
