"""Disjoint sets of numbers, for connected parts: what touches is united, then the sets are numbered.

`parent`, integers (n,), starts as 0, 1, 2 and so on, each number a set by itself; its smallest number is a set's root.
Paths are halved as they are followed (Tarjan and van Leeuwen, "Worst-case analysis of set union algorithms", Journal
of the ACM 31 (1984)).
"""

from __future__ import annotations

from numba import njit


@njit(cache=True, nogil=True, inline="always")
def root(parent, i):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """The root of the set that `i` is in."""
    while parent[i] != i:
        parent[i] = parent[parent[i]]
        i = parent[i]
    return i


@njit(cache=True, nogil=True, inline="always")
def unite(parent, i, j):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Make one set of those that `i` and `j` are in."""
    one, two = root(parent, i), root(parent, j)
    if one < two:
        parent[two] = one
    elif two < one:
        parent[one] = two


@njit(cache=True, nogil=True)
def number_sets(parent, number):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Write down the number of the set that each is in, from 0 in the order of their roots; how many there are."""
    count = 0
    for i in range(parent.shape[0]):
        # A root is the first of its set, so it has its number before any other asks for it.
        here = root(parent, i)
        if here == i:
            number[i] = count
            count += 1
        else:
            number[i] = number[here]
    return count
