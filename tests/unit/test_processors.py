"""The kernels' own operations on lanes exist on every processor that numba knows."""

from __future__ import annotations

import re

import llvmlite.binding as llvm  # type: ignore[import-untyped]
import pytest
from numba import njit, typeof, types

from raysim.kernels import lanes
from raysim.kernels.nearest import nearest_of_sixteen
from raysim.kernels.ray import Plan, pass_on, survivors
from raysim.kernels.walk import rays_in
from tests.rooms import pack_box

pytestmark = pytest.mark.skipif(lanes.config.DISABLE_JIT, reason="not compiled")

VECTORS = {
    ("aarch64-unknown-linux-gnu", ""): r"fmla\s+v\d+\.(4s|2d)",
    ("arm64-apple-macosx", "apple-m1"): r"fmla\.(4s|2d)",
    ("x86_64-unknown-linux-gnu", "x86-64"): r"mulp[sd]\s+.*%xmm",
    ("x86_64-unknown-linux-gnu", "haswell"): r"vfn?madd\w+p[sd]\s+.*%ymm",
}


@pytest.fixture(scope="module")
def compiled_step():
    """LLVM's code of one step of sixteen rays, before it is made for a processor."""

    def step(room, rays, alive):
        nearest_of_sixteen(room.tree, rays, alive)
        scattered = pass_on(room, rays, alive)
        return survivors(room, rays, alive) + scattered

    absorption = {"floor": 0.5, "other": 0.3}
    packed = pack_box(absorption, 0.01, None, (0.4, 0.3, 2.5, 3.2))[1]
    room = packed.room(Plan(3, packed.speed, packed.attenuation, 1.0, 1.0))
    kinds = (typeof(room), typeof(rays_in(room)), types.int64)
    options = {"_nrt": False, "no_cpython_wrapper": True, "no_cfunc_wrapper": True}
    kernel = njit(error_model="numpy", **options)(step)
    kernel.compile(kinds)
    return re.sub(r'target (datalayout|triple) = ".*"\n', "", kernel.inspect_llvm(kinds))


@pytest.mark.parametrize("processor", VECTORS, ids=[f"{t}-{cpu}" for t, cpu in VECTORS])
def test_a_step_becomes_vector_instructions(compiled_step, processor) -> None:
    """Of 64-bit Arm, and of x86-64 without AVX-512 and without AVX."""
    llvm.initialize_all_targets()
    llvm.initialize_all_asmprinters()
    triple, cpu = processor
    machine = llvm.Target.from_triple(triple).create_target_machine(cpu=cpu, opt=3)
    module = llvm.parse_assembly(compiled_step)
    module.triple, module.data_layout = triple, str(machine.target_data)
    code = machine.emit_assembly(module)
    assert len(re.findall(VECTORS[processor], code)) > 50
    assert "zmm" not in code
