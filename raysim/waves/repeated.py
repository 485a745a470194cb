"""The mesher's random order, the same each time.

fTetWild shuffles the triangles by `std::random_device`, the machine's own randomness, and has no
seed. Its compiled file asks for that through one slot of its linkage table (ELF, System V ABI);
there it finds a constant here.
"""

from __future__ import annotations

import ctypes
from types import ModuleType
from typing import Any

from elftools.common.exceptions import ELFError
from elftools.elf.elffile import ELFFile

ASKS = "_ZNSt13random_device9_M_getvalEv"
SEED = 1

_Answer = ctypes.CFUNCTYPE(ctypes.c_uint, ctypes.c_void_p)
_answer = _Answer(lambda _: SEED)


def make_repeatable(extension: ModuleType) -> bool:
    """Take the machine's randomness from a loaded compiled module.

    Returns
    -------
    bool
        False where its file isn't as known (not ELF, or the slot is locked); it is left as it was.
    """
    path = str(extension.__file__)
    try:
        with open(path, "rb") as file:
            slot = _slot(ELFFile(file), path)
    except (ELFError, LookupError):
        return False
    ctypes.c_void_p.from_address(slot).value = ctypes.cast(_answer, ctypes.c_void_p).value
    return True


def _slot(file: Any, path: str) -> int:
    """Address of the slot in this process; LookupError if there is none."""
    symbols = file.get_section_by_name(".dynsym")
    start = next(s for s in symbols.iter_symbols() if s.name.startswith("PyInit_"))
    loaded = ctypes.cast(getattr(ctypes.CDLL(path), start.name), ctypes.c_void_p).value or 0
    locked = [s for s in file.iter_segments() if s["p_type"] == "PT_GNU_RELRO"]
    for section in file.iter_sections():
        for one in section.iter_relocations() if section["sh_type"] == "SHT_RELA" else ():
            at = one["r_offset"]
            if symbols.get_symbol(one["r_info_sym"]).name == ASKS and not any(
                0 <= at - s["p_vaddr"] < s["p_memsz"] for s in locked
            ):
                return int(loaded - start["st_value"] + at)
    raise LookupError(ASKS)
