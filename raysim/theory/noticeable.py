"""How much a quantity must change before a listener notices.

The just noticeable differences of ISO 3382-1:2009, table A.1, hold for concert sound and the mean
of 500 Hz and 1 kHz. Here they are taken band by band and in small rooms, for want of better; later
studies found larger ones (for early decay time about 18 %).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

TABLE_A1 = "ISO 3382-1:2009, table A.1 (quoted elsewhere, seen there)"


@dataclass(frozen=True)
class Step:
    """Just noticeable difference.

    Attributes
    ----------
    size : float
        In the unit of the quantity, or a share of its value where `is_share`.
    """

    size: float
    is_share: bool
    source: str

    def at(self, value: Array) -> Array:
        """Step at `value`, in its unit."""
        return self.size * np.abs(value) if self.is_share else np.full_like(value, self.size)


STEPS: dict[str, Step] = {
    "EDT": Step(0.05, True, TABLE_A1),
    "T20": Step(0.05, True, f"as EDT: {TABLE_A1}"),
    "T30": Step(0.05, True, f"as EDT: {TABLE_A1}"),
    "C50": Step(1.1, False, "Applied Acoustics 58, 99 (1999), abstract (seen)"),
    "C80": Step(1.0, False, TABLE_A1),
    "D50": Step(0.05, False, TABLE_A1),
    "Ts": Step(0.010, False, TABLE_A1),
    "G": Step(1.0, False, TABLE_A1),
    "reflection": Step(1.0, False, f"judgement: as G, {TABLE_A1}"),
    "T ratio": Step(0.05, True, f"judgement: as one decay time, {TABLE_A1}"),
    "G balance": Step(1.0, False, f"judgement: as G, {TABLE_A1}"),
    "match": Step(1.0, False, f"judgement: as G, {TABLE_A1}"),
}
