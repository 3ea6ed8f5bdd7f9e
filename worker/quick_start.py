"""A faster start for a single command.

numba loads all that it can compile before it loads a loop that it compiled and kept earlier: half a second, and a third
more for scipy.linalg, only to offer matrix products in compiled code, which nothing here uses. A command that lives for
one or two seconds takes the kept loops alone; where one is missing, numba starts in full, but for scipy.linalg. Whoever
asks for scipy.linalg later gets it as ever.
"""

from __future__ import annotations

import importlib
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import ModuleType
from typing import Any

_CONFIGURATION = Path(".numba_config.yaml")


def load_compiled_loops_alone() -> None:
    """Let numba load what was compiled earlier without its compiler. Call it before the engine is imported."""
    # yaml serves numba's own file of settings only, where there is one.
    # Looking for extensions of numba reads what every installed package says of itself; no loop here uses one.
    no_extensions = ModuleType("numba.core.entrypoints")
    no_extensions.init_all = lambda: None  # type: ignore[attr-defined]
    sys.modules.setdefault(no_extensions.__name__, no_extensions)
    # Of scipy numba wants to know the version alone.
    with _left_out("yaml", unless=_CONFIGURATION.exists()), _left_out("scipy"):
        caching = importlib.import_module("numba.core.caching")
    core: Any = sys.modules["numba.core"]
    core.entrypoints = sys.modules[no_extensions.__name__]
    runtime = importlib.import_module("numba.core.runtime").rtsys
    in_full = caching.Cache.load_overload
    if in_full.__module__ == __name__:
        return

    def load_overload(cache: Any, signature: Any, target: Any) -> Any:
        """What numba's own does, but first without `target.refresh()`, which is there for what is to be compiled."""
        runtime.initialize(target)
        with cache._guard_against_spurious_io_errors():
            kept = cache._load_overload(signature, target)
        if kept is None:
            leave_out_matrix_products()
            kept = in_full(cache, signature, target)
        return kept

    caching.Cache.load_overload = load_overload
    _rebuild_environments_alone(importlib.import_module("numba.core.environment"))
    _load_machine_code_alone(importlib.import_module("numba.core.codegen"))
    _tell_arrays_apart_alone()


def _rebuild_environments_alone(room: Any) -> None:
    """Let a kept loop be loaded without numba's own modules whose functions it holds, such as that of `np.empty`.

    The names in such a module serve object mode alone, which no loop here has; constants come with the loop.
    """
    in_full = room._rebuild_env

    def rebuild(module: str, constants: list[Any], name: str) -> Any:
        if not module.startswith("numba.") or module in sys.modules or room.lookup_environment(name) is not None:
            return in_full(module, constants, name)
        made = room.Environment({"__name__": module})
        made.consts[:] = constants
        made.env_name = name
        room.Environment._memo[name] = made
        return made

    room._rebuild_env = rebuild


def _load_machine_code_alone(room: Any) -> None:
    """Let a kept loop be loaded as machine code, without LLVM's intermediate code that is kept beside it.

    That serves loops yet to be compiled that call this one: it is read when one of them asks for it.
    """
    library = room.JITCodeLibrary
    in_full, linked_in_full, found_in_full = (
        library._unserialize.__func__,
        library._get_module_for_linking,
        library.get_pointer_to_function,
    )

    def unserialize(kind: Any, codegen: Any, state: Any) -> Any:
        name, form, kept = state
        if form != "object":
            return in_full(kind, codegen, state)
        made = codegen.create_library(name)
        made.enable_object_caching()
        made._set_compiled_object(kept[0])
        made._finalize_final_module()
        made.kept_code = kept
        return made

    def linked(made: Any) -> Any:
        if made._shared_module is None and hasattr(made, "kept_code"):
            made._shared_module = room.ll.parse_bitcode(made.kept_code[1])
            made._codegen._engine._load_defined_symbols(made._shared_module)
        return linked_in_full(made)

    def found(made: Any, name: str) -> int:
        # LLVM ends the process when it is asked for a name that it does not know.
        if hasattr(made, "kept_code") and name.encode() in made.kept_code[0]:
            return int(made._codegen._engine.get_function_address(name))
        return int(found_in_full(made, name))

    library._unserialize = classmethod(unserialize)
    library._get_module_for_linking = linked
    library.get_pointer_to_function = found


def _tell_arrays_apart_alone() -> None:
    """Let numba tell the type of an array without numpy.ma, which it loads to refuse masked arrays."""
    typeof: Any = importlib.import_module("numba.core.typing.typeof")
    support: Any = importlib.import_module("numba.np.numpy_support")
    types: Any = importlib.import_module("numba.core.types")
    numpy: Any = sys.modules["numpy"]
    in_full = typeof.typeof_impl.dispatch(numpy.ndarray)

    def of_array(array: Any, context: Any) -> Any:
        if type(array) is not numpy.ndarray or array.dtype.kind not in "biuf":
            return in_full(array, context)
        element = support.from_dtype(array.dtype)
        return types.Array(element, array.ndim, support.map_layout(array), readonly=not array.flags.writeable)

    typeof.typeof_impl.register(numpy.ndarray, of_array)


def leave_out_matrix_products() -> None:
    """Load numba's array functions without scipy.linalg, unless either is loaded already."""
    if "numba.np.arraymath" not in sys.modules:
        with _left_out("scipy.linalg"):
            importlib.import_module("numba.np.arraymath")


@contextmanager
def _left_out(name: str, *, unless: bool = False) -> Iterator[None]:
    """As if a module were not installed, unless it is loaded already."""
    modules: dict[str, Any] = sys.modules
    if unless or name in modules:
        yield
        return
    modules[name] = None  # Python's own way to make an import fail
    try:
        yield
    finally:
        del modules[name]
