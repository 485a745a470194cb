"""The bass over the plan at any frequency, and along any line of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from raysim.errors import SettingsError
from raysim.quantities.bass_levels import level_db
from raysim.quantities.playback import playbacks_of
from raysim.results.data import PLAN_STEP_M, Result

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Complex = NDArray[np.complex128]


@dataclass(frozen=True)
class Plan:
    """All sources together at one frequency, at the height of the first receiver.

    Attributes
    ----------
    frequency_hz : float
        The computed one nearest to what was asked.
    cells : (plan, 2) int
        Steps of PLAN_STEP_M to the right and to the front from the first receiver.
    pressure : (plan,) complex
        Re the root mean square over the plan; NaN where there is no air.
    seat, ways : (3,), (2, 3) float
        Place of the first receiver, and unit vectors to the right and to the front.
    """

    frequency_hz: float
    cells: Ints
    pressure: Complex
    seat: Array
    ways: Array

    def finer(self, times: int) -> tuple[Array, Array, Array]:
        """Steps to the right (a,) and to the front (b,), and levels (a, b) in dB between them."""
        low, high = self.cells.min(axis=0) - 1, self.cells.max(axis=0) + 1
        right, front = (
            np.linspace(low[a], high[a], times * int(high[a] - low[a]) + 1) for a in range(2)
        )
        grid = self._spline(low, high)
        pressure = grid[0](right, front) + 1j * grid[1](right, front)
        return right, front, level_db(np.abs(pressure) ** 2)

    def level_at(self, points: ArrayLike) -> Array:
        """(n,) level in dB re the mean over the plan at (n, 3) places, taken at its height.

        NaN where no computed point of the air lies within a step.
        """
        steps = (np.asarray(points, np.float64) - self.seat) @ self.ways.T / PLAN_STEP_M
        low, high = self.cells.min(axis=0) - 1, self.cells.max(axis=0) + 1
        grid = self._spline(low, high)
        pressure = grid[0].ev(*steps.T) + 1j * grid[1].ev(*steps.T)
        known = self.cells[np.isfinite(self.pressure)]
        near = cKDTree(known).query(steps)[0] <= 1
        return np.where(near, level_db(np.abs(pressure) ** 2), np.nan)

    def _spline(self, low: Ints, high: Ints) -> list[Any]:
        """Cubic splines of the pressure: of its level they would miss the quiet lines.

        Beyond the air each point is taken as the nearest in it.
        """
        from scipy.interpolate import RectBivariateSpline  # takes long; only pictures need it

        there = np.isfinite(self.pressure)
        places = np.indices((high - low + 1).tolist()).reshape(2, -1).T + low
        nearest = cKDTree(self.cells[there]).query(places)[1]
        grid = self.pressure[there][nearest].reshape(tuple(high - low + 1))
        axes = [np.arange(low[a], high[a] + 1) for a in range(2)]
        return [RectBivariateSpline(*axes, part) for part in (grid.real, grid.imag)]


def bass_plan(result: Result, frequency_hz: float, variant: int = 0) -> Plan:
    """The plan at a frequency.

    Raises
    ------
    SettingsError
        The result has no bass, or not at this frequency.
    """
    bass, scene = result.bass, result.scene_in(variant)
    if bass is None:
        raise SettingsError(
            f"tone: {frequency_hz:g} Hz can't be mapped, for this result has no bass; run it again "
            "with --bass"
        )
    low, high = float(bass.frequency_hz[0]), float(bass.frequency_hz[-1])
    if not low <= frequency_hz <= high:
        raise SettingsError(
            f"tone: {frequency_hz:g} Hz is outside the {low:g} to {high:g} Hz that the bass was "
            "computed for; give a frequency between them"
        )
    index = int(np.abs(bass.frequency_hz - frequency_hz).argmin())
    f = bass.frequency_hz[index : index + 1]
    weights = playbacks_of(scene)[-1].weights(f)[:, 0]
    pressure = weights @ bass.field.plan[variant, :, :, index]
    # The plan lies about the first receiver of the first variant.
    at_seat = int(np.abs(bass.field.plan_cell).sum(axis=1).argmin())
    ways = np.stack([scene.right_of(scene.front), scene.front])
    seat = bass.field.plan_m[at_seat] - PLAN_STEP_M * bass.field.plan_cell[at_seat] @ ways
    return Plan(
        frequency_hz=float(f[0]),
        cells=bass.field.plan_cell,
        pressure=np.asarray(pressure / np.sqrt(np.nanmean(np.abs(pressure) ** 2))),
        seat=seat,
        ways=ways,
    )


def walk(
    result: Result,
    frequency_hz: float,
    start: ArrayLike,
    end: ArrayLike,
    variant: int = 0,
    count: int = 101,
) -> tuple[Array, Array]:
    """Level along a straight line of the plan at a frequency.

    Parameters
    ----------
    start, end : (3,) float, m
        Taken at the height of the plan.

    Returns
    -------
    distance_m, level_db : (count,) float
        From the start; dB re the mean over the plan, NaN where there is no air.

    Raises
    ------
    SettingsError
        As `bass_plan`.
    """
    first, last = np.asarray(start, np.float64), np.asarray(end, np.float64)
    share = np.linspace(0, 1, count)[:, None]
    plan = bass_plan(result, frequency_hz, variant)
    return share[:, 0] * np.linalg.norm(last - first), plan.level_at(first + share * (last - first))
