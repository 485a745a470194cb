"""What is kept of one run of a study: its quantities, sealed against damage.

An HDF5 file behind a block of 512 bytes, which HDF5 leaves to its users. The block holds the
task's digest and the SHA-256 of all that follows, so every flipped or missing byte is noticed.
"""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from raysim.errors import ResultError
from raysim.estimate import Estimate
from raysim.results.data import Result
from raysim.results.layout import POSITIONS, Variable, position_axes, word_axis
from raysim.results.store import read_dataset, write_group

KIND = "raysim run of a study"
FORMAT_VERSION = 1
BLOCK_BYTES = 512  # the smallest that HDF5 skips

Array = NDArray[np.float64]


@dataclass(frozen=True)
class RunNumbers:
    """Quantities of one task.

    Attributes
    ----------
    quantities, variants, sources, receivers : tuple of str
    bands_hz : tuple of float
    value, standard_error : (quantity, variant, source, receiver, band) float
        NaN where undefined.
    reason : (quantity, variant, source, receiver, band) int
        Index into `reasons`.
    reasons : tuple of str
        The first is empty: defined.
    volume_m3, schroeder_hz : (variant,) float
    rays, lost_rays : int
    seconds : float
        Wall clock of the computation.
    raysim_version, created, stopped_by, scene_toml, settings : str
    """

    quantities: tuple[str, ...]
    variants: tuple[str, ...]
    sources: tuple[str, ...]
    receivers: tuple[str, ...]
    bands_hz: tuple[float, ...]
    value: Array
    standard_error: Array
    reason: NDArray[np.int64]
    reasons: tuple[str, ...]
    volume_m3: Array
    schroeder_hz: Array
    rays: int
    lost_rays: int
    seconds: float
    raysim_version: str
    created: str
    stopped_by: str
    scene_toml: str
    settings: str


def numbers_bytes(
    result: Result,
    estimates: Mapping[str, Estimate],
    schroeder_hz: Array,
    digest: str,
) -> bytes:
    """A sealed file of the quantities of a result.

    Parameters
    ----------
    result : Result
    estimates : mapping of str to Estimate
        As `quantities.evaluate_all` gives.
    schroeder_hz : (variant,) float
    digest : str
        Of the task, 64 hexadecimal digits.
    """
    texts = np.stack([estimate.reason for estimate in estimates.values()])
    reasons = ["", *sorted({str(text) for text in texts.flat} - {""})]
    codes = np.searchsorted(np.array(reasons), texts)
    axes = ("quantity", *POSITIONS)
    volume = np.array([result.scene_in(k).volume for k in range(len(result.variants))])
    group = {
        **position_axes(result),
        "quantity": word_axis("quantity", list(estimates), "quantity"),
        "reason_text": word_axis("reason_text", reasons, "why a quantity is undefined"),
        "value": Variable(
            axes, np.stack([e.value for e in estimates.values()]), "1", "value, in its own unit"
        ),
        "standard_error": Variable(
            axes,
            np.stack([e.standard_error for e in estimates.values()]),
            "1",
            "standard error of the value, in its own unit",
        ),
        "reason": Variable(axes, codes, "1", "index into reason_text; 0 where defined"),
        "volume": Variable(("variant",), volume, "m3", "volume"),
        "schroeder_frequency": Variable(
            ("variant",), np.asarray(schroeder_hz), "Hz", "Schroeder frequency"
        ),
        "scene_toml": Variable((), np.array(result.scene.text, dtype=object), "1", "the scene"),
    }
    settings = vars(result.settings) | {"threads": None}
    attributes = {
        "kind": KIND,
        "format_version": FORMAT_VERSION,
        "raysim_version": result.raysim_version,
        "created": result.created,
        "seed": result.settings.seed,
        "settings": json.dumps(settings),
        "rays": result.rays,
        "lost_rays": result.lost_rays,
        "stopped_by": result.stopped_by,
        "seconds": result.duration_of_run_s,
    }
    buffer = io.BytesIO()
    with h5py.File(buffer, "w") as file:
        file.attrs.update(attributes)
        write_group(file, group)
    return seal(buffer.getvalue(), digest)


def seal(data: bytes, digest: str) -> bytes:
    """`data` behind the block that names its task and its checksum."""
    return _block(digest, hashlib.sha256(data).hexdigest()) + data


def _block(digest: str, checksum: str) -> bytes:
    text = f"{KIND}\ntask {digest}\nsha256 {checksum}\n"
    return text.encode("ascii").ljust(BLOCK_BYTES, b"\0")


def is_intact(data: bytes, digest: str) -> bool:
    """Whether these are the bytes that `seal` made for the task, every one of them."""
    body = data[BLOCK_BYTES:]
    return data[:BLOCK_BYTES] == _block(digest, hashlib.sha256(body).hexdigest())


def read_numbers(path: Path, digest: str) -> RunNumbers | None:
    """Numbers of a sealed file; None where it is missing, damaged or another task's.

    Raises
    ------
    ResultError
        The file is there but may not be read.
    """
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise ResultError(
            f"{path}: cannot be read ({error.strerror}); check its permissions"
        ) from None
    if not is_intact(data, digest):
        return None
    with h5py.File(io.BytesIO(data), "r") as file:
        return _numbers_from(file)


def _numbers_from(file: Any) -> RunNumbers:
    attributes = dict(file.attrs)

    def names(key: str) -> tuple[str, ...]:
        return tuple(read_dataset(file, key))

    return RunNumbers(
        quantities=names("quantity"),
        variants=names("variant"),
        sources=names("source"),
        receivers=names("receiver"),
        bands_hz=tuple(float(f) for f in read_dataset(file, "band")),
        value=read_dataset(file, "value"),
        standard_error=read_dataset(file, "standard_error"),
        reason=read_dataset(file, "reason"),
        reasons=names("reason_text"),
        volume_m3=read_dataset(file, "volume"),
        schroeder_hz=read_dataset(file, "schroeder_frequency"),
        rays=int(attributes["rays"]),
        lost_rays=int(attributes["lost_rays"]),
        seconds=float(attributes["seconds"]),
        raysim_version=str(attributes["raysim_version"]),
        created=str(attributes["created"]),
        stopped_by=str(attributes["stopped_by"]),
        scene_toml=str(file["scene_toml"].asstr()[()]),
        settings=str(attributes["settings"]),
    )
