"""One side of a comparison: a variant of a result, and what two of them have in common."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches

import numpy as np

from raysim.errors import ResultError
from raysim.results.data import Result
from raysim.scene.data import Receiver, Scene, Source


@dataclass(frozen=True)
class Side:
    """A variant of a result.

    Attributes
    ----------
    name : str
        What it is called beside the other: the variant, or the file and the variant.
    variant : str
    result : Result
        Of this variant alone.
    origin : Result
        That it is of.
    """

    name: str
    variant: str
    result: Result
    origin: Result

    @property
    def scene(self) -> Scene:
        """The scene with this variant's boundary, sources and receivers."""
        return self.result.scene_in(0)


def side_of(result: Result, variant: str, name: str = "", where: str = "result") -> Side:
    """Take one variant of a result.

    Parameters
    ----------
    name : str
        Shown instead of the variant's.
    where : str
        The file, for errors.

    Raises
    ------
    ResultError
        The result has no such variant.
    """
    if variant not in result.variants:
        near = get_close_matches(variant, result.variants, n=1)
        there = ", ".join(f"'{one}'" for one in result.variants)
        cure = f"did you mean '{near[0]}'?" if near else f"there is {there}"
        raise ResultError(f"{where}: no variant '{variant}' was computed; {cure}")
    number = result.variants.index(variant)
    alone = replace(
        result,
        variants=(variant,),
        energy_batches=result.energy_batches[:, number : number + 1],
        reflections=tuple(
            path if number == 0 else replace(path, variant=0)
            for path in result.reflections
            if path.variant == number
        ),
        maps=None,
        bass=None if result.bass is None else result.bass.of_variant(number),
    )
    return Side(name or variant, variant, alone, result)


@dataclass(frozen=True)
class Common:
    """Sources, receivers and bands of both sides, as indices into each (before, after)."""

    sources: tuple[tuple[int, int], ...]
    receivers: tuple[tuple[int, int], ...]
    bands: tuple[tuple[int, int], ...]
    pairs: tuple[str, ...]
    receiver_names: tuple[str, ...]
    bands_hz: tuple[float, ...]

    def pick(self, values: np.ndarray, side: int) -> np.ndarray:
        """Rows of (source, receiver, band, ...) that both have; side 0 or 1."""
        chosen = (
            [one[side] for one in axis] for axis in (self.sources, self.receivers, self.bands)
        )
        return np.asarray(values[np.ix_(*chosen)])


def common_of(before: Side, after: Side) -> Common:
    """What both sides have, by name and nominal band.

    Raises
    ------
    ResultError
        Nothing of one kind is in both.
    """
    kinds = [
        [([thing.name for thing in getattr(side.scene, kind)]) for side in (before, after)]
        for kind in ("sources", "receivers")
    ]
    kinds.append([list(side.scene.bands_hz) for side in (before, after)])
    shared = [_shared(*both) for both in kinds]
    for indices, noun, (first, second) in zip(
        shared, ("source", "receiver", "band"), kinds, strict=True
    ):
        if not indices:
            raise ResultError(
                f"'{before.name}' and '{after.name}': no {noun} is in both ({_list(first)} against "
                f"{_list(second)}); compare results whose scenes share one"
            )
    sources, receivers, bands = shared
    names = [[kinds[k][0][i] for i, _ in shared[k]] for k in range(3)]
    return Common(
        sources,
        receivers,
        bands,
        tuple(f"{s} to {r}" for s in names[0] for r in names[1]),
        tuple(names[1]),
        tuple(names[2]),
    )


def pairing(before: Side, after: Side) -> tuple[bool, str]:
    """Whether the two share random numbers, and in words how that enters the error.

    Batch i of both is then compared with batch i, which is right whatever they share: batches
    of different number are independent.
    """
    one, other = before.origin, after.origin
    if one is other:
        return True, "on one trace: errors of the difference, random numbers shared"
    if one.settings.seed != other.settings.seed:
        return False, "of different seeds: the errors of both added as squares"
    if len(one.energy_batches) != len(other.energy_batches):
        return False, "of different numbers of batches: the errors of both added as squares"
    apart = [
        noun
        for noun, differs in (
            ("numbers of rays", one.rounds != other.rounds),
            ("positions", _places(before) != _places(after)),
            ("meshes", before.scene.mesh_sha256 != after.scene.mesh_sha256),
        )
        if differs
    ]
    if apart:
        return True, (
            f"of one seed but different {' and '.join(apart)}: errors of the difference, "
            "random numbers shared in part"
        )
    return True, "of one seed, mesh and number of rays: errors of the difference, paired"


def _places(side: Side) -> list[tuple[str, bytes]]:
    things: list[Source | Receiver] = [*side.scene.sources, *side.scene.receivers]
    return [(thing.name, thing.position.tobytes()) for thing in things]


def _shared(first: Sequence[object], second: Sequence[object]) -> tuple[tuple[int, int], ...]:
    return tuple((i, second.index(one)) for i, one in enumerate(first) if one in second)


def _list(names: Sequence[object]) -> str:
    return ", ".join(str(name) for name in names)
