"""Directivity from AES69 (SOFA) files: a source amid many receivers in the free field.

Such files are netCDF-4, that is HDF5; the general reader h5py opens them.
"""

from __future__ import annotations

from collections.abc import Sequence
from os import PathLike
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from raysim.bands import band_edges_hz
from raysim.errors import SceneError
from raysim.loudspeakers.around import merged, spread
from raysim.loudspeakers.directivity import Directivity

Array = NDArray[np.float64]

TRANSFER = ("FreeFieldDirectivityTF", "GeneralTF")
IMPULSE = ("GeneralFIR",)
AXIS_WITHIN_DEG = 12.5


def read_sofa(path: str | PathLike[str], bands_hz: Sequence[float]) -> Directivity:
    """Read the energy by direction, averaged over octave bands.

    Directions are those of the receivers, from the source, against its view and up. Each band is
    the mean of the squared pressure, every part of the logarithmic frequency axis weighing alike.

    Raises
    ------
    SceneError
        Not such a file, of a convention that holds no directivity, or with directions or
        frequencies missing; one sentence.
    """
    import h5py  # takes long; most scenes have no such file

    try:
        with h5py.File(path, "r") as file:
            _check_convention(file, path)
            points = _directions(file, path)
            frequency, pressure = _spectrum(file, path)
    except (OSError, KeyError, ValueError, TypeError, RuntimeError) as error:
        lack = f" ({error.args[0]})" if isinstance(error, KeyError) and error.args else ""
        raise SceneError(f"{path}: {_why_unreadable(path)}{lack}") from error
    if len(points) != len(pressure):
        raise SceneError(
            f"{path}: {len(points)} receivers for {len(pressure)} spectra; it is broken"
        )
    energy = _band_energy(path, frequency, np.abs(pressure) ** 2, bands_hz)
    off_axis = np.degrees(np.arccos(np.clip(points[:, 0].max(), -1, 1)))
    if off_axis > AXIS_WITHIN_DEG:
        raise SceneError(
            f"{path}: no receiver within {AXIS_WITHIN_DEG:g} degrees of the source's view "
            f"(SourceView), the nearest is {off_axis:.0f} off; levels are re that axis"
        )
    points, energy, _ = merged(points, energy)
    try:
        table = spread(points, energy)
    except ValueError as error:
        raise SceneError(f"{path}: {error}") from None
    return Directivity(table, f"AES69 file '{Path(path).name}', {len(points)} directions")


def _why_unreadable(path: str | PathLike[str]) -> str:
    if not Path(path).is_file():
        return "there is no such file; check the name"
    import h5py

    if not h5py.is_hdf5(path):
        return "it is not an AES69 (SOFA) file; those are netCDF-4"
    return "it is damaged or lacks what its convention asks for; export it again"


def _check_convention(file: Any, path: str | PathLike[str]) -> None:
    if _word(file.attrs.get("Conventions")) != "SOFA":
        raise SceneError(f"{path}: an HDF5 file, but not AES69 (SOFA); give one of that standard")
    convention = _word(file.attrs.get("SOFAConventions"))
    if convention not in (*TRANSFER, *IMPULSE):
        raise SceneError(
            f"{path}: its convention is {convention or 'not given'}, which holds no directivity "
            f"of a source; give one of {', '.join((*TRANSFER, *IMPULSE))}, with receivers around "
            "the source"
        )


def _word(value: Any) -> str:
    if isinstance(value, bytes):
        return value.decode("utf-8", "replace")
    return value if isinstance(value, str) else ""


def _directions(file: Any, path: str | PathLike[str]) -> Array:
    """(receivers, 3) unit vectors ahead, right, top of the source."""
    receiver = _cartesian(file, "ReceiverPosition") + _cartesian(file, "ListenerPosition")[:1]
    away = receiver - _cartesian(file, "SourcePosition")[:1]
    distance = np.linalg.norm(away, axis=1, keepdims=True)
    if not (distance > 1e-6).all():
        raise SceneError(
            f"{path}: a receiver stands at the source; a directivity needs receivers around it"
        )
    ahead = _cartesian(file, "SourceView", (1.0, 0.0, 0.0))[0]
    up = _cartesian(file, "SourceUp", (0.0, 0.0, 1.0))[0]
    right = np.cross(ahead, up)
    if np.linalg.norm(right) <= 1e-6 * np.linalg.norm(ahead) * np.linalg.norm(up):
        raise SceneError(f"{path}: SourceView and SourceUp give no frame; they must be at an angle")
    ahead, right = ahead / np.linalg.norm(ahead), right / np.linalg.norm(right)
    frame = np.stack([ahead, right, np.cross(right, ahead)])
    return np.asarray(away / distance @ frame.T)


def _cartesian(file: Any, name: str, absent: tuple[float, ...] | None = None) -> Array:
    """(n, 3) positions or vectors; 'spherical' is azimuth to the left, elevation, radius."""
    if absent is not None and name not in file:
        return np.array([absent])
    data = np.asarray(file[name][...], dtype=np.float64)
    data = data.reshape(data.shape[0], 3, -1)[..., 0]
    if _word(file[name].attrs.get("Type")) != "spherical":
        return data
    azimuth, elevation, radius = np.radians(data[:, 0]), np.radians(data[:, 1]), data[:, 2]
    level = radius * np.cos(elevation)
    return np.stack(
        [level * np.cos(azimuth), level * np.sin(azimuth), radius * np.sin(elevation)], axis=1
    )


def _spectrum(file: Any, path: str | PathLike[str]) -> tuple[Array, NDArray[np.complex128]]:
    """Frequencies (n,) in Hz and transfer functions (receivers, n)."""
    impulse = "Data.IR" in file
    shape = file["Data.IR" if impulse else "Data.Real"].shape
    if len(shape) != 3 or shape[0] != 1:
        raise SceneError(
            f"{path}: {shape[0]} measurements; give a file with one, all receivers around the "
            "source in it"
        )
    if impulse:
        rate = float(np.ravel(file["Data.SamplingRate"][...])[0])
        response = np.asarray(file["Data.IR"][0], dtype=np.float64)
        return np.asarray(np.fft.rfftfreq(shape[2], 1 / rate)), np.fft.rfft(response, axis=1)
    pressure = np.asarray(file["Data.Real"][0]) + 1j * np.asarray(file["Data.Imag"][0])
    return np.ravel(np.asarray(file["N"][...], dtype=np.float64)), pressure


def _band_energy(
    path: str | PathLike[str], frequency: Array, square: Array, bands_hz: Sequence[float]
) -> Array:
    """(receivers, bands) means of (receivers, frequencies)."""
    order = np.argsort(frequency)[np.count_nonzero(frequency <= 0) :]
    frequency, square = frequency[order], square[:, order]
    share = np.gradient(np.log(frequency)) if len(order) > 1 else np.ones(len(order))
    means, missing = [], []
    for band in bands_hz:
        low, high = band_edges_hz(band)
        inside = (frequency >= low) & (frequency <= high)
        if not inside.any():
            missing.append(f"{band:g}")
            continue
        means.append(square[:, inside] @ share[inside] / share[inside].sum())
    if missing:
        raise SceneError(
            f"{path}: no frequency within the octaves {', '.join(missing)} Hz; set 'bands' of the "
            "scene to the octaves that it holds"
        )
    energy = np.stack(means, axis=1)
    if not (np.isfinite(energy).all() and (energy > 0).all()):
        raise SceneError(f"{path}: a spectrum is zero or not finite; export it again")
    return energy
