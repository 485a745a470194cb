"""Compiled kernels are kept, and never kept too long."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from raysim.kernels import cache, compiled

LEAF = "from compiling import inlined\n@inlined\ndef leaf(x):\n    return x + {}\n"
TOP = """
from compiling import compiled
from leaf import leaf
@compiled
def top(x):
    return leaf(x)
"""
COMPILING = """
from pathlib import Path
from numba import njit
from raysim.kernels.cache import find_folder, kept_in
here = Path(__file__).parent
folder = {folder}
def compiled(function):
    with kept_in(folder):
        return njit(cache=True)(function)
def inlined(function):
    with kept_in(folder):
        return njit(cache=True, forceinline=True)(function)
"""
USE = "from top import top; print(top(1), sum(top.stats.cache_hits.values()))"


def use(place):
    """Result and number of cache hits of `top(1)` in a process of its own."""
    root = Path(__file__).resolve().parents[2]
    path = os.pathsep.join((str(place), str(root)))
    environment = os.environ | {"PYTHONPATH": path, "PYTHONDONTWRITEBYTECODE": "1"}
    done = subprocess.run(
        [sys.executable, "-c", USE], env=environment, capture_output=True, text=True, check=True
    )
    return tuple(int(word) for word in done.stdout.split())


@pytest.mark.parametrize(
    ("folder", "after_the_edit"),
    [
        ('find_folder(here, [here / "kept"])', (101, 0)),
        pytest.param('here / "kept"', (2, 1), id="numba alone is stale"),
    ],
)
def test_an_edit_of_an_inlined_function_is_noticed(tmp_path, folder, after_the_edit):
    (tmp_path / "compiling.py").write_text(COMPILING.format(folder=folder))
    (tmp_path / "leaf.py").write_text(LEAF.format(1))
    (tmp_path / "top.py").write_text(TOP)
    assert use(tmp_path) == (2, 0)
    assert use(tmp_path) == (2, 1)
    (tmp_path / "leaf.py").write_text(LEAF.format(100))
    assert use(tmp_path) == after_the_edit


def test_few_states_are_kept(tmp_path):
    """The latest ones, the present among them; what else lies there is left alone."""
    sources = tmp_path / "sources"
    sources.mkdir()
    kept = tmp_path / "kept"
    (kept / "mine").mkdir(parents=True)
    for number in range(10):
        (sources / "a.py").write_text(f"{number}")
        present = cache.find_folder(sources, [kept])
        os.utime(present, (number, number))
    present = cache.find_folder(sources, [kept])
    names = {path.name for path in kept.iterdir()}
    assert len(names) == cache.STATES_KEPT + 1
    assert {"mine", present.name} <= names
    assert present.name.endswith(cache.digest(sources))


def test_a_place_that_may_not_be_written_is_passed_over(tmp_path):
    (tmp_path / "file").write_text("no folder")
    closed, there = tmp_path / "file" / "below", tmp_path / "there"
    assert cache.find_folder(tmp_path, [closed, there]).parent == there
    assert cache.find_folder(tmp_path, [closed]) is None


def test_others_are_left_alone(tmp_path):
    before = cache.config.CACHE_DIR
    with cache.kept_in(tmp_path):
        assert cache.config.CACHE_DIR == str(tmp_path)
    assert cache.config.CACHE_DIR == before


def test_our_kernels_are_kept_there():
    from raysim.kernels.vec import dot

    assert Path(dot.stats.cache_path).parent == compiled.FOLDER


OURS = "from raysim.kernels.compiled import compiled, inlined\n"
NEXT = """
from leaf import leaf
from {0} import {0}
print({0}(1), sum(leaf.stats.cache_hits.values()))
"""


def test_an_inlined_function_kept_serves_the_next_kernel(tmp_path):
    leaf = "@inlined\ndef leaf(x):\n    return 3 * x + 1\n"
    (tmp_path / "leaf.py").write_text(OURS + leaf)
    for name, value in (("first", "leaf(x)"), ("second", "leaf(leaf(x))")):
        kernel = f"from leaf import leaf\n@compiled\ndef {name}(x):\n    return {value}\n"
        (tmp_path / f"{name}.py").write_text(OURS + kernel)
    root = Path(__file__).resolve().parents[2]
    environment = os.environ | {
        "PYTHONPATH": os.pathsep.join((str(tmp_path), str(root))),
        "NUMBA_CACHE_DIR": str(tmp_path / "kept"),
    }
    printed = [
        subprocess.run(
            [sys.executable, "-c", NEXT.format(name)],
            env=environment,
            capture_output=True,
            text=True,
            check=True,
        ).stdout.split()
        for name in ("first", "second")
    ]
    assert printed == [["4", "0"], ["13", "1"]]


def test_what_is_only_inlined_gets_no_machine_code(monkeypatch):
    monkeypatch.setattr(compiled, "FOLDER", None)
    half = compiled.inlined(lambda x: 0.5 * x)
    quarter = compiled.compiled(lambda x: half(half(x)))
    assert quarter(8.0) == 2.0
    has_code = []
    for kernel in (half, quarter):
        (made,) = kernel.overloads.values()
        name = made.fndesc.llvm_func_name
        has_code.append(made.library.get_pointer_to_function(name) != 0)
    assert has_code == [False, True]


def test_integers_known_or_short_make_no_version_of_their_own(monkeypatch):
    monkeypatch.setattr(compiled, "FOLDER", None)
    add = compiled.inlined(lambda x, i: x + i)
    total = compiled.compiled(lambda x, i: add(x, 1) + add(x, i) + add(x, np.int64(3)))
    assert total(1.0, np.int32(2)) == 9.0
    assert len(add.overloads) == 1
