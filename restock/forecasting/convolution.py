"""Exact sums of independent whole-number amounts, many lines at a time.

A line's demand is the sum of what its cases use. The distribution of a sum of
independent amounts is the convolution of theirs, and there is no need to
sample it: two routes give it to rounding error.

* Fourier: the transform of a sum is the product of the transforms. A transform
  longer than the largest possible total cannot wrap around. For two entries and
  more of 0..6 pieces this was measured to be faster than multiplying out.
* Direct: multiply and add, where two whole distributions meet and one is short.

Both work through blocks of lines small enough to stay in the processor's cache,
which also bounds memory: beyond the answer itself a few hundred kilobytes, and
one shared table of transforms where many entries use the same pmf.
"""

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import as_strided

SMALLEST = 1e-12
"""Probabilities below this are reported as zero: they are less than the transforms' own noise."""

MULTIPLY_OUT = 32
"""Two distributions are multiplied out when the shorter has no more values than this."""

BLOCK_VALUES = 2**14
"""Transform values in one block: 256 KiB of complex numbers, which a core's second-level cache holds."""

TABLE_BYTES = 256 * 2**20
"""The shared table of transforms is only built while it stays below this."""


@dataclass(frozen=True)
class Entries:
    """Case entries sorted by line.

    pmfs: (H, P, K+1), one layer per node of a shared effect, or (1, P, K+1) for
    all nodes. index: (M,) row of `pmfs` for each entry; keep: (H, M) or None,
    the chance that the entry happens at all; first, count: (L,) where each
    line's entries begin and how many there are; weights: (H, L), the weight of
    each node, each column adding up to one.
    """

    pmfs: np.ndarray
    index: np.ndarray
    keep: np.ndarray | None
    first: np.ndarray
    count: np.ndarray
    weights: np.ndarray

    def layer(self, node: int) -> np.ndarray:
        return self.pmfs[node if len(self.pmfs) > 1 else 0]


def transform_length(largest_total: int) -> int:
    """A fast transform length above the largest total: 16, 20, 25 and their doublings."""
    length = 16
    while True:
        for candidate in (length, length * 5 // 4, length * 25 // 16):
            if candidate > largest_total:
                return candidate
        length *= 2


def clean(pmf: np.ndarray) -> np.ndarray:
    """Set what is negative, or smaller than SMALLEST, to zero, in place."""
    pmf[pmf < SMALLEST] = 0.0
    return pmf


def add_up(entries: Entries, largest: np.ndarray, out: np.ndarray) -> None:
    """Write each line's total into `out` (L, N); `largest` (L,) is each line's greatest possible total.

    Lines without entries are left as they are.
    """
    for lines in _blocks(np.flatnonzero(entries.count == 1), BLOCK_VALUES // 32):
        width = int(largest[lines].max()) + 1
        out[lines, :width] = clean(_alone(entries, lines)[:, :width])

    many = np.flatnonzero(entries.count > 1)
    if not many.size:
        return
    tops, which = np.unique(largest[many], return_inverse=True)
    length_of_line = np.array([transform_length(int(top)) for top in tops])[which]
    for length in np.unique(length_of_line):
        lines = many[length_of_line == length]
        lines = lines[np.argsort(-entries.count[lines], kind="stable")]
        transforms = _Transforms(entries, lines, int(length))
        for block in _blocks(lines, transforms.block_lines):
            width = int(largest[block].max()) + 1
            out[_rows(block), :width] = clean(_fourier(entries, block, transforms)[:, :width])


def plus(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Distribution of the sum of two independent amounts on each line: (L, N) and (L, M) give (L, N+M-1)."""
    if first.shape[1] < second.shape[1]:
        first, second = second, first
    if first.shape[1] <= 2 * MULTIPLY_OUT:
        return _plus(first, second)
    # Most lines of a cart use few pieces: they need not be as long as the longest.
    wide = first[:, MULTIPLY_OUT:].any(axis=1) | second[:, MULTIPLY_OUT:].any(axis=1)
    out = np.zeros((first.shape[0], first.shape[1] + second.shape[1] - 1))
    out[wide] = _plus(first[wide], second[wide])
    few = _plus(first[~wide, :MULTIPLY_OUT], second[~wide, :MULTIPLY_OUT])
    out[~wide, : few.shape[1]] = few
    return out


def _plus(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    n_lines, width = first.shape[0], first.shape[1] + second.shape[1] - 1
    out = np.empty((n_lines, width))
    short = second.shape[1] <= MULTIPLY_OUT
    length = transform_length(width - 1)
    step = max(8, BLOCK_VALUES // width)
    for start in range(0, n_lines, step):
        block = slice(start, start + step)
        if short:
            out[block] = _convolve(first[block].T, second[block].T).T
        else:
            product = np.fft.rfft(first[block], length) * np.fft.rfft(second[block], length)
            out[block] = np.fft.irfft(product, length)[:, :width]
    return clean(out)


def _blocks(lines: np.ndarray, size: int):
    for start in range(0, len(lines), size):
        yield lines[start : start + size]


def _rows(lines: np.ndarray) -> slice | np.ndarray:
    """Neighbouring lines as a slice, which writes faster than a list of them."""
    if (np.diff(lines) == 1).all():
        return slice(int(lines[0]), int(lines[-1]) + 1)
    return lines


def _convolve(longer: np.ndarray, shorter: np.ndarray) -> np.ndarray:
    """Convolve columns: (N, B) with (M, B) gives (N+M-1, B). Lines lie innermost, where they vectorise."""
    reach = shorter.shape[0] - 1
    n, lines = longer.shape
    padded = np.zeros((n + 2 * reach, lines))
    padded[reach : reach + n] = longer
    row, item = padded.strides
    windows = as_strided(padded, (n + reach, reach + 1, lines), (row, row, item), writeable=False)
    return np.einsum("kb,nkb->nb", np.ascontiguousarray(shorter[::-1]), windows)


def _alone(entries: Entries, lines: np.ndarray) -> np.ndarray:
    """Totals (B, K+1) of lines that have one entry each: the entry's own pmf."""
    at = entries.first[lines]
    mixed = 0.0
    for node, weight in enumerate(entries.weights):
        use = entries.layer(node)[entries.index[at]]
        if entries.keep is not None:
            keep = entries.keep[node, at, None]
            use *= keep
            use[:, :1] += 1.0 - keep
        mixed = mixed + weight[lines, None] * use
    return mixed


class _Transforms:
    """The transforms of the pmfs that some lines use, and the working memory of one block.

    Where entries share pmfs, each pmf is transformed once, into a table.
    """

    def __init__(self, entries: Entries, lines: np.ndarray, length: int):
        self.layer = entries.layer
        self.length = length
        self.block_lines = max(8, BLOCK_VALUES // (length // 2 + 1))
        shape = (min(self.block_lines, len(lines)), length // 2 + 1)
        self.product, self.factor = np.empty(shape, complex), np.empty(shape, complex)
        self.table = None
        used = np.zeros(entries.pmfs.shape[1], bool)
        count = entries.count[lines]
        before = np.cumsum(count) - count
        at = np.arange(count.sum()) + np.repeat(entries.first[lines] - before, count)
        used[entries.index[at]] = True
        n_used = int(used.sum())
        table_bytes = 16 * len(entries.pmfs) * n_used * shape[1]
        if n_used < at.size * len(entries.weights) and table_bytes <= TABLE_BYTES:
            self.row = np.cumsum(used) - 1
            self.table = np.fft.rfft(entries.pmfs[:, used], length)

    def write(self, node: int, index: np.ndarray, out: np.ndarray) -> None:
        """Put the transforms (B, length/2 + 1) of some rows of the pmfs into `out`."""
        if self.table is None:
            np.fft.rfft(self.layer(node)[index], self.length, out=out)
        else:
            layer = self.table[node if len(self.table) > 1 else 0]
            layer.take(self.row[index], axis=0, out=out, mode="clip")  # "clip" alone writes without a copy


def _fourier(entries: Entries, lines: np.ndarray, transforms: _Transforms) -> np.ndarray:
    """Totals (B, length) of lines sorted by falling number of entries."""
    mixed = None
    count, first = entries.count[lines], entries.first[lines]
    active_at = np.searchsorted(-count, -np.arange(count[0]))
    product = transforms.product[: len(lines)]
    for node in range(len(entries.weights)):
        for rank, active in enumerate(active_at):
            at = first[:active] + rank
            factor = transforms.factor[:active] if rank else product
            transforms.write(node, entries.index[at], factor)
            if entries.keep is not None:
                keep = entries.keep[node, at, None]
                parts = factor.view(float)  # real and imaginary: real arithmetic is twice as fast here
                parts *= keep
                parts[:, ::2] += 1.0 - keep
            if rank:
                product[:active] *= factor
        if len(entries.weights) == 1:
            mixed = product
            break
        parts = product.view(float)
        parts *= entries.weights[node, lines, None]
        mixed = product.copy() if mixed is None else np.add(mixed, product, out=mixed)
    return np.fft.irfft(mixed, transforms.length)
