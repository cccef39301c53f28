"""One run of the sample session as ten different loggers might have written it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
import pandas as pd
from ingest.session_faults import sample_run

from analyzer.core.units import STANDARD_GRAVITY

POTS: Final = ("FL pot", "FR pot", "RL pot", "RR pot")
TURNS: Final = (1.0, 1.0, 1.0, -1.0)
FORCES: Final = ["LongG", "LatG", "VertG"]
RATES: Final = ["Roll rate", "Pitch rate", "Yaw rate"]
DIGITS: Final = {"Time": "%.3f", "Lat": "%.6f", "Lon": "%.6f"}


def written(
    table: pd.DataFrame,
    delimiter: str = ",",
    decimal: str = ".",
    names: list[str] | None = None,
    digits: dict[str, str] | None = None,
    end: str = "\n",
    quoted: bool = False,
    last: str = "",
) -> str:
    """Return the table as text; a missing value is a blank cell."""

    def cell(value: object, form: str) -> str:
        if isinstance(value, str):
            return value
        return "" if np.isnan(float(str(value))) else (form % value).replace(".", decimal)

    forms = {**dict.fromkeys(table.columns, "%.6g"), **DIGITS, **(digits or {})}
    columns = [[cell(v, forms[name]) for v in table[name].tolist()] for name in table.columns]
    rows = [names or list(table.columns), *map(list, zip(*columns, strict=True))]
    mark = '"' if quoted else ""
    return end.join(delimiter.join(f"{mark}{c}{mark}" for c in row) + last for row in rows) + end


def semicolons_in_utf16() -> bytes:
    """Decimal commas, a time column of another language in ms, pots in volts without a unit."""
    table = sample_run().rename(columns={"Time": "Zeit"})
    table["Zeit"] = 1000.0 * table["Zeit"] + 4711000.0
    return written(table, ";", ",", digits={"Zeit": "%.0f"}).encode("utf-16")


def mixed_rates() -> bytes:
    """Position and speed at 10 Hz, the inertial unit at 100 Hz, pots at 200 Hz, blanks between."""
    table = sample_run()
    count = np.arange(len(table))
    table.loc[count % 20 != 0, ["Lat", "Lon", "Speed"]] = np.nan
    table.loc[count % 2 != 0, [*FORCES, *RATES, "Steer"]] = np.nan
    return written(table).encode()


def preamble_and_a_name_twice() -> bytes:
    """Lines above, a row of units, CRLF, a closing line, and two speeds of one name."""
    table = sample_run()
    table["Speed2"] = 0.98 * table["Speed"]
    names = [*sample_run().columns, "Speed"]
    units = "s,V,V,V,V,g,g,g,deg/s,deg/s,deg/s,km/h,deg,deg,deg,km/h"
    head, _, rows = written(table, names=names, end="\r\n").partition("\r\n")
    above = 'Session,Evening practice\r\nPlace,Kettle Yard\r\nDevice,"box, grey"\r\n\r\n'
    return f"{above}{head}\r\n{units}\r\n{rows}End of log\r\n".encode("latin-1")


def over_midnight() -> bytes:
    """Tabs in a file named .csv, all cells in quotes, clock time that passes midnight."""
    table = sample_run()
    table["Time"] = [_clock((t + 86380.0) % 86400.0) for t in table["Time"].tolist()]
    return written(table, "\t", quoted=True).encode()


def _clock(seconds: float) -> str:
    return f"{int(seconds // 3600):02d}:{int(seconds % 3600 // 60):02d}:{seconds % 60:06.3f}"


def boot_time_then_epoch() -> bytes:
    """Milliseconds since boot for a while, then since the epoch."""
    table = sample_run().rename(columns={"Time": "timestamp"})
    time = table["timestamp"].to_numpy()
    table["timestamp"] = 1000.0 * np.where(np.arange(len(time)) < 300, time + 500.0, time + 1749925200.0)
    return written(table, digits={"timestamp": "%.0f"}).encode()


def si_units_and_no_zero() -> bytes:
    """Forces in m/s2, turn rates in rad/s, pots in mm that nobody zeroed, a comma at the end of each line."""
    table = sample_run()
    table[FORCES] *= STANDARD_GRAVITY
    table[RATES] = np.radians(table[RATES])
    table["Speed"] /= 3.6
    for pot, turn in zip(POTS, TURNS, strict=True):
        table[pot] = turn * (table[pot] - 2.5) * 40.0 + 70.0
    names = ["t", *(f"DamperPos{c}" for c in ("FL", "FR", "RL", "RR")), "AccX", "AccY", "AccZ", "GyroX"]
    names += ["GyroY", "GyroZ", "GPS Speed [m/s]", "Steering Wheel Angle", "GPS Lat", "GPS Lon"]
    return written(table, names=names, last=",").encode()


def counts_and_milli_g() -> bytes:
    """Pots in counts of a 12-bit converter, forces in milli-g, no unit told of either."""
    table = sample_run()
    table[FORCES] *= 1000.0
    table[list(POTS)] = np.round(table[list(POTS)] / 5.0 * 4095.0)
    table["Time"] *= 1000.0
    names = ["Sample Time (ms)", "LF_Shock", "RF_Shock", "LR_Shock", "RR_Shock", "Accel Long", "Accel Lat"]
    names += ["Accel Vert", "Gyro Roll", "Gyro Pitch", "Gyro Yaw", "Speed (kph)", "Steer Angle (deg)"]
    return written(table, names=[*names, "Latitude", "Longitude"], digits={"Time": "%.0f"}).encode()


def rows_of_three_types() -> bytes:
    """Pots, inertial unit and position as rows of their own, at their own rates."""
    names = {
        "SHK": ("FL pot [V]", "FR pot [V]", "RL pot [V]", "RR pot [V]"),
        "IMU": ("LongG [g]", "LatG [g]", "VertG [g]", *(f"{n} [deg/s]" for n in RATES)),
        "GPS": ("Speed [km/h]", "Lat [deg]", "Lon [deg]"),
    }
    lines = [",".join([key, "Time [ms]", *heads]) for key, heads in names.items()]
    for i, row in enumerate(sample_run().to_numpy().tolist()):
        stamp = f"{1000.0 * row[0] + 123456.0:.0f}"
        lines.append(",".join(["SHK", stamp, *(f"{v:.4f}" for v in row[1:5])]))
        if i % 2 == 0:
            lines.append(",".join(["IMU", stamp, *(f"{v:.3f}" for v in row[5:11])]))
        if i % 20 == 0:
            lines.append(f"GPS,{stamp},{row[11]:.1f},{row[13]:.6f},{row[14]:.6f}")
    return "\n".join(lines).encode()


def jitter_and_lost_rows() -> bytes:
    """Stamps that jitter by 0.8 ms, thirty rows lost, time since the logger was switched on."""
    rng = np.random.default_rng(2)
    table = sample_run()
    table["Time"] += 88.123 + rng.uniform(-0.0008, 0.0008, len(table))
    lost = rng.choice(np.arange(500, len(table) - 500), 30, replace=False)
    return written(table.drop(index=lost), digits={"Time": "%.5f"}).encode()


def blanks_between() -> bytes:
    """Runs of blanks between the cells, names joined by low lines, a comment above."""
    table = sample_run()
    table.columns = [name.replace(" ", "_") for name in table.columns]
    return ("# text export of the logger\n" + written(table, "   ")).encode()


LOGS: Final[tuple[Callable[[], bytes], ...]] = (
    semicolons_in_utf16, mixed_rates, preamble_and_a_name_twice, over_midnight, boot_time_then_epoch,
    si_units_and_no_zero, counts_and_milli_g, rows_of_three_types, jitter_and_lost_rows, blanks_between,
)  # fmt: skip
