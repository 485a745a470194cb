"""Layers of an absorber as frozen data: each gives a medium of some thickness, or a thin sheet."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from raysim.air import Air
from raysim.surfaces import sheets
from raysim.surfaces.porous import (
    ONE_PARAMETER,
    Medium,
    Pores,
    air_medium,
    johnson_champoux_allard,
)

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

# Factors either way, within which a parameter is believed to lie.
GIVEN_FACTOR = 1.6
DENSITY_FACTOR = 2.0
LOSS_FACTOR = 2.0
GIVEN_BASIS = (
    "flow resistivity and cloth a factor 1.6 either way (judgement, after the difference across "
    "and along a sheet of glass wool, 1.6 to 1.7, Tarnow 2000)"
)
DENSITY_BASIS = (
    "flow resistivity a factor 2 either way where it follows from the density (judgement: the "
    "fibre's diameter enters squared)"
)
LOSS_BASIS = "loss of panels and membranes a factor 2 either way (judgement)"
MODEL_BASIS = "beside Miki's model, that of Allard and Champoux"


@dataclass(frozen=True)
class Porous:
    """A porous layer with a frame that stands still.

    Attributes
    ----------
    thickness : float, m
    resistivity : float
        Flow resistivity, Pa s/m2.
    model : str
        A key of `ONE_PARAMETER`, or 'jca', which needs `pores`.
    partitioned : bool
        Cut into cells, so that sound travels in it along the normal only (locally reacting).
    stuff : str
        What it is made of, where that was said ('foam', 'glass wool', ...).
    from_density : bool
        Whether the resistivity was derived from a density.
    """

    thickness: float
    resistivity: float
    model: str = "miki"
    pores: Pores | None = None
    partitioned: bool = False
    stuff: str = ""
    from_density: bool = False

    def medium(self, frequency_hz: Array, air: Air) -> Medium:
        """Equivalent fluid at (F,) frequencies."""
        if self.pores is not None:
            return johnson_champoux_allard(frequency_hz, self.resistivity, self.pores, air)
        return ONE_PARAMETER[self.model](frequency_hz, self.resistivity, air)

    def looser(self, times: int) -> Porous:
        """The layer at an end of its range: `times` -1, 0 or 1 the factor."""
        factor = DENSITY_FACTOR if self.from_density else GIVEN_FACTOR
        return replace(self, resistivity=self.resistivity * factor**-times)


@dataclass(frozen=True)
class Gap:
    """Air; with partitions closer than half a wavelength sound travels along the normal only."""

    thickness: float
    partitioned: bool = False

    def medium(self, frequency_hz: Array, air: Air) -> Medium:
        """Free air at (F,) frequencies."""
        return air_medium(frequency_hz, air)


@dataclass(frozen=True)
class Perforated:
    """A stiff sheet with round holes; microperforated where they are below a millimetre.

    Attributes
    ----------
    thickness, diameter : float, m
    open_share : float
        Area of the holes per area of the sheet.
    """

    thickness: float
    diameter: float
    open_share: float

    @property
    def spacing(self) -> float:
        """Distance of the holes' middles in squares, m."""
        return float(self.diameter * np.sqrt(np.pi / (4 * self.open_share)))

    def impedance(self, frequency_hz: Array, outside: tuple[Complex, Complex], air: Air) -> Complex:
        """(F,) Pa s/m, between media of these densities."""
        inside = sheets.hole_density(frequency_hz, self.diameter, air)
        end = sheets.hole_end(self.diameter, self.open_share)
        return sheets.openings(
            frequency_hz, inside, self.thickness, end, self.open_share, outside, air
        )


@dataclass(frozen=True)
class Slotted:
    """A stiff sheet, or boards, with long slots of `width` m that take the share `open_share`."""

    thickness: float
    width: float
    open_share: float

    @property
    def spacing(self) -> float:
        """Distance of the slots' middles, m."""
        return self.width / self.open_share

    def impedance(self, frequency_hz: Array, outside: tuple[Complex, Complex], air: Air) -> Complex:
        """(F,) Pa s/m, between media of these densities."""
        inside = sheets.slot_density(frequency_hz, self.width, air)
        end = sheets.slot_end(self.width, self.open_share)
        return sheets.openings(
            frequency_hz, inside, self.thickness, end, self.open_share, outside, air
        )


@dataclass(frozen=True)
class Mass:
    """A limp sheet that lets no air through: film, membrane or panel.

    The bending stiffness of a panel between its battens is left out: it raises the resonance of
    small or thick panels.

    Attributes
    ----------
    area_density : float, kg/m2
    loss : float
        Loss factor: the resistance is loss * omega * area_density.
    kind : str
        'film', 'membrane' or 'panel'.
    thickness : float, m
        Of panels and films; counts for the depth only.
    """

    area_density: float
    loss: float
    kind: str
    thickness: float = 0.0

    def impedance(
        self, frequency_hz: Array, _outside: tuple[Complex, Complex], _air: Air
    ) -> Complex:
        """(F,) Pa s/m."""
        return sheets.mass(frequency_hz, self.area_density, self.loss)

    def looser(self, times: int) -> Mass:
        """The sheet at an end of the range of its loss."""
        return replace(self, loss=self.loss * LOSS_FACTOR**-times)


@dataclass(frozen=True)
class Fabric:
    """Cloth of a flow resistance in Pa s/m; held still, or free to move with its mass in kg/m2."""

    resistance: float
    area_density: float | None = None

    def impedance(
        self, frequency_hz: Array, _outside: tuple[Complex, Complex], _air: Air
    ) -> Complex:
        """(F,) Pa s/m."""
        return sheets.cloth(frequency_hz, self.resistance, self.area_density)

    def looser(self, times: int) -> Fabric:
        """The cloth at an end of its range."""
        return replace(self, resistance=self.resistance * GIVEN_FACTOR**-times)


Thick = Porous | Gap
Sheet = Perforated | Slotted | Mass | Fabric
Layer = Thick | Sheet


def range_basis(layers: Iterable[Layer]) -> str:
    """What the range of these layers holds, in words, and that workmanship isn't in it."""
    own = tuple(layers)
    porous = [one for one in own if isinstance(one, Porous)]
    given = [one for one in porous if not one.from_density]
    said = {
        GIVEN_BASIS: bool(given) or any(isinstance(one, Fabric) for one in own),
        DENSITY_BASIS: any(one.from_density for one in porous),
        LOSS_BASIS: any(isinstance(one, Mass) and one.loss > 0 for one in own),
        MODEL_BASIS: any(one.model == "miki" for one in porous),
    }
    listed = [words for words, holds in said.items() if holds]
    left_out = "workmanship, mounting and the other sizes are taken as exact"
    return "; ".join([*listed, left_out])
