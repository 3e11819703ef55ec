"""Kernels and numba's cache: entries of other sources are passed over, whatever they hold."""

import pickle

import numba

from hybridopt.base import compiled


@compiled.kernel
def _one():
    return 1


def test_an_index_written_by_other_sources_is_not_read(tmp_path):
    """By numba alone it is unpickled first, which fails where a type has moved."""
    entry = _one._cache._cache_file
    assert compiled.kernel_sources() in entry._version
    entry._index_path = str(tmp_path / "index.nbi")
    with open(entry._index_path, "wb") as file:
        pickle.dump((numba.__version__, "other sources"), file)
        file.write(b"cno.such.module\nType\n.")  # a pickle of a class that is not there
    assert entry._load_index() == {}


def test_kernels_count_among_the_sources():
    assert len(compiled.kernel_sources()) == 64
    marked = [
        path.name for path in compiled.PACKAGE.glob("*/*.py") if compiled.MARK in path.read_bytes()
    ]
    assert {"sweep.py", "battery.py", "graph.py", "split_kernels.py"} <= set(marked)
