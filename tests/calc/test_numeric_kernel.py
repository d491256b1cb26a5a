from __future__ import annotations

import numpy as np
import pytest

from burnin.calc import numeric_kernel as module


def fresh() -> str:
    module.numeric_kernel.cache_clear()
    try:
        return module.numeric_kernel()
    finally:
        module.numeric_kernel.cache_clear()


def test_names_the_library_that_numpy_says_it_was_built_with():
    blas = np.show_config(mode="dicts")["Build Dependencies"]["blas"]["name"]
    assert fresh().startswith(blas)


def test_names_the_core_the_library_chose(monkeypatch):
    class Function:
        restype = None

        def __call__(self):
            return b"Invented"

    class Library:
        openblas_get_corename = Function()

    monkeypatch.setattr(module.ctypes, "CDLL", lambda path: Library())
    assert fresh().endswith(" Invented")


@pytest.mark.parametrize("library", [object(), None])
def test_says_nothing_where_the_library_says_nothing(library, monkeypatch):
    def load(path):
        if library is None:
            raise OSError
        return library

    monkeypatch.setattr(module.ctypes, "CDLL", load)
    monkeypatch.setattr(module.np if hasattr(module, "np") else np, "show_config", lambda mode: None)
    assert fresh() == "unknown"
