"""What a mode is called where the room is near a box."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from raysim.scene.data import UP, Scene
from raysim.waves.reduced import Reduced

Ints = NDArray[np.int64]
Complex = NDArray[np.complex128]

NEAR = 0.7  # share of a mode's energy in the mode of the box it is named after
SAME = 1e-3  # difference of two wavenumbers, real and imaginary, that counts as none
BEYOND = 1.1  # of the highest frequency
ALONG = {"length": "along the length", "width": "across the width", "height": "floor to ceiling"}


class Kinds:
    """Which mode of the bounding box each mode of a room is like; one for all its variants.

    Parameters
    ----------
    scene : Scene
    reduced : Reduced
    """

    def __init__(self, scene: Scene, reduced: Reduced) -> None:
        nodes, mass = reduced.elements.nodes, reduced.mass
        low, size = nodes.min(axis=0), np.ptp(nodes, axis=0)
        highest = BEYOND * 2 * np.pi * reduced.frequency_hz / reduced.speed
        most = (highest * size / np.pi).astype(int)
        numbers = np.indices(most + 1).reshape(3, -1).T
        self.numbers = numbers[((numbers * np.pi / size) ** 2).sum(axis=1) <= highest**2]
        local = np.pi * (nodes - low) / size
        waves = np.ones((len(nodes), len(self.numbers)))
        for a in range(3):
            waves *= np.cos(np.outer(local[:, a], np.arange(most[a] + 1)))[:, self.numbers[:, a]]
        weighed = mass @ waves
        self.strength = np.einsum("ij,ij->j", waves, weighed)
        self.overlap = weighed.T @ reduced.modes.shapes
        self.names = axis_names(scene)

    def turned(self, wavenumbers: Complex, shapes: Complex) -> Complex:
        """Shapes (basis, modes), those of one frequency mixed to be like modes of the box.

        Modes of one frequency and decay, as in a cube, are any mixtures of each other.
        """
        turned = shapes.copy()
        apart = np.abs(np.diff(wavenumbers)) > SAME * np.abs(wavenumbers[1:])
        for own in np.split(np.arange(len(wavenumbers)), np.flatnonzero(apart) + 1):
            if len(own) < 2:
                continue
            overlap = self._overlap(shapes[:, own])
            share = (np.abs(overlap) ** 2).sum(axis=1)
            likest = np.argsort(-share, kind="stable")[: len(own)]
            if share[likest].min() >= NEAR:
                left, _, right = np.linalg.svd(overlap[np.sort(likest)])
                turned[:, own] = shapes[:, own] @ (left @ right).conj().T
        return turned

    def of(self, shapes: Complex) -> list[str]:
        """Names of (basis, modes) shapes, empty where none is near.

        What treatments add to the rigid modes is small and has no part in the name.
        """
        share = np.abs(self._overlap(shapes)) ** 2
        return [
            name_of(self.numbers[b], self.names) if share[b, m] >= NEAR else ""
            for m, b in enumerate(share.argmax(axis=0))
        ]

    def _overlap(self, shapes: Complex) -> Complex:
        """(modes of the box, modes): amplitudes, both of size 1."""
        own = self.overlap @ shapes[: self.overlap.shape[1]]
        return np.asarray(own / np.sqrt(self.strength)[:, None] / np.linalg.norm(shapes, axis=0))


def axis_names(scene: Scene) -> tuple[str, str, str]:
    """What x, y and z are called: the length runs from front to rear."""
    length = int(np.argmax(np.abs(scene.front * (1 - UP))))
    return ("length", "width", "height") if length == 0 else ("width", "length", "height")


def name_of(numbers: Ints, names: tuple[str, str, str]) -> str:
    """Words for mode numbers along x, y, z: 'along the length, 1st'."""
    given = {name: int(n) for name, n in zip(names, numbers, strict=True) if n > 0}
    if len(given) == 1:
        [(name, n)] = given.items()
        return f"{ALONG[name]}, {ordinal(n)}"
    word = "tangential" if len(given) == 2 else "oblique"
    ordered = [f"{name} {given[name]}" for name in ALONG if name in given]
    return ", ".join([word, *ordered]) if given else ""


def ordinal(number: int) -> str:
    """1st, 2nd, 3rd, 4th ..."""
    ending = {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{'th' if 10 <= number % 100 <= 20 else ending}"
