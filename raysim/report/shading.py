"""How a map is coloured: a shade is never finer than the map's error allows.

Two scales. A change goes from blues (less) over a neutral middle to browns (more, hatched on
paper). A share of energy gets darker with every doubling.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from matplotlib.colors import BoundaryNorm, ListedColormap
from numpy.typing import NDArray

from raysim.quantities.places import SURE, Slopes, in_blocks
from raysim.quantities.shares import Share
from raysim.report import style
from raysim.results.data import Maps

Array = NDArray[np.float64]

NICE = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)
PRINTED = ((1.0, "dB/m²"), (1e3, "ms/m²"))
TITLES = ("early level", "T20")
DOUBLINGS = 3
SURE_SHARE = 6.0  # a shade is a doubling: an error of a sixth seldom crosses it
SHARE_LABELS = ("⅛", "¼", "½", "1", "2", "4", "8")


@dataclass(frozen=True)
class Shading:
    """A map and its shades.

    Attributes
    ----------
    value, error : (patches,) float
    exact : (patches,) float
        Part of `value` that is drawn patch by patch, for it has no sampling error.
    event, sure : float
        See `places.in_blocks`.
    step : float
        A difference that matters, in the unit of `value`.
    colours, limits : matplotlib's
        Shade of a value: ``colours(limits(value))``.
    labels : tuple of str
        Of each shade.
    title : str
        What the shades mean.
    more_above : float
        Values above it are hatched on paper; infinite where lightness tells all.
    factor, unit : float, str
        For printing a value.
    """

    value: Array
    error: Array
    exact: Array
    event: float
    sure: float
    step: float
    colours: ListedColormap
    limits: BoundaryNorm
    labels: tuple[str, ...]
    title: str
    more_above: float
    factor: float
    unit: str

    def drawn(self, maps: Maps, facet: int) -> tuple[Array, Array]:
        """Value and standard error as drawn, (rows, columns) of a facet; NaN where not known.

        Where only what exact paths bring is known, that is drawn and the error is NaN.
        """
        value, error = in_blocks(
            *(maps, facet, self.value - self.exact, self.error), self.step, self.event, self.sure
        )
        own = slice(int(maps.first[facet]), int(maps.first[facet]) + value.size)
        return self._with_exact(value, own), error

    def drawn_everywhere(self, maps: Maps) -> Array:
        """(2, patches) value and error of all facets as `drawn` gives them."""
        found = np.full((2, len(self.value)), np.nan)
        counts = maps.columns * maps.rows
        for facet in np.flatnonzero(counts > 1):
            own = slice(int(maps.first[facet]), int(maps.first[facet] + counts[facet]))
            found[:, own] = [of.ravel() for of in self.drawn(maps, int(facet))]
        alone = maps.first[counts == 1]  # a curved surface has thousands
        value, error = self._alone(maps, alone)
        found[:, alone] = self._with_exact(value, alone), error
        return found

    def _alone(self, maps: Maps, patches: NDArray[np.int64]) -> tuple[Array, Array]:
        """`in_blocks` of facets of one patch each."""
        area = maps.area_m2[patches]
        value = (self.value - self.exact)[patches]
        with np.errstate(divide="ignore", invalid="ignore"):
            error = np.hypot(self.error[patches], self.event / area)
            is_known = (area > 0) & (self.sure * error <= np.maximum(np.abs(value), self.step))
        return np.where(is_known, value, np.nan), np.where(is_known, error, np.nan)

    def _with_exact(self, value: Array, where: slice | NDArray[np.int64]) -> Array:
        exact = self.exact[where].reshape(value.shape)
        return np.where(np.isnan(value) & (exact > 0), exact, value + exact)


def slope_shading(slopes: Slopes, quantity: int, known: Array) -> Shading:
    """Change of one of `MAP_QUANTITIES` for a square metre more; `known` sets the scale.

    Parameters
    ----------
    slopes : Slopes
        Of every patch.
    known : (n,) float
        Values that are known, in SI units; the greatest fits in the scale.
    """
    factor, unit = PRINTED[quantity]
    step = scale_step(known, factor)
    colours, limits = style.diverging(step)
    changes = [(k - style.SHADES) * step * factor for k in range(2 * style.SHADES + 1)]
    return Shading(
        value=slopes.value[:, quantity],
        error=slopes.error[:, quantity],
        exact=np.zeros(len(slopes.value)),
        event=0.0,
        sure=SURE,
        step=step,
        colours=colours,
        limits=limits,
        labels=tuple(f"{c:.3g}".replace("-", "\N{MINUS SIGN}") for c in changes),
        title=f"change of {TITLES[quantity]} for a square metre more, {unit}; darkest: and beyond",
        more_above=step / 2,
        factor=factor,
        unit=unit,
    )


def share_shading(share: Share, title: str, sure: float = SURE) -> Shading:
    """Energy over the mean of all surfaces, a shade a doubling."""
    colours, limits = style.doublings(DOUBLINGS)
    return Shading(
        value=share.value,
        error=share.error,
        exact=share.exact,
        event=share.event,
        sure=sure,
        step=2.0**-DOUBLINGS,
        colours=colours,
        limits=limits,
        labels=SHARE_LABELS,
        title=f"{title}, times the mean of all surfaces; ends: and beyond",
        more_above=math.inf,
        factor=1.0,
        unit="× mean",
    )


def scale_step(known: Array, factor: float) -> float:
    """Step of a scale of changes, SI units, round when printed with `factor`."""
    known = np.abs(known)
    least = float(known.max()) * factor / style.SHADES if known.size and known.max() > 0 else 1.0
    power = 10.0 ** math.floor(math.log10(least))
    return next(n for n in NICE if n * power >= least * (1 - 1e-9)) * power / factor


def known_values(slopes: Slopes, quantity: int) -> Array:
    """Slopes of one quantity that are at least three standard errors from zero."""
    value, error = slopes.value[:, quantity], slopes.error[:, quantity]
    return value[np.abs(value) > SURE * error]
