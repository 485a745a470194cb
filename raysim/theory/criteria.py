"""What standards ask of control and listening rooms.

Each criterion names its clause and how surely it is known here: 'seen' in public quotations of
the standard, or 'from memory'.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

DECAY_SOURCE = "ITU-R BS.1116-3 (2015), 8.2.3.1 (seen in quotations)"
DECAY_RANGE_SOURCE = "EBU Tech 3276 (1998), 2nd edition (seen in quotations)"
REFLECTION_SOURCE = (
    "EBU Tech 3276 (1998), 2nd edition (seen in quotations); "
    "ITU-R BS.1116-3 (2015), 8.3.3.1 (from memory)"
)
PROPORTION_SOURCE = "ITU-R BS.1116-3 (2015), 8.2.2.3, after Walker 1993 (seen in quotations)"

REFERENCE_VOLUME_M3 = 100.0
DECAY_BANDS_HZ = (200.0, 4000.0)
DECAY_RANGE_S = (0.2, 0.4)
LARGEST_VOLUME_M3 = 300.0

REFLECTION_WINDOW_S = 0.015
REFLECTION_LEVEL_DB = -10.0
REFLECTION_BANDS_HZ = (1000.0, 8000.0)

# Figure 1 of BS.1116-3: deviations from the nominal decay time, straight lines on log frequency.
# Seen: 63, 200, 4000 and 8000 Hz and that the lower limit starts at 100 Hz. From memory: that
# the lines between these points are straight.
_UPPER = ((63.0, 200.0, 4000.0, 8000.0), (0.30, 0.05, 0.05, 0.10))
_LOWER = ((100.0, 200.0, 4000.0, 8000.0), (-0.05, -0.05, -0.05, -0.10))


def nominal_decay_time(volume: float) -> float:
    """Nominal decay time in s: 0.25 (V / 100 m3)^(1/3), the mean over 200 Hz to 4 kHz.

    ITU-R BS.1116-3, 8.2.3.1; EBU Tech 3276 has the same and asks 0.2 to 0.4 s besides, which
    the formula leaves below 51.2 m3.
    """
    return float(0.25 * np.cbrt(volume / REFERENCE_VOLUME_M3))


def decay_tolerance_s(frequency_hz: ArrayLike) -> tuple[Array, Array]:
    """Lower and upper deviation in s from the nominal decay time, (n,) each.

    -inf and inf where the mask sets no limit (ITU-R BS.1116-3, 8.2.3.1, figure 1).
    """
    octave = np.log2(np.asarray(frequency_hz, dtype=np.float64))
    lower, upper = (
        np.interp(octave, np.log2(points), deviations, left=far, right=far)
        for (points, deviations), far in ((_LOWER, -np.inf), (_UPPER, np.inf))
    )
    return lower, upper


@dataclass(frozen=True)
class Proportions:
    """Verdict on a rectangular room's proportions and the numbers behind it.

    `lowest`, `ratio` and `highest` are 1.1 w/h, l/h and 4.5 w/h - 4.
    """

    lowest: float
    ratio: float
    highest: float
    is_met: bool


def room_proportions(length_m: float, width_m: float, height_m: float) -> Proportions:
    """Check 1.1 w/h <= l/h <= 4.5 w/h - 4, l/h < 3, w/h < 3 (ITU-R BS.1116-3, 8.2.2.3).

    For rectangular rooms only; the longer side is taken as the length.
    """
    longer, shorter = max(length_m, width_m) / height_m, min(length_m, width_m) / height_m
    lowest, highest = 1.1 * shorter, 4.5 * shorter - 4.0
    is_met = lowest <= longer <= highest and longer < 3 and shorter < 3
    return Proportions(lowest, longer, highest, bool(is_met))
