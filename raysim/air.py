"""Air: speed and attenuation of sound (ISO 9613-1:1993), density, viscosity."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

REFERENCE_TEMPERATURE_K = 293.15
TRIPLE_POINT_K = 273.16
REFERENCE_PRESSURE_KPA = 101.325
MOLAR_MASS_KG, GAS_CONSTANT = 0.0289647, 8.314462618


@dataclass(frozen=True)
class Air:
    """What absorbers need to know of the air in them, SI units.

    Attributes
    ----------
    density : float, kg/m3
    speed_of_sound : float, m/s
    viscosity : float, Pa s
        Dynamic viscosity.
    pressure : float, Pa
    prandtl, heat_ratio : float
        Prandtl number and ratio of specific heats of dry air, from memory; both change by less
        than 1 % between 0 and 40 degrees Celsius.
    """

    density: float
    speed_of_sound: float
    viscosity: float
    pressure: float
    prandtl: float = 0.71
    heat_ratio: float = 1.40

    @property
    def impedance(self) -> float:
        """Characteristic impedance, Pa s/m."""
        return self.density * self.speed_of_sound


@dataclass(frozen=True)
class Climate:
    """Air in the room: temperature (degrees Celsius), relative humidity (%), pressure (kPa)."""

    temperature_c: float = 20.0
    humidity_percent: float = 50.0
    pressure_kpa: float = REFERENCE_PRESSURE_KPA

    @property
    def speed_of_sound(self) -> float:
        """Speed of sound in m/s, 343.2 * sqrt(T/293.15) (ISO 9613-1:1993, annex A)."""
        kelvin = self.temperature_c + 273.15
        return float(343.2 * np.sqrt(kelvin / REFERENCE_TEMPERATURE_K))

    @property
    def air(self) -> Air:
        """Density by the ideal gas law, viscosity by Sutherland's law.

        Dry air with the constants of the U.S. Standard Atmosphere 1976, from memory; moisture
        makes air lighter by up to 1 % at 30 degrees Celsius, which is left out.
        """
        kelvin = self.temperature_c + 273.15
        pressure = 1e3 * self.pressure_kpa
        return Air(
            density=pressure * MOLAR_MASS_KG / (GAS_CONSTANT * kelvin),
            speed_of_sound=self.speed_of_sound,
            viscosity=1.458e-6 * kelvin**1.5 / (kelvin + 110.4),
            pressure=pressure,
        )

    def attenuation(self, frequency_hz: ArrayLike) -> NDArray[np.float64]:
        """Energy attenuation m in 1/m at the given frequencies."""
        return np.asarray(attenuation_db_per_m(frequency_hz, self) / (10.0 * np.log10(np.e)))


def attenuation_db_per_m(frequency_hz: ArrayLike, climate: Climate) -> NDArray[np.float64]:
    """Pure-tone attenuation coefficient in dB/m (ISO 9613-1:1993, equations 3 to 5, B.1 to B.3).

    Accuracy +-10 % for molar water vapour 0.05-5 %, 253-323 K, below 200 kPa and
    frequency/pressure 0.0004-10 Hz/Pa (clause 7). For a band, pass its exact midband.

    Parameters
    ----------
    frequency_hz : array_like (n,)
    climate : Climate

    Returns
    -------
    (n,) float, dB/m
    """
    f = np.asarray(frequency_hz, dtype=np.float64)
    kelvin = climate.temperature_c + 273.15
    pressure = climate.pressure_kpa / REFERENCE_PRESSURE_KPA
    warmth = kelvin / REFERENCE_TEMPERATURE_K

    saturation = 10.0 ** (-6.8346 * (TRIPLE_POINT_K / kelvin) ** 1.261 + 4.6151)
    h = climate.humidity_percent * saturation / pressure
    oxygen = pressure * (24 + 4.04e4 * h * (0.02 + h) / (0.391 + h))
    nitrogen = pressure * warmth**-0.5 * (9 + 280 * h * np.exp(-4.170 * (warmth ** (-1 / 3) - 1)))

    classical = 1.84e-11 / pressure * np.sqrt(warmth)
    relaxation = warmth**-2.5 * (
        0.01275 * np.exp(-2239.1 / kelvin) / (oxygen + f**2 / oxygen)
        + 0.1068 * np.exp(-3352.0 / kelvin) / (nitrogen + f**2 / nitrogen)
    )
    return np.asarray(8.686 * f**2 * (classical + relaxation))
