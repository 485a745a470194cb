"""What it costs when a panel is hung a few centimetres beside its place."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
import shapely
from shapely.affinity import translate

from raysim.quantities.coverage import Need, areas_covered, find_needs, share_covered
from raysim.results.data import Result
from raysim.scene.data import Variant
from raysim.scene.placing import same_plane
from raysim.theory.criteria import REFLECTION_LEVEL_DB

SLIP_M = 0.05
CRITICAL_SHARE = 0.05


@dataclass(frozen=True)
class Slip:
    """The worst that a slip of a treatment along its surface bares.

    Attributes
    ----------
    treatment : str
    need : Need or None
        Reflection that is bared most; None where the piece covers none, or stays over it.
    bared : float
        Share of that reflection's rectangle that is covered in place and bare after the slip.
    """

    treatment: str
    need: Need | None
    bared: float

    @property
    def is_critical(self) -> bool:
        """Whether more than a twentieth is bared of a reflection above the criterion."""
        return (
            self.need is not None
            and self.bared > CRITICAL_SHARE
            and self.need.level_db > REFLECTION_LEVEL_DB
        )


def find_slips(result: Result, variant: Variant, slip_m: float = SLIP_M) -> tuple[Slip, ...]:
    """Of every piece of a variant that covers a part of a surface, in its order.

    Each is moved by `slip_m` along both of the surface's directions and both at once, the others
    stay. Reflections are those of `find_needs`.
    """
    scene = result.scene_in(0)
    needs = [need for need in find_needs(result) if len(need.sources) == 1]
    found = []
    for index in variant.treatments:
        treatment = result.scene.treatments[index]
        if treatment.is_object:
            continue
        own = result.scene.facets[treatment.facet]
        worst = Slip(treatment.name, None, 0.0)
        for need in needs:
            if not same_plane(own, scene.facets[need.facet]):
                continue
            areas = areas_covered(result, variant, need)
            bared = _bared(need, areas, treatment.name, slip_m)
            if bared > worst.bared + 1e-9:
                worst = Slip(treatment.name, need, bared)
        found.append(worst)
    return tuple(found)


def _bared(need: Need, areas: dict[str, shapely.Geometry], name: str, slip_m: float) -> float:
    rect = shapely.box(*need.rect)
    before = share_covered(rect, shapely.union_all(list(areas.values())))
    others = [area for other, area in areas.items() if other != name]
    after = [
        share_covered(
            rect, shapely.union_all([*others, translate(areas[name], du * slip_m, dv * slip_m)])
        )
        for du, dv in product((-1, 0, 1), repeat=2)
    ]
    return float(np.clip(before - min(after), 0.0, 1.0))
