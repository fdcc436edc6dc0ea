"""Partial inductances of the square tapes of a grid, and their products with currents.

A branch of the grid is a tape one cell long and wide. Two of them in the same direction have the
mutual inductance mu0 / 4 pi / a^2 times the double integral of 1 / distance over both, which has a
closed form (exact inductance equations for rectangular conductors, Journal of Research of the NBS
69C, 1965; from memory); across each other, none. It depends only on how far apart they are, so that
the product with all currents is a convolution.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy import fft

from checker.returns.filaments import PER_MM
from parsers.primitives import Floats

Complexes = npt.NDArray[np.complex128]
NEAR = 30  # cells; farther away 1 / distance of the middles is within 1e-4


def tape_inductances(shape: tuple[int, int], cell: float, apart: float) -> Floats:
    """Mutual inductance of a tape with those that lie 0, 1, ... cells aside and along, H.

    Parameters
    ----------
    shape : how many cells each way
    cell : length and width of a tape, mm
    apart : vertical distance, mm

    Examples
    --------
    >>> own, beside = tape_inductances((1, 2), 1.0, 0.0)[0] * 1e9
    >>> # own: (4 ln(1 + sqrt 2) - 4 (sqrt 2 - 1) / 3) / 10
    >>> round(float(own), 4), round(float(beside), 4)
    (0.2973, 0.1112)
    """
    x, y = np.arange(shape[0])[:, None] * 1.0, np.arange(shape[1])[None, :] * 1.0
    height = apart / cell
    away = np.sqrt(x * x + y * y + height * height)
    out = 1 / np.where(away > 0, away, 1.0)
    near = min(NEAR, shape[0]), min(NEAR, shape[1])
    table = _fourfold(
        np.arange(-1.0, near[0] + 1)[:, None], np.arange(-1.0, near[1] + 1)[None, :], height
    )
    twice = table[2:] - 2 * table[1:-1] + table[:-2]
    out[: near[0], : near[1]] = twice[:, 2:] - 2 * twice[:, 1:-1] + twice[:, :-2]
    inductances: Floats = PER_MM * cell * out
    return inductances


def _fourfold(x: Floats, y: Floats, z: float) -> Floats:
    """1 / distance integrated twice over x and twice over y."""
    r = np.sqrt(x * x + y * y + z * z)
    out = (x * x - z * z) / 2 * y * _log(y, r, x * x + z * z) + (y * y - z * z) / 2 * x * _log(
        x, r, y * y + z * z
    )
    out -= (x * x + y * y - 2 * z * z) * r / 6
    return out - x * y * z * np.arctan(x * y / (z * r)) if z > 0 else out


def _log(a: Floats, r: Floats, rest: Floats) -> Floats:
    """ln(a + r) where r^2 = a^2 + rest, without cancellation for negative a; 0 where it comes with
    a factor 0.
    """
    a, rest = np.broadcast_arrays(a, rest)
    whole = np.where(a >= 0, a + r, rest / np.where(r > a, r - a, 1.0))
    return np.log(np.where(whole > 0, whole, 1.0))


class Inductances:
    """Products of the inductances of the tapes of some layers with currents, by fast Fourier
    transforms.

    Parameters
    ----------
    shape : cells of the grid each way
    cell : their width, mm
    depths : of the layers, mm
    """

    def __init__(self, shape: tuple[int, int], cell: float, depths: Sequence[float]) -> None:
        self.shape = shape
        self.padded = tuple(fft.next_fast_len(2 * count) for count in shape)
        self.layers = len(depths)
        self._of_distance = {
            apart: self._spectrum(tape_inductances(shape, cell, apart))
            for apart in {abs(a - b) for a in depths for b in depths}
        }
        self._depths = depths

    @cached_property
    def spectra(self) -> Floats:
        """Of each pair of layers, shape (layers, layers, *padded)."""
        rows = [[self._of_distance[abs(a - b)] for b in self._depths] for a in self._depths]
        return np.array(rows)

    def product(self, currents: Complexes) -> Complexes:
        """Inductances times currents, of shape (layers, 2, *shape): Wb."""
        return self._convolved(currents, self.spectra)

    def inverse(self, omega: float, ohms: Sequence[float]) -> Complexes:
        """What a sheet without end makes of voltages: the inverse of R + j w L for each wave, as
        spectra.
        """
        matrices = 1j * omega * self.spectra.transpose(2, 3, 0, 1) + np.diag(ohms)
        inverted: Complexes = np.linalg.inv(matrices).transpose(2, 3, 0, 1).astype(np.complex128)
        return inverted

    def spread(self, voltages: Complexes, inverse: Complexes) -> Complexes:
        """Currents of such a sheet."""
        return self._convolved(voltages, inverse)

    def _convolved(self, values: Complexes, spectra: Floats | Complexes) -> Complexes:
        waves = fft.fft2(values, s=self.padded, axes=(2, 3))
        turned = [
            sum(part * wave for part, wave in zip(row, waves, strict=True))
            for row in spectra[:, :, None]
        ]
        out: Complexes = fft.ifft2(np.array(turned), axes=(2, 3), overwrite_x=True)[
            :, :, : self.shape[0], : self.shape[1]
        ]
        return out

    def _spectrum(self, table: Floats) -> Floats:
        """Of a table that is even both ways."""
        rows, columns = self.shape
        whole = np.zeros(self.padded)
        whole[:rows, :columns] = table
        whole[self.padded[0] - rows + 1 :, :columns] = table[1:][::-1]
        whole[:, self.padded[1] - columns + 1 :] = whole[:, 1:columns][:, ::-1]
        spectrum: Floats = fft.fft2(whole).real
        return spectrum
