"""The one shape every figure with an error has, measured or predicted."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from uncertainties.core import AffineScalarFunc


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure with its error.

    Parameters
    ----------
    value : float or None
        Best value [unit]; None when it could not be found, the reason then stands in `notes`.
    unit : str
        Unit of value, error and interval, as printed ("deg/g", "N m/rad", "1").
    std_error : float or None
        Standard error of the value from scatter (repeatability); None when unknown, never 0 for
        "unknown". The reason then stands in `notes`.
    interval : tuple of float or None
        Interval that holds the truth with probability `level`. Of a run's gradient: scatter and what the
        equations leave out, without tolerances of the sheet.
    calibration : float or None
        Standard uncertainty common to every run of the same car (sensor scale, motion ratio, sheet
        values, what the equations leave out); kept apart since it cancels when two set-ups are compared.
        None when it does not apply or is contained in `std_error`.
    level : float
        Probability of the interval.
    n : int or None
        Number of independent pieces the error rests on (blocks, runs).
    method : str
        How the value was found, in a few words.
    notes : tuple of str
        What the reader must know: ranges, exclusions, reasons for a missing error.
    provisional : tuple of str
        Keys of the sheets that nobody has measured and that the figure rests on, the weightiest first: until
        then it is no figure of this car. Its error counts them as measured.
    """

    value: float | None
    unit: str
    std_error: float | None = None
    interval: tuple[float, float] | None = None
    calibration: float | None = None
    level: float = 0.95
    n: int | None = None
    method: str = ""
    notes: tuple[str, ...] = ()
    provisional: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        # A NaN that slips into a result would reach the reader as an unexplained number.
        for name in ("value", "std_error", "calibration"):
            number = getattr(self, name)
            if number is not None and not math.isfinite(number):
                raise ValueError(f"Estimate.{name} must be finite or None, got {number}")
        if self.value is None and not self.notes:
            raise ValueError("an Estimate without a value must say why in its notes")

    @classmethod
    def unknown(cls, unit: str, reason: str, method: str = "") -> Estimate:
        """Return an estimate that has no value, with the `reason`."""
        return cls(value=None, unit=unit, method=method, notes=(reason,))

    @classmethod
    def from_error(
        cls,
        value: float,
        unit: str,
        std_error: float,
        half_width: float,
        *,
        calibration: float | None = None,
        n: int | None = None,
        method: str = "",
        notes: tuple[str, ...] = (),
    ) -> Estimate:
        """Return an estimate whose interval lies `half_width` to both sides of the value."""
        ends = (value - half_width, value + half_width)
        return cls(value, unit, std_error, ends, calibration, n=n, method=method, notes=notes)

    @property
    def total_error(self) -> float | None:
        """Repeatability and calibration together (root of the sum of squares)."""
        if self.std_error is None:
            return None
        return math.hypot(self.std_error, self.calibration or 0.0)

    def ufloat(self, common: str) -> AffineScalarFunc:
        """Return the figure as a number of the library ``uncertainties``, to calculate with.

        Scatter is this figure's own: two calls are two independent measurements, so call once and reuse the
        number. Calibration is common to all figures of one `common`: it moves them in proportion, up or down
        together, and cancels in the ratio of two whose relative calibration is the same.

        Parameters
        ----------
        common : str
            What the calibration belongs to, such as ``"my car, front"``. Use one name only for the same
            figure of the same axle and car, in any run. Front and rear share a part that is not stated
            here: under one name a ratio of them would look too sure, under two it looks less sure than it is.

        Returns
        -------
        AffineScalarFunc
            Value [unit]; its standard deviation is `total_error`, that of the scatter alone where
            `calibration` is None. First order, as the library does.

        Raises
        ------
        ValueError
            When value or scatter is unknown.
        """
        from uncertainties import ufloat

        if self.value is None or self.std_error is None:
            raise ValueError(
                f"nothing to calculate with: {'; '.join(self.notes) or 'the error is not known'}"
            )
        own = ufloat(self.value, self.std_error)
        # A scale that is off moves a negative figure the other way.
        return own + math.copysign(self.calibration or 0.0, self.value) * _scale_of(common)

    def with_notes(self, *notes: str) -> Estimate:
        """Return the same estimate with `notes` added."""
        return replace(self, notes=self.notes + notes)

    def times(self, factor: float) -> Estimate:
        """Return the estimate times an exact positive `factor`."""

        def scaled(value: float | None) -> float | None:
            return None if value is None else value * factor

        span = self.interval
        return replace(
            self,
            value=scaled(self.value),
            std_error=scaled(self.std_error),
            interval=None if span is None else (span[0] * factor, span[1] * factor),
            calibration=scaled(self.calibration),
        )

    def resting_on(self, *keys: str) -> Estimate:
        """Return the same estimate, provisional until what stands at the `keys` of the sheets is measured."""
        if self.value is None or not keys:
            return self
        return replace(self, provisional=tuple(dict.fromkeys((*self.provisional, *keys))))

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form (see docs/results.md)."""
        return {
            "value": self.value,
            "std_error": self.std_error,
            "interval": None if self.interval is None else list(self.interval),
            "calibration": self.calibration,
            "level": self.level,
            "unit": self.unit,
            "n": self.n,
            "method": self.method,
            "notes": list(self.notes),
            "provisional": list(self.provisional),
        }

    def __str__(self) -> str:
        return format_estimate(self)


@cache
def _scale_of(common: str) -> AffineScalarFunc:  # noqa: ARG001 - the key that figures share
    """Return the one standard error (mean 0, deviation 1) of all figures of this name."""
    from uncertainties import ufloat

    return ufloat(0.0, 1.0)


def format_estimate(estimate: Estimate, with_unit: bool = True) -> str:
    """Return ``3.21 ± 0.04 deg/g``: digits set by the total error (Particle Data Group rounding).

    A value without an error prints three significant digits and says ``no error``.
    """
    unit = f" {estimate.unit}" if with_unit and estimate.unit not in ("", "1") else ""
    if estimate.value is None:
        return "—"
    error = estimate.total_error
    if error is None or error == 0.0:
        return f"{estimate.value:.3g}{unit} (no error)" if error is None else f"{estimate.value:.6g}{unit}"
    # Value and error to the same decimal, or the reader would see digits that the error denies.
    decimals = decimals_for_error(error)
    shown_value = round(estimate.value, decimals)
    shown_error = round(error, decimals)
    places = max(decimals, 0)
    return f"{shown_value:.{places}f} ± {shown_error:.{places}f}{unit}"


def decimals_for_error(error: float) -> int:
    """Return the decimals to print for a value with this `error`.

    Rule of the Particle Data Group: three leading digits of the error 100-354 keep two digits,
    355-949 keep one, 950-999 are rounded up to 1000 and keep two. Negative for tens, hundreds.
    """
    exponent = math.floor(math.log10(error))
    leading = round(error / 10.0 ** (exponent - 2))
    if leading >= 950:
        return -exponent
    return 1 - exponent if leading < 355 else -exponent
