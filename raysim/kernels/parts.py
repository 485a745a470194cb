"""Functions that are only inlined in kernels get no machine code of their own.

numba optimises to the end, and turns into machine code, each function with all that it calls.
What is inlined goes through that again in every kernel: a fifth of the time to compile went
there. Here such a function is tidied up and kept for linking.
"""

# mypy: allow-untyped-calls, disallow-subclassing-any=False

from __future__ import annotations

from typing import Any

from numba.core.codegen import JITCodeLibrary
from numba.core.compiler import Compiler


class Part(JITCodeLibrary):
    """Code that is only linked into other code."""

    @property
    def codegen(self) -> Any:
        """Itself, asked only for the place of an environment: it has none."""
        return self

    def set_env(self, *_: Any) -> None:
        """Nothing runs here that could need an environment."""

    def get_pointer_to_function(self, _: str) -> int:
        """None: there is no machine code."""
        return 0

    def _optimize_final_module(self) -> None:
        manager, builder = self._codegen._module_pass_manager(
            opt=0, loop_vectorize=False, slp_vectorize=False, cost="cheap"
        )
        manager.run(self._final_module, builder)

    def _finalize_final_module(self) -> None:
        self._finalize_dynamic_globals()
        self._finalized = True

    def serialize_using_object_code(self) -> Any:
        """Kept as what is linked."""
        return self.serialize_using_bitcode()


class PartCompiler(Compiler):
    """The usual way, but for the kind of code at its end."""

    def define_pipelines(self) -> Any:
        """As usual."""
        state = self.state
        state.library = Part(state.targetctx.codegen(), state.func_id.func_qualname)
        state.library.enable_object_caching()
        return super().define_pipelines()
