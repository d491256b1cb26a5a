"""Which numeric library and kernel do the products: two kernels round differently, so a reference names its own."""

from __future__ import annotations

import ctypes
import functools
import sys
from typing import Any


@functools.cache
def numeric_kernel() -> str:
    """Return library and kernel in words, for example ``openblas 0.3.31 SkylakeX``; ``unknown`` at the least."""
    import numpy as np

    built: Any = np.show_config(mode="dicts")
    blas = built.get("Build Dependencies", {}).get("blas", {}) if built else {}
    name = f"{blas.get('name', 'unknown')} {blas.get('version', '')}".strip()
    return f"{name} {kernel_name()}".strip()


def kernel_name() -> str:
    """Return the kernel that the library chose on this core, empty where it does not say or is not loaded.

    The symbols are those of OpenBLAS as NumPy's own packages carry it (``openblas_get_corename``, its public interface).
    """
    module = sys.modules.get("numpy._core._multiarray_umath") or sys.modules.get(
        "numpy.core._multiarray_umath"
    )
    try:
        library = ctypes.CDLL(getattr(module, "__file__", None) or "no such library")
    except OSError:
        return ""
    for symbol in (
        "scipy_openblas_get_corename64_",
        "scipy_openblas_get_corename",
        "openblas_get_corename64_",
        "openblas_get_corename",
    ):
        function = getattr(library, symbol, None)
        if function is not None:
            function.restype = ctypes.c_char_p
            return (function() or b"").decode("ascii", "replace")
    return ""
