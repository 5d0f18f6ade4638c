r"""Blocks rotated so that their covariance falls into pieces; pieces with the same covariance counted once.

All ``V_i`` of one block are symmetric matrices; an orthogonal ``T`` that makes every ``T' V_i T`` block
diagonal cuts the block into independent *pieces*. With a client's intercept, for instance, ``V_1 = 11'`` and
``V_2 = I``: one piece is the client's mean, with ``(n, 1)``, and ``n - 1`` pieces are differences within the
client, with ``(0, 1)``. Four exercises by three visits, tested together, fall into one 3 x 3 piece of means
over the exercises and many 1 x 1 pieces.

The eigenvectors of one generic mixture ``sum c_i V_i`` do that: a space that all ``V_i`` leave alone is
spanned by some of them (Murota, Kanno, Kojima & Kojima 2010, Jpn J Ind Appl Math 27:125). If eigenvalues of
the mixture happen to agree, pieces are larger than they need be, never wrong.

Pieces with the same ``T' V_i T`` form a *class*. What the likelihood needs of the data is, for every class,
the sum over its pieces of products of any two of their rows: see `studykit.mixed.sums`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache, lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from studykit.mixed.layout import Layout, Stack

Array = NDArray[np.float64]
Numbers = NDArray[np.intp]

APART = 1e-11  # of the largest value of a V_i: what is smaller does not join two rows
DIGITS = 9  # to which two pieces' V_i must agree to be of one class
WASTE = 4.0  # a single padded size for all classes may cost this many times the least


@dataclass(frozen=True, slots=True, eq=False)
class ClassStack:
    """Classes of similar size, padded to one size and stacked.

    Parameters
    ----------
    basis : ndarray, shape (m or 1, k_inner, classes, size, size)
        ``T' V_i T``; zero at padded places.
    real : ndarray, shape (classes, size)
        One at real places, zero at padded ones.
    packed : ndarray of int
        Flat places of the pairs ``a <= b`` of real places, over all classes.
    unpacked : ndarray of int, shape (classes, size, size)
        For every place the number of its pair among ``packed``; 0 at padded places.
    share : ndarray, shape (classes, size, size)
        What a place gets of its pair's sum: 1 on the diagonal, 1/2 beside it, 0 at padded places.
    """

    basis: Array
    real: Array
    packed: Numbers
    unpacked: Numbers
    share: Array

    @classmethod
    def of(cls, bases: list[Array]) -> ClassStack:
        """Pad and stack ``T' V_i T`` (k, d, d) of several classes."""
        size = max(basis.shape[1] for basis in bases)
        stacked = np.zeros((1, len(bases[0]), len(bases), size, size))
        real = np.zeros((len(bases), size))
        for place, basis in enumerate(bases):
            d = basis.shape[1]
            stacked[0, :, place, :d, :d] = basis
            real[place, :d] = 1.0
        return cls.padded(stacked, real)

    @classmethod
    def padded(cls, stacked: Array, real: Array) -> ClassStack:
        """The same from what is padded already."""
        size = real.shape[1]
        both = real[:, :, None] * real[:, None, :]
        upper = np.triu(np.ones((size, size), bool)) & (both > 0.0)
        unpacked = np.zeros(upper.shape, np.intp)
        unpacked[upper] = np.arange(upper.sum())
        unpacked = np.maximum(unpacked, unpacked.swapaxes(1, 2))
        share = both * np.where(np.eye(size, dtype=bool), 1.0, 0.5)
        return cls(stacked, real, np.flatnonzero(upper), unpacked, share)


@dataclass(frozen=True, slots=True, eq=False)
class Terms:
    """Which pairs of rotated rows are added up where: ``row[a] row[b]'`` to ``pair``.

    Pairs of different rows come twice, the second time turned round, so that the sums are symmetric.
    ``trial`` is 0 everywhere where all trials have the same rows.
    """

    trial: Numbers
    a: Numbers
    b: Numbers
    pair: Numbers


@dataclass(frozen=True, slots=True, eq=False)
class Adder:
    """Adds up ``row[a] row[b]'`` by a key; all keys with equally many terms in one product.

    ``places`` holds the keys (over all trials where they differ in their rows), and their rows a and b.
    """

    trials: int
    number: int
    places: list[tuple[Numbers, Numbers, Numbers]]

    @classmethod
    def of(cls, terms: Terms, trials: int, key: Numbers, number: int) -> Adder:
        """Sort the terms by their ``key`` (below ``number``)."""
        whole = terms.trial * number + key
        order = np.argsort(whole, kind="stable")
        count = np.bincount(whole, minlength=trials * number)
        start = np.cumsum(count) - count
        places = []
        for n in np.flatnonzero(np.bincount(count)[1:]) + 1:
            here = np.flatnonzero(count == n)
            chosen = order[start[here][:, None] + np.arange(n)]
            places.append((here, terms.a[chosen], terms.b[chosen]))
        return cls(trials, number, places)

    def add(self, left: Array, right: Array) -> Array:
        """Sums (m or 1, number, u, v) of rows (m or 1, rows, u) and (m or 1, rows, v)."""
        widths = left.shape[2], right.shape[2]
        if self.trials == 1:
            total = np.zeros((max(len(left), len(right)), self.number, *widths))
            for key, a, b in self.places:
                total[:, key] = left[:, a].swapaxes(-1, -2) @ right[:, b]
            return total
        total = np.zeros((self.trials * self.number, *widths))
        for key, a, b in self.places:
            trial = key[:, None] // self.number
            total[key] = _own(left, trial, a).swapaxes(-1, -2) @ _own(right, trial, b)
        return total.reshape(self.trials, self.number, *widths)

    def squares(self, first: Array, second: Array) -> tuple[list[Array], list[Array]]:
        """Sums of ``first`` with itself; of ``first`` and of ``second`` with ``second``."""
        if len(first) != len(second):
            return [self.add(first, first)], [self.add(first, second), self.add(second, second)]
        p, both = first.shape[2], np.concatenate([first, second], axis=2)
        whole = self.add(both, both)
        return [whole[..., :p, :p]], [whole[..., p:]]

    def add_both(self, left: Array, first: Array, second: Array) -> tuple[Array, Array]:
        """Sums with ``first`` and with ``second`` on the right; at once where they have the same trials."""
        if len(first) != len(second):
            return self.add(left, first), self.add(left, second)
        whole = self.add(left, np.concatenate([first, second], axis=2))
        return whole[..., : first.shape[2]], whole[..., first.shape[2] :]


def _own(values: Array, trial: Numbers, rows: Numbers) -> Array:
    return values[0][rows] if len(values) == 1 else values[trial, rows]


@dataclass(frozen=True, slots=True, eq=False)
class Pieces:
    """Classes, how to rotate the rows of every stack of blocks, and what to add up.

    Parameters
    ----------
    classes : tuple of ClassStack
    counts : tuple of ndarray, shape (m or 1, classes)
        Pieces of every class in every trial.
    rotations : tuple of ndarray or None
        For every stack ``T'`` (m or 1, blocks, size, size), absent rows left out; None if nothing is rotated.
    pairs : int
        Pairs of places over all classes.
    by_pair, by_group : Adder
        What to add up: by pair, and by pair and group of outer columns.
    """

    classes: tuple[ClassStack, ...]
    counts: tuple[Array, ...]
    rotations: tuple[Array | None, ...]
    pairs: int
    by_pair: Adder
    by_group: Adder


@dataclass(slots=True, eq=False)
class _Catalogue:
    """Classes met so far."""

    bases: list[Array] = field(default_factory=list)
    known: dict[bytes, int] = field(default_factory=dict)

    def number(self, basis: Array) -> int:
        """The number of a class, a new one if it was not met before."""
        key = (np.round(basis, DIGITS) + 0.0).tobytes()
        found = self.known.get(key)
        if found is None:
            found = self.known[key] = len(self.bases)
            self.bases.append(basis)
        return found


@dataclass(frozen=True, slots=True, eq=False)
class _Pattern:
    """One kind of block: ``T'``, and for every piece its class and the slots of its rows."""

    turn: Array
    pieces: list[tuple[int, Numbers]]
    rotated: bool

    def terms(self, start: Numbers) -> tuple[Numbers, Numbers, Numbers]:
        """Slots of the two rows of every term and its pair; the pairs of a class begin at its ``start``."""
        single = [(number, slots[0]) for number, slots in self.pieces if len(slots) == 1]
        numbers, slot = np.array(single, np.intp).reshape(-1, 2).T
        a, b, pair = [slot], [slot], [start[numbers]]
        for number, slots in self.pieces:
            if len(slots) > 1:
                rows, columns, place = _pairs(len(slots))
                a.append(slots[rows])
                b.append(slots[columns])
                pair.append(start[number] + place)
        return np.concatenate(a), np.concatenate(b), np.concatenate(pair)


@cache
def _pairs(size: int) -> tuple[Numbers, Numbers, Numbers]:
    """All ordered pairs of places, and the number of each pair without its order."""
    rows, columns = (part.ravel() for part in np.indices((size, size)))
    number = np.zeros((size, size), np.intp)
    number[np.triu_indices(size)] = np.arange(size * (size + 1) // 2)
    return rows, columns, np.maximum(number, number.T).ravel()


@lru_cache(maxsize=8)
def whole_pieces(layout: Layout) -> Pieces:
    """All rows in pieces; kept for the next fit of the same model."""
    return find_pieces(layout, None)


def find_pieces(layout: Layout, observed: NDArray[np.bool_] | None) -> Pieces:
    """Cut all blocks into pieces; ``observed`` (m or 1, n) marks the rows used, all if None."""
    catalogue = _Catalogue()
    found: list[tuple[list[_Pattern], Numbers]] = []
    for stack in layout.stacks:
        kinds, first = _kinds(stack, layout.n, observed)
        patterns = [
            _pattern(stack.basis[:, stack.kind[block]], present, catalogue, cut=not layout.autocorrelation)
            for block, present in first
        ]
        found.append((patterns, kinds))
    order, stacks = _stack_classes(catalogue.bases)
    starts = np.cumsum([0, *(d * (d + 1) // 2 for d in (catalogue.bases[c].shape[1] for c in order))])
    start = np.empty(len(order), np.intp)
    start[order] = starts[:-1]
    trials = 1 if observed is None else len(observed)
    counts = np.zeros((trials, len(order)))
    rotations, terms, offset = [], [], 0
    for stack, (patterns, kinds) in zip(layout.stacks, found, strict=True):
        size = stack.rows.shape[1]
        for number, pattern in enumerate(patterns):
            trial, block = np.nonzero(kinds == number)
            own = np.bincount([c for c, _ in pattern.pieces], minlength=len(order))
            counts += np.bincount(trial, minlength=trials)[:, None] * own
            a, b, pair = pattern.terms(start)
            first = (offset + block * size)[:, None]
            terms.append(
                (
                    np.repeat(trial, len(a)),
                    (first + a).ravel(),
                    (first + b).ravel(),
                    np.tile(pair, len(block)),
                )
            )
        turned = any(pattern.rotated for pattern in patterns)
        rotations.append(np.array([pattern.turn for pattern in patterns])[kinds] if turned else None)
        offset += stack.rows.size
    sizes = np.cumsum([0, *(len(stack.real) for stack in stacks)])
    counts = counts[:, order]
    whole, pairs = Terms(*map(np.concatenate, zip(*terms, strict=True))), int(starts[-1])
    by_pair, groups = Adder.of(whole, trials, whole.pair, pairs), layout.groups
    key = whole.pair * groups + _group(layout)[whole.a]
    return Pieces(
        classes=stacks,
        counts=tuple(counts[:, a:b] for a, b in pairwise(sizes)),
        rotations=tuple(rotations),
        pairs=pairs,
        by_pair=by_pair,
        by_group=Adder.of(whole, trials, key, pairs * groups) if groups else by_pair,
    )


def _group(layout: Layout) -> Numbers:
    """Group of every row in the order of the blocks."""
    group = np.append(layout.group, 0)
    parts = [np.broadcast_to(group[stack.rows[:, :1]], stack.rows.shape) for stack in layout.stacks]
    return np.concatenate([part.ravel() for part in parts])


def count_kinds(layout: Layout, observed: NDArray[np.bool_]) -> int:
    """How many kinds of blocks the rows observed (m, n) leave: each has to be cut once."""
    return sum(len(_kinds(stack, layout.n, observed)[1]) for stack in layout.stacks)


def _kinds(
    stack: Stack, n: int, observed: NDArray[np.bool_] | None
) -> tuple[Numbers, list[tuple[int, NDArray[np.bool_]]]]:
    """Kind of every block in every trial (m or 1, blocks); for every kind a block and its present rows."""
    codes, present = stack.kind[None], (stack.rows < n)[None]
    if observed is not None:
        present = np.concatenate([observed, np.zeros((len(observed), 1), bool)], axis=1)[:, stack.rows]
        for byte in np.moveaxis(np.packbits(present, axis=-1).astype(np.intp), -1, 0):
            codes = np.unique(codes * 256 + byte, return_inverse=True)[1].reshape(byte.shape)
    _, first, kinds = np.unique(codes, return_index=True, return_inverse=True)
    trial, block = np.unravel_index(first, codes.shape)
    return kinds.reshape(codes.shape).astype(np.intp), [
        (int(b), present[t, b]) for t, b in zip(trial, block, strict=True)
    ]


def _pattern(basis: Array, present: NDArray[np.bool_], catalogue: _Catalogue, *, cut: bool) -> _Pattern:
    """Cut one block (k, size, size), of which only the present rows are used."""
    rows = np.flatnonzero(present)
    whole = basis[:, rows[:, None], rows]
    turn = np.zeros(basis.shape[1:])
    parts = _cut(whole) if cut and len(rows) > 1 else None
    if parts is None:
        turn[rows, rows] = 1.0
        return _Pattern(turn, [(catalogue.number(whole), rows)] if len(rows) else [], False)
    vectors, turned, members = parts
    turn[: len(rows), rows] = vectors.T
    pieces = [(catalogue.number(turned[:, own[:, None], own]), own) for own in members]
    return _Pattern(turn, pieces, True)


def _cut(basis: Array) -> tuple[Array, Array, list[Numbers]] | None:
    """``T``, all ``T' V_i T`` and the columns of each piece; None if there is one piece only."""
    return _cut_known(basis.shape[1], basis.tobytes())


@lru_cache(maxsize=512)
def _cut_known(n: int, basis_bytes: bytes) -> tuple[Array, Array, list[Numbers]] | None:
    """The same kinds of blocks come again from fit to fit."""
    basis = np.frombuffer(basis_bytes).reshape(-1, n, n)
    k = len(basis)
    generic = 0.5 + np.modf(np.arange(1, k + 1) * (np.sqrt(5.0) - 1.0) / 2.0)[0]
    vectors = np.linalg.eigh((generic @ basis.reshape(k, -1)).reshape(n, n))[1]
    turned = vectors.T @ basis @ vectors
    size = np.abs(turned).max(axis=(1, 2), keepdims=True)
    joined = (np.abs(turned) > APART * np.where(size > 0.0, size, 1.0)).any(axis=0) | np.eye(n, dtype=bool)
    while not (joined.all() or joined.sum() == n):
        further = (joined.astype(float) @ joined) > 0.0
        if np.array_equal(further, joined):
            break
        joined = further
    leader = joined.argmax(axis=1)
    members = [np.flatnonzero(leader == place) for place in np.unique(leader)]
    return None if len(members) == 1 else (vectors, turned, members)


def _stack_classes(bases: list[Array]) -> tuple[Numbers, tuple[ClassStack, ...]]:
    """Classes in the order of the stacks, and the stacks: one size for all unless that wastes much."""
    sizes = np.array([basis.shape[1] for basis in bases])
    largest = int(sizes.max())
    one = len(sizes) * largest**2 <= max(1000.0, WASTE * float(np.sum(sizes.astype(float) ** 2)))
    level = np.zeros_like(sizes) if one else np.ceil(np.log2(sizes)).astype(int)
    order = np.argsort(level, kind="stable")
    groups = [order[level[order] == value] for value in np.unique(level)]
    return order, tuple(ClassStack.of([bases[c] for c in group]) for group in groups)
