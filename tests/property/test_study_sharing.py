"""Points that share a trace give what each gives with a trace of its own.

With equal scattering the rays go the same ways; they end where the least absorbing of the points
is spent, so that only what is left at the end of the decay differs. Here they end late, and none
search for mirrored paths, of which each room shows others.
"""

from __future__ import annotations

import json
from functools import partial

import numpy as np
import pytest

from raysim.kernels import ray
from raysim.results.run_numbers import read_numbers
from raysim.solvers.mirrored import Mirrored
from raysim.study.plan import Plan
from raysim.study.read import load_study
from raysim.study.tasks import attempt

ROOM = """\
title = "Invented bedroom"
bands = [500, 1000]
[room]
size = [4.2, 3.4, 2.4]
[materials.soft]
absorption = [0.5, 0.6]
scattering = 0.1
[materials.plaster]
absorption = 0.1
scattering = 0.1
[materials.wool]
layers = ["porous 50mm 12000", "gap 50mm"]
scattering = 0.1
[materials.cotton]
layers = ["porous 20mm 30000"]
scattering = 0.1
[surfaces]
"*" = "plaster"
rear = "soft"
floor = "soft"
[patches.window]
on = "left"
at = [1.3, 0.95]
size = [1.3, 1.25]
material = "soft"
[objects.desk]
at = [0.95, 0.45, 0.72]
size = [1.5, 0.7, 0.03]
material = "soft"
[sources.left]
position = [1.10, 0.60, 1.20]
[receivers.seat]
position = [1.70, 1.64, 1.20]
[treatments.panel]
kind = "panel"
on = "right"
at = [1.0, 0.8]
size = [1.2, 1.2]
material = "wool"
"""
VARIANTS = """
[variants.sides]
treatments = "panel"
[variants.softer]
treatments = ["panel"]
surfaces = { "f*" = "soft" }
"""
STUDY = """\
scene = "room.toml"
share_traces = {shared}
[settings]
rays = 32
image_order = 1
duration_s = 0.25
[factors.soft]
path = "materials.soft.absorption"
values = [[0.5, 0.6], 0.7]
[factors.{name}]
path = {path}
values = {values}
"""
FACTORS = {
    "front": ("surfaces.front", ["plaster", "soft"]),
    "layers": (
        "materials.wool.layers",
        [["porous 50mm 12000", "gap 50mm"], ["porous 5mm 3000"]],
    ),
    "place": ("treatments.panel.at", [[1.0, 0.8], [0.2, 0.3]]),
    "stuff": ("treatments.panel.material", ["wool", "cotton"]),
    "named": ("variants.softer.surfaces.ceiling", ["soft", "wool"]),
}
# Of EDT, T20, T30, C50, C80, D50, Ts, G and curvature, in standard errors of one run: those of the
# late decay see where rays end. A wrong material shows as ten and more.
TOLERANCE = np.array([0.1, 0.1, 0.5, 0.1, 0.5, 0.1, 0.1, 0.1, 0.5])[:, None, None, None, None]


def computed(folder, shared, name, variants):
    """Values and standard errors (run, quantity, variant, ...), and how many tasks it took."""
    path, values = FACTORS[name]
    (folder / "room.toml").write_text(ROOM + variants)
    text = STUDY.format(
        shared=str(shared).lower(), name=name, path=json.dumps(path), values=json.dumps(values)
    )
    (folder / "study.toml").write_text(text)
    plan = Plan(load_study(folder / "study.toml"))
    found = {}
    for planned in plan.planned:
        outcome = attempt(plan.build(planned), 2)
        assert outcome.failure is None, outcome.failure
        file = folder / "numbers.h5"
        file.write_bytes(outcome.numbers)
        numbers = read_numbers(file, planned.digest)
        for run in planned.runs:
            own = [numbers.variants.index(one) for one in plan.names_in(planned, run)]
            found[run] = numbers.value[:, own], numbers.standard_error[:, own]
    value, error = zip(*(found[run] for run in sorted(found)), strict=True)
    return np.stack(value), np.stack(error), len(plan.planned)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "variants"),
    [*((name, VARIANTS) for name in FACTORS), *((name, "") for name in FACTORS if name != "named")],
)
def test_shared_equals_alone(tmp_path, monkeypatch, name, variants):
    monkeypatch.setattr("raysim.solvers.run.Plan", partial(ray.Plan, faint=1e-3))
    monkeypatch.setattr(Mirrored, "learn", lambda *_: ray.NOTHING_EXACT)
    alone, error, tasks_alone = computed(tmp_path, False, name, variants)
    shared, _, tasks_shared = computed(tmp_path, True, name, variants)
    assert (tasks_alone, tasks_shared) == (4, 1)
    assert np.isfinite(alone).all()
    assert (np.abs(shared - alone) <= TOLERANCE * error).all()
    # Every factor must have done something somewhere, or equality says nothing.
    halves, errors = (array.reshape(2, 2, *array.shape[1:]) for array in (alone, error))
    for change in (halves[1] - halves[0]) / errors[0], (halves[:, 1] - halves[:, 0]) / errors[:, 0]:
        assert (np.abs(change) / TOLERANCE).max() > 20
