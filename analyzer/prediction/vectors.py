"""Three-component vectors of broadcastable arrays; a component that is nowhere needed stays a plain zero."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from analyzer.prediction.sections import Array


class Vec(NamedTuple):
    """A vector in the bar's axes: x forward (along a blade), y along the tube to the left, z up."""

    x: Array
    y: Array
    z: Array

    def plus(self, other: Vec) -> Vec:
        """Return the sum."""
        return Vec(self.x + other.x, self.y + other.y, self.z + other.z)

    def minus(self, other: Vec) -> Vec:
        """Return the difference."""
        return Vec(self.x - other.x, self.y - other.y, self.z - other.z)

    def times(self, factor: Array) -> Vec:
        """Return the vector scaled by `factor`."""
        return Vec(self.x * factor, self.y * factor, self.z * factor)

    def dot(self, other: Vec) -> Array:
        """Return the scalar product."""
        return self.x * other.x + self.y * other.y + self.z * other.z

    def cross(self, other: Vec) -> Vec:
        """Return the vector product."""
        return Vec(
            self.y * other.z - self.z * other.y,
            self.z * other.x - self.x * other.z,
            self.x * other.y - self.y * other.x,
        )

    def norm(self) -> Array:
        """Return the length."""
        return np.asarray(np.sqrt(self.dot(self)))

    def unit(self) -> Vec:
        """Return the vector scaled to length one."""
        return self.times(1.0 / self.norm())

    def at_stations(self) -> Vec:
        """Return the vector with a trailing axis for stations along a piece."""
        return Vec(self.x[..., None], self.y[..., None], self.z[..., None])


def vec(x: object, y: object, z: object) -> Vec:
    """Return a vector of float arrays."""
    return Vec(np.asarray(x, dtype=float), np.asarray(y, dtype=float), np.asarray(z, dtype=float))
