"""Energy in consecutive short cells: what decay and sustain are read from, a thousandth of the samples to handle."""

from dataclasses import dataclass, replace

import numpy as np

from coilbench_worker.measure.source import FloatArray

CELL_S = 0.001


@dataclass(frozen=True, slots=True)
class Cells:
    """Energies of consecutive cells, shape (n,), full scale squared x samples; `cell_s` is the exact length, s."""

    energies: FloatArray
    cell_s: float
    samples_per_cell: int

    def first(self, samples: int) -> "Cells":
        """The cells that lie whole within the first `samples` samples; at least one, where there are any."""
        return replace(self, energies=self.energies[: max(samples // self.samples_per_cell, 1)])

    def means(self, seconds: float) -> FloatArray:
        """Mean square over a window of about `seconds` that slides by one cell: entry j begins with cell j.

        Shape (n - width + 1,), where the width is a whole number of cells, at least one and at most n.
        """
        width = self.width(seconds)
        until = np.concatenate(([0.0], np.cumsum(self.energies)))
        means: FloatArray = (until[width:] - until[:-width]) / (width * self.samples_per_cell)
        return np.maximum(means, 0.0)

    def width(self, seconds: float) -> int:
        """Cells in a window of about `seconds`: at least one, at most all."""
        return min(max(round(seconds / self.cell_s), 1), max(self.energies.size, 1))


def cells(samples: FloatArray, rate_hz: float, *, cell_s: float = CELL_S) -> Cells:
    """Cut samples into cells; a last cell that is not full is left out.

    Parameters
    ----------
    samples : shape (n,), full scale = 1.0
    rate_hz : > 0, Hz
    cell_s : length asked for, s; rounded to whole samples

    Raises
    ------
    ValueError : empty input, or not finite
    """
    if samples.size == 0:
        raise ValueError("no samples: a decay needs some")
    course = CellCourse(rate_hz, cell_s=cell_s)
    course.feed(samples)
    return course.cells()


class CellCourse:
    """Cells of samples that come in blocks: of a long strum no more than a block needs to be in memory."""

    def __init__(self, rate_hz: float, *, cell_s: float = CELL_S) -> None:
        self._length = max(round(cell_s * rate_hz), 1)
        self._rate_hz = rate_hz
        self._rest: FloatArray = np.zeros(0)
        self._energies: list[FloatArray] = []

    def feed(self, samples: FloatArray) -> None:
        """Take the next samples: shape (n,), any n, full scale = 1.0; ValueError when they are not finite."""
        joined = np.concatenate((self._rest, samples)) if self._rest.size else samples
        count = joined.size // self._length
        rows = joined[: count * self._length].reshape(count, self._length)
        energies: FloatArray = np.einsum("ij,ij->i", rows, rows)
        if not np.isfinite(energies).all():
            raise ValueError("samples are not finite (NaN or infinity), or too large to square")
        self._energies.append(energies)
        self._rest = joined[count * self._length :].copy()

    def cells(self) -> Cells:
        """All cells so far; what does not fill one is left out."""
        energies = np.concatenate(self._energies) if self._energies else np.zeros(0)
        return Cells(energies, self._length / self._rate_hz, self._length)
