"""Try a further column in the moment balance of a run: what would its coefficient be, and how sure is it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analyzer.constants import Axle
from analyzer.processing.filters import Bools, Floats
from analyzer.processing.intervals import BlockError, block_error
from analyzer.processing.level_road import Weights
from analyzer.processing.roll_columns import RollColumns
from analyzer.processing.roll_fits import bends, mix_rolls
from analyzer.processing.roll_gradient import RollFit


@dataclass(frozen=True, slots=True)
class Probe:
    """A further column's coefficient in the moment mean.

    Parameters
    ----------
    value : float
        Coefficient.
    error : BlockError or None
        Of it.
    kept : float
        Part of the column that the terms of the fit cannot stand in for [1].
    """

    value: float
    error: BlockError | None
    kept: float


@dataclass(frozen=True, slots=True)
class Bench:
    """The moment mean of a run and its fitted terms, ready to try columns against.

    Parameters
    ----------
    columns, used : RollColumns, array of bool
        As fitted.
    design : array (n, k)
        Lateral force, the fitted terms, a constant, and where asked for the bends of steady roll.
    basis : array (n, k)
        Orthonormal columns that span it.
    mean : array (n,)
        The moment mean of roll [rad].
    centre : dict
        Roll at no lateral force, per axle [rad].
    """

    columns: RollColumns
    used: Bools
    design: Floats
    basis: Floats
    mean: Floats
    centre: dict[Axle, float]

    def thinned(self, most: int) -> Bench:
        """Return the bench with at most that many rows, evenly taken."""
        every = -(-len(self.mean) // most)
        if every == 1:
            return self
        rows = np.zeros_like(self.used)
        rows[np.flatnonzero(self.used)[::every]] = True
        design = self.design[::every]
        return replace(self, used=rows, design=design, basis=_span(design), mean=self.mean[::every])

    @property
    def force(self) -> Floats:
        """Lateral force of the rows [m/s2]."""
        return self.columns.force[self.used]

    def rest(self, column: Floats) -> Floats:
        """Return what of a column the fitted terms cannot stand in for."""
        result: Floats = column - self.basis @ (self.basis.T @ column)
        return result

    def left_by(self, known: Floats) -> float:
        """Return the sum of squares that is left when a `known` column is taken off the mean."""
        rest = self.rest(self.mean - known)
        return float(rest @ rest)

    def linear(self, column: Floats, known: Floats) -> tuple[Floats, Floats]:
        """Return pseudo-inverse row of a further `column`, and the residuals with `known` taken off."""
        own = self.rest(column)
        return own / max(float(own @ own), 1e-300), self.rest(self.mean - known)

    def probe(self, column: Floats) -> Probe:
        """Return the coefficient of one further column."""
        own = self.rest(column)
        power = float(own @ own)
        centred = column - column.mean()
        row = own / max(power, 1e-300)
        residual = self.rest(self.mean)
        value = float(row @ residual)
        error = block_error((row * (residual - value * own))[:, None], row)
        share = power / max(float(centred @ centred), 1e-300)
        return Probe(value, error, share)

    def share_of_force(self, column: Floats) -> float:
        """Return the slope of a `column` over the lateral force: what a line through it would show."""
        centred = self.force - self.force.mean()
        return float(centred @ column / (centred @ centred))


def bench_of(columns: RollColumns, weights: Weights, fit: RollFit, bent: bool = True) -> Bench:
    """Return the `Bench` of a fitted run."""
    used = fit.used
    force = columns.force[used]
    design = [force, *(columns.terms[n][used] for n in fit.terms), np.ones_like(force)]
    if bent:
        design += bends(columns, used)
    matrix = np.column_stack(design)
    mean = mix_rolls(columns, weights, used).rolls[0]
    centre = {axle: fit.intercept[axle] for axle in fit.axles}
    return Bench(columns, used, matrix, _span(matrix), mean, centre)


def _span(design: Floats) -> Floats:
    """Return orthonormal columns that span a `design`."""
    basis, _ = np.linalg.qr(design / np.linalg.norm(design, axis=0))
    return basis
