"""Saving and loading is the identity, whatever the names and numbers."""

import dataclasses

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as some

from raysim.results.store import load_result, save
from tests.results_made import exponential_result

TEXTS = some.text(some.characters(exclude_characters="\0", exclude_categories=["Cs"]), max_size=20)
NUMBERS = some.floats(allow_nan=True, allow_infinity=True)


def assert_identical(one, other, where="result"):
    """Equal to the bit, field by field."""
    assert type(one) is type(other), where
    if dataclasses.is_dataclass(one):
        for field in dataclasses.fields(one):
            assert_identical(
                getattr(one, field.name), getattr(other, field.name), f"{where}.{field.name}"
            )
    elif isinstance(one, tuple):
        assert len(one) == len(other), where
        for number, pair in enumerate(zip(one, other, strict=True)):
            assert_identical(*pair, f"{where}[{number}]")
    elif isinstance(one, np.ndarray):
        assert one.dtype == other.dtype, where
        assert one.shape == other.shape, where
        assert one.tobytes() == other.tobytes(), where
    else:
        assert one == other or (one != one and other != other), where


@settings(
    max_examples=20,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
    derandomize=True,
)
@given(data=some.data())
def test_save_then_load_is_identity(data, tmp_path):
    """Any UTF-8 names, notes and text; energies of any bits; with and without paths."""
    receivers = data.draw(some.integers(1, 3))
    result = exponential_result(
        bass=True,
        batches=3,
        duration_s=0.02,
        receivers=receivers,
        paths=data.draw(some.booleans()),
        variants=tuple(data.draw(some.lists(TEXTS, min_size=1, max_size=2, unique=True))),
    )
    scene = result.scene
    names = data.draw(some.lists(TEXTS, min_size=receivers, max_size=receivers))
    scene = dataclasses.replace(
        scene,
        title=data.draw(TEXTS),
        text=data.draw(TEXTS) * 5000,
        path=data.draw(TEXTS),
        notes=tuple(data.draw(some.lists(TEXTS, max_size=3))),
        warnings=tuple(data.draw(some.lists(TEXTS, max_size=3))),
        receivers=tuple(
            dataclasses.replace(r, name=name)
            for r, name in zip(scene.receivers, names, strict=True)
        ),
        volume=data.draw(some.floats(1, 1e4)),
    )
    energy = result.energy_batches.copy()
    energy.flat[data.draw(some.integers(0, energy.size - 1))] = data.draw(NUMBERS)
    result = dataclasses.replace(result, scene=scene, energy_batches=energy)
    path = tmp_path / "raum größe 音.h5"
    save(result, path)
    assert_identical(result, load_result(path))


def test_identity_notices_one_bit():
    """Negative control of the comparison."""
    result = exponential_result(batches=3, duration_s=0.02)
    energy = result.energy_batches.copy()
    energy.flat[7] = np.nextafter(energy.flat[7], 1)
    changed = dataclasses.replace(result, energy_batches=energy)
    try:
        assert_identical(result, changed)
    except AssertionError:
        return
    raise AssertionError("a changed bit went unnoticed")
