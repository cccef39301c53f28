"""Written mess files: a few lines each, named after the mess, with what must come of it.

All hold the same twelve samples at 100 Hz: a left pot that goes in by half a millimetre per sample, a right pot
that mirrors it, and a lateral acceleration that rises by 0.05 g per sample.
"""

# ruff: noqa: E501  (a table reads best with one case a line)
from __future__ import annotations

import gzip
import io
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

ROWS = 12
TIMES = [0.01 * i for i in range(ROWS)]
LEFT = [1.0 + 0.5 * i for i in range(ROWS)]
LATERAL = [0.1 + 0.05 * i for i in range(ROWS)]
NAMES = ["Time", "FL pot", "FR pot", "LatG"]
UNITS = ["s", "mm", "mm", "g"]
HEAD = ["Time [s]", "FL pot [mm]", "FR pot [mm]", "LatG [g]"]
PLAIN_MAP: dict[str, Any] = {
    "damper_FL": {"column": "FL pot"},
    "damper_FR": {"column": "FR pot"},
    "accel_y": {"column": "LatG"},
}
UNIT_MAP: dict[str, Any] = {
    "damper_FL": {"column": "FL pot", "unit": "mm"},
    "damper_FR": {"column": "FR pot", "unit": "mm"},
    "accel_y": {"column": "LatG", "unit": "g"},
}


@dataclass(frozen=True)
class Mess:
    """One file.

    Parameters
    ----------
    name : str
        What is messy.
    data : bytes
        The file.
    refused : str
        Part of the refusal; empty when the file must be read.
    said : str
        Part of what must be said in steps or health rows.
    lost : int
        Samples that may be suspect, per channel.
    file : str
        File name.
    channels : dict
        Channel map of the car sheet.
    logger : dict
        Further keys of the sheet's logger part.
    start : float
        Log time of the first sample [s].
    """

    name: str
    data: bytes
    refused: str = ""
    said: str = ""
    lost: int = 0
    file: str = "log.csv"
    channels: dict[str, Any] = field(default_factory=lambda: PLAIN_MAP)
    logger: dict[str, Any] = field(default_factory=dict)
    start: float = 0.0


def cells(i: int) -> list[str]:
    """Return the cells of sample `i`."""
    return [f"{TIMES[i]:.2f}", f"{LEFT[i]:.1f}", f"{-LEFT[i]:.1f}", f"{LATERAL[i]:.2f}"]


ALL = [cells(i) for i in range(ROWS)]


def text(rows: list[list[str]], head: list[str] | None = None, sep: str = ",", end: str = "\n") -> str:
    """Return lines of a table."""
    return "".join(
        sep.join(row) + end for row in ([HEAD if head is None else head] if head != [] else []) + rows
    )


def timed(stamp: Callable[[int], str], head: str = "Time [s]") -> bytes:
    """Return the plain table with other stamps."""
    return text([[stamp(i), *cells(i)[1:]] for i in range(ROWS)], [head, *HEAD[1:]]).encode()


def changed(row: int, line: str) -> bytes:
    """Return the plain table with the line of one sample replaced."""
    lines = text(ALL).splitlines()
    lines[row + 1] = line
    return ("\n".join(lines) + "\n").encode()


def inserted(row: int, *lines: str) -> bytes:
    """Return the plain table with lines put before one sample."""
    have = text(ALL).splitlines()
    return ("\n".join(have[: row + 1] + list(lines) + have[row + 1 :]) + "\n").encode()


def comma(rows: list[list[str]]) -> list[list[str]]:
    """Return cells with decimal commas."""
    return [[cell.replace(".", ",") for cell in row] for row in rows]


def zipped(files: dict[str, bytes]) -> bytes:
    """Return a zip archive."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return out.getvalue()


def parquet(rename: dict[str, str] | None = None) -> bytes:
    """Return the table as Parquet."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    columns = {HEAD[0]: TIMES, HEAD[1]: LEFT, HEAD[2]: [-v for v in LEFT], HEAD[3]: LATERAL}
    out = io.BytesIO()
    pq.write_table(pa.table({(rename or {}).get(k, k): v for k, v in columns.items()}), out)
    return out.getvalue()


PLAIN = text(ALL)
BLOCK_PREAMBLE = "Session,Evening practice\nPlace,Kettle Yard\nRate,100,Hz\n\n"
SLOW = [[*row, f"{50 + i}" if i % 3 == 0 else ""] for i, row in enumerate(ALL)]
HALF = [[t, left if i % 2 == 0 else "", right, lat] for i, (t, left, right, lat) in enumerate(ALL)]
BIG_FIELD = "x" * 3_000_000
MANY = ",".join(f"c{i}" for i in range(5000)) + "\n" + (",".join(["1.0"] * 5000) + "\n") * 3
VOLT_MAP: dict[str, Any] = {
    "damper_FL": {"column": "FL pot", "volts": [4.5, 3.0, 0.5], "travel": ["0 mm", "3 mm", "8 mm"]},
    "damper_FR": {"column": "FR pot", "unit": "mm"},
    "accel_y": {"column": "LatG", "unit": "g"},
}
VOLT_ROWS = [
    [t, f"{4.5 - v / 2 if v <= 3 else 3.0 - (v - 3) / 2:.2f}", r, g]
    for (t, _, r, g), v in zip(ALL, LEFT, strict=True)
]
ISO = "2025-06-14T18:20:"
TYPED = "".join(f"POT,{t},{a},{b}\nIMU,{t},{g},0.1,0.2\n" for t, a, b, g in ALL)
TYPED_EPOCH = "POT;Time;FL pot [mm];FR pot [mm]\nIMU;Time;LatG [g];LonG [g];VertG [g]\n" + "".join(
    f"POT;{1749925200000 + 10 * i};{a};{b}\nIMU;{1749925200000 + 10 * i};{g};0.1;0.2\n"
    for i, (_, a, b, g) in enumerate(ALL)
)

MESSES = (
    Mess("plain", PLAIN.encode()),
    Mess("byte-order mark", b"\xef\xbb\xbf" + PLAIN.encode()),
    Mess("CRLF", text(ALL, end="\r\n").encode()),
    Mess("CR alone", text(ALL, end="\r").encode()),
    Mess("mixed line ends", PLAIN.replace("\n", "\r\n", 4).encode()),
    Mess("no line end at the end", PLAIN.rstrip().encode()),
    Mess("semicolons", text(ALL, sep=";").encode(), said="logger.delimiter"),
    Mess("semicolons and decimal comma", text(comma(ALL), sep=";").encode(), said="logger.decimal"),
    Mess("tabs in a file named .csv", text(ALL, sep="\t").encode(), said="tab"),
    Mess("tabs and decimal comma", text(comma(ALL), sep="\t").encode(), said="logger.decimal"),
    Mess("bars", text(ALL, sep="|").encode(), said="bar"),
    Mess("blanks", text(ALL, ["Time", "FLpot", "FRpot", "LatG"], sep="   ").encode(), said="blanks",
         channels={**UNIT_MAP, "damper_FL": {"column": "FLpot", "unit": "mm"}, "damper_FR": {"column": "FRpot", "unit": "mm"}}),
    Mess("blanks before the first cell", text([["  " + c for c in row] for row in ALL], ["  t", "  FLpot", " FRpot", " LatG"], sep=" ").encode(), said="blanks",
         channels={**UNIT_MAP, "damper_FL": {"column": "FLpot", "unit": "mm"}, "damper_FR": {"column": "FRpot", "unit": "mm"}}),
    Mess("padded names and cells", text([[f"  {c} " for c in row] for row in ALL], [f"  {h}  " for h in HEAD]).encode()),
    Mess("blank after each comma", text(ALL, sep=", ").encode()),
    Mess("decimal comma in quotes among commas", text([[f'"{c}"' for c in row] for row in comma(ALL)]).encode(), said="logger.decimal"),
    Mess("everything in quotes", text([[f'"{c}"' for c in row] for row in ALL], [f'"{h}"' for h in HEAD]).encode()),
    Mess("whole rows in quotes", "".join(f'"{line}"\n' for line in PLAIN.splitlines()).encode(), said="whole rows"),
    Mess("quotes doubled in a name", text(ALL, [HEAD[0], '"FL ""pot"" [mm]"', *HEAD[2:]]).encode(), channels={**PLAIN_MAP, "damper_FL": {"column": 'FL "pot"'}}),
    Mess("UTF-16 with mark", PLAIN.encode("utf-16")),
    Mess("UTF-16 without mark", PLAIN.encode("utf-16-le"), said="utf-16-le"),
    Mess("Latin-1 degree sign", text([[*row, "0.5"] for row in ALL], [*HEAD, "Lenkung [°]"]).encode("latin-1"), said="logger.encoding"),
    Mess("encoding stated", text([[*row, "0.5"] for row in ALL], [*HEAD, "Lenkung [°]"]).encode("latin-1"), logger={"encoding": "latin-1"}),
    Mess("encoding stated that is none", PLAIN.encode(), logger={"encoding": "klingon"}, refused="logger.encoding"),
    Mess("key and value lines above", (BLOCK_PREAMBLE + PLAIN).encode(), said="logger.header_line"),
    Mess("quoted lines above", ('"Made by","a logger"\n"Comment","wet, cold"\n\n' + PLAIN).encode(), said="logger.header_line"),
    Mess("lines above, names, units, blank", (BLOCK_PREAMBLE + text([UNITS, []] + ALL, NAMES)).encode(), said="row of units"),
    Mess("numbers among the lines above", ("Channels,4\nRate,100\nOffset,0.5\n\n" + PLAIN).encode(), said="logger.header_line"),
    Mess("units row", text([UNITS, *ALL], NAMES).encode(), said="row of units"),
    Mess("units row in brackets", text([[f"[{u}]" for u in UNITS], *ALL], NAMES).encode(), said="row of units"),
    Mess("units row partly empty", text([["", "mm", "mm", ""], *ALL], NAMES).encode(), said="row of units", channels=UNIT_MAP),
    Mess("empty second line", text([[], *ALL]).encode()),
    Mess("units in round brackets", text(ALL, ["Time (s)", "FL pot (mm)", "FR pot (mm)", "LatG (g)"]).encode()),
    Mess("unit and rate in the header", text(ALL, ["Time|[s]", "FL pot [mm|100 Hz]", "FR pot [mm|100 Hz]", "LatG [g|100 Hz]"]).encode(), channels=PLAIN_MAP),
    Mess("unit and range in the header", text(ALL, ["Time [s]", "FL pot [mm -80..80]", "FR pot [mm; -80..80]", "LatG [-3 3 g]"]).encode()),
    Mess("names with # and colon", text(ALL, ["# Time [s]", "FL pot: [mm]", "FR pot: [mm]", "LatG: [g]"]).encode()),
    Mess("unit stuck to the name", text(ALL, ["Time_s", "FL_pot_mm", "FR_pot_mm", "LatG_g"]).encode(), channels={"damper_FL": {"column": "FL_pot_mm"}, "damper_FR": {"column": "FR_pot_mm"}, "accel_y": {"column": "LatG_g"}}, said="read off the name"),
    Mess("comma at the end of every line", text([[*row, ""] for row in ALL], [*HEAD, ""]).encode()),
    Mess("comma at the end of data lines", text([[*row, ""] for row in ALL]).encode()),
    Mess("comma at the end of the header", text(ALL, [*HEAD, ""]).encode()),
    Mess("duplicate names", text([[*row, "9"] for row in ALL], [*HEAD, "FL pot [mm]"]).encode(), refused="2 times"),
    Mess("duplicate names told apart", text([[row[0], "9", *row[1:]] for row in ALL], [HEAD[0], "FL pot [mm]", *HEAD[1:]]).encode(), channels={**PLAIN_MAP, "damper_FL": {"column": "FL pot [mm] #2"}}),
    Mess("header again in the middle", inserted(6, ",".join(HEAD)), said="line 8"),
    Mess("header and units again in the middle", text([UNITS, *ALL[:6], NAMES, UNITS, *ALL[6:]], NAMES).encode(), said="line"),
    Mess("closing line", (PLAIN + "End of log\n").encode(), said="line 14"),
    Mess("closing line with cells", (PLAIN + "Total,12,rows,\n").encode(), said="line 14"),
    Mess("blank lines in the middle", inserted(4, "", "", "")),
    Mess("comment lines in the middle", inserted(5, "# pit stop, driver changed", "# go"), said="lines 7"),
    Mess("slow channel with blanks", text(SLOW, [*HEAD, "Speed [km/h]"]).encode(), channels={**PLAIN_MAP, "speed": {"column": "Speed"}}, lost=2),
    Mess("pot at half rate", text(HALF).encode(), lost=1),
    Mess("missing cell in a row", changed(5, "0.05,3.5,0.35"), said="line 7", lost=1),
    Mess("extra cell in a row", changed(5, "0.05,3.5,-3.5,0.35,7"), said="line 7", lost=1),
    Mess("other delimiter in a row", changed(5, "0.05;3.5;-3.5;0.35"), said="line 7", lost=1),
    Mess("stray quote in a row", changed(5, '0.05,"3.5,-3.5,0.35')),
    Mess("row cut short at the end", (PLAIN + "0.12,7.").encode(), said="line 14"),
    Mess("hash signs in a cell", changed(5, "0.05,####,-3.5,0.35"), said="line 7", lost=1),
    Mess("words for no number", changed(5, "0.05,NaN,-3.5,0.35").replace(b"0.40", b"null"), lost=1),
    Mess("formula in a cell", changed(5, "0.05,=1+1,-3.5,0.35"), said="line 7", lost=1),
    Mess("thousands sign in a cell", changed(5, '0.05,"1,003.5",-3.5,0.35'), said="line 7", lost=1),
    Mess("infinity in a cell", changed(5, "0.05,inf,-3.5,0.35"), lost=1),
    Mess("number beyond all measure in a cell", changed(5, "0.05,3.5e201,-3.5,0.35"), said="line 7", lost=1),
    Mess("negative zero", PLAIN.replace("0.00,", "-0.00,", 1).encode()),
    Mess("exponents", text([[f"{float(c):.3e}" for c in row] for row in ALL]).encode()),
    Mess("FORTRAN exponents", text([[f"{float(c):.6E}".replace("E", "D") for c in row] for row in ALL]).encode()),
    Mess("milliseconds, said", timed(lambda i: f"{10 * i}", "Time [ms]")),
    Mess("milliseconds, not said", timed(lambda i: f"{10 * i}", "Time"), said="logger.channels.time.unit"),
    Mess("microseconds", timed(lambda i: f"{10000 * i}", "Time"), said="microseconds"),
    Mess("seconds, not said", timed(lambda i: f"{0.01 * i:.2f}", "Time"), said="logger.channels.time.unit"),
    Mess("epoch milliseconds", timed(lambda i: f"{1749925200000 + 10 * i}", "timestamp"), said="epoch ms"),
    Mess("epoch seconds", timed(lambda i: f"{1749925200 + 0.01 * i:.3f}", "timestamp"), said="epoch seconds"),
    Mess("epoch nanoseconds", timed(lambda i: f"{1749925200000000000 + 10_000_000 * i}", "timestamp"), said="epoch ns"),
    Mess("epoch after a spreadsheet", timed(lambda i: "1.75E+12", "timestamp"), refused="logger.sample_rate"),
    Mess("epoch rounded to float32", timed(lambda i: f"{1749925167104 + 131072 * (i // 6)}", "timestamp"), refused="logger.sample_rate"),
    Mess("epoch rounded to float32, rate stated", timed(lambda i: f"{1749925167104 + 131072 * (i // 6)}", "timestamp"), logger={"sample_rate": "100 Hz"}, said="logger.sample_rate"),
    Mess("time of unknown unit", timed(lambda i: f"{i}", "Time"), refused="logger.channels.time"),
    Mess("uptime", timed(lambda i: f"{4711.2 + 0.01 * i:.2f}"), start=4711.2),
    Mess("clock time", timed(lambda i: f"18:20:07.{10 * i:03d}", "Time"), said="clock time"),
    Mess("clock time with comma", text([[f"18:20:07,{10 * i:03d}", *row[1:]] for i, row in enumerate(comma(ALL))], sep=";").encode(), said="clock time"),
    Mess("clock time past midnight", timed(lambda i: f"23:59:59.{950 + 10 * i:03d}" if i < 5 else f"00:00:00.{10 * (i - 5):03d}", "Time")),
    Mess("ISO stamps", timed(lambda i: f"{ISO}07.{10000 * i:06d}", "timestamp"), said="date and time"),
    Mess("ISO stamps with zone", timed(lambda i: f"{ISO}07.{10000 * i:06d}+02:00", "timestamp")),
    Mess("date and time in two columns", text([["14.06.2025", f"18:20:07.{10 * i:03d}", *row[1:]] for i, row in enumerate(ALL)], ["Date", "Time", *HEAD[1:]]).encode()),
    Mess("sample count, rate stated", timed(lambda i: f"{i}", "Sample"), logger={"sample_rate": "100 Hz"}),
    Mess("sample count, no rate", timed(lambda i: f"{i}", "Sample"), refused="logger.sample_rate"),
    Mess("no time, rate stated", text([row[1:] for row in ALL], HEAD[1:]).encode(), logger={"sample_rate": "100 Hz"}, said="logger.sample_rate"),
    Mess("no time, no rate", text([row[1:] for row in ALL], HEAD[1:]).encode(), refused="logger.sample_rate"),
    Mess("semicolons and no time", text([row[1:] for row in ALL], HEAD[1:], sep=";").encode(), refused="no column of time"),
    Mess("rows out of order", text([ALL[i] for i in (0, 2, 1, 3, 4, 6, 5, 7, 8, 9, 10, 11)]).encode(), said="sorted"),
    Mess("rows written twice", text([row for row in ALL for _ in range(2)]).encode(), said="repeat"),
    Mess("cumulative copies", text(ALL[:8] + ALL).encode(), said="sorted"),
    Mess("one step back near the start", text([["9.13", *ALL[0][1:]], *ALL]).encode(), said="step"),
    Mess("one stamp too many", inserted(5, "0.04,3.0,-3.0,0.30"), said=""),
    Mess("hole of a minute", text(ALL[:6] + [[f"{60 + TIMES[i]:.2f}", *ALL[i][1:]] for i in range(6, ROWS)]).encode(), said="gap", lost=10_000),
    Mess("stamps with jitter", timed(lambda i: f"{0.01 * i + (0.0008 if i % 2 else 0.0):.4f}"), lost=1),
    Mess(".gz", gzip.compress(PLAIN.encode()), file="log.csv.gz"),
    Mess(".zip", zipped({"log.csv": PLAIN.encode()}), file="log.zip"),
    Mess(".zip with two files", zipped({"a.csv": PLAIN.encode(), "b.csv": PLAIN.encode()}), file="log.zip", refused="2 files"),
    Mess(".zip that is broken", zipped({"log.csv": PLAIN.encode()})[:60], file="log.zip", refused="unpack"),
    Mess("Parquet", parquet(), file="log.parquet"),
    Mess("Parquet that is broken", parquet()[:-40], file="log.parquet", refused="Parquet"),
    Mess("zero length", b"", refused="empty"),
    Mess("blank lines only", b"\n\n\r\n   \n", refused="empty"),
    Mess("header only", text([]).encode(), refused="no rows"),
    Mess("prose", b"The quick brown fox\njumps over the lazy dog\nand nothing else happens here\n", refused="no table"),
    Mess("picture", b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 40, refused="no table"),
    Mess("binary tail", PLAIN.encode() + bytes(range(128, 160)) + b"\x00\x01\x02", said="line 14"),
    Mess("null bytes in a row", changed(5, "0.05,3.5\x00,-3.5,0.35"), said="line 7", lost=1),
    Mess("second table below", (PLAIN + "\nLap,Best\n1,25.3\n2,25.1\n").encode(), said="line"),
    Mess("column count changes", text(ALL[:5] + [[*row, "1"] for row in ALL[5:]]).encode(), refused="cells"),
    Mess("several record types without names", TYPED.encode(), refused='column = "POT 3"'),
    Mess("several record types, columns by number", TYPED.encode(), channels={"damper_FL": {"column": "POT 2", "unit": "mm"}, "damper_FR": {"column": "POT 3", "unit": "mm"}, "accel_y": {"column": "IMU 2", "unit": "g"}}, said="rise evenly"),
    Mess("several record types with names", ("POT,Time [s],FL pot [mm],FR pot [mm]\nIMU,Time [s],LatG [g],LonG [g],VertG [g]\n" + TYPED).encode(), said="rows of several types, told by their first word: POT, IMU"),
    Mess("several record types of one width with names", ("POT,Time [s],FL pot [mm],FR pot [mm]\nIMU,Time [s],LatG [g],LonG [g]\n" + "".join(f"POT,{t},{a},{b}\nIMU,{t},{g},0.1\n" for t, a, b, g in ALL)).encode(), said="told by their first word"),
    Mess("several record types with names in rows of another type", ("names,POT,Time [s],FL pot [mm],FR pot [mm]\nnames,IMU,Time [s],LatG [g],LonG [g],VertG [g]\nnames,GPS,Time [s],Lat,Lon\n" + TYPED + "GPS,0.0,1.5,2.5\nGPS,0.1,1.5,2.5\nGPS,0.2,1.5,2.5\n").encode(), said="left out: GPS"),
    Mess("several record types, epoch", TYPED_EPOCH.encode(), said="epoch ms"),
    Mess("a word in the first column", text([["ok", *row] for row in ALL], ["State", *HEAD]).encode()),
    Mess("no header, columns by number", text(ALL, []).encode(), channels={"time": {"column": "column 1", "unit": "s"}, "damper_FL": {"column": "column 2", "unit": "mm"}, "damper_FR": {"column": "column 3", "unit": "mm"}, "accel_y": {"column": "column 4", "unit": "g"}}, said="logger.header_line"),
    Mess("no header and named channels", text(ALL, []).encode(), refused="has no column"),
    Mess("enormous field", changed(5, f"0.05,{BIG_FIELD},-3.5,0.35"), refused="rows of cells"),
    Mess("enormous header", (BIG_FIELD + PLAIN).encode(), refused="longer than any header"),
    Mess("thousands of columns", MANY.encode(), refused="columns"),
    Mess("markup in names", text([[*row, "1"] for row in ALL], [*HEAD, "<script>alert(1)</script>"]).encode()),
    Mess("unit that is none", text(ALL, [*HEAD[:3], "LatG [furlong]"]).encode(), refused="furlong"),
    Mess("no unit anywhere", text(ALL, NAMES).encode(), refused="logger.channels.damper_FL.unit"),
    Mess("volts without pairs", text(ALL, [HEAD[0], "FL pot [V]", *HEAD[2:]]).encode(), refused="volts"),
    Mess("volts with a falling table", text(VOLT_ROWS, NAMES).encode(), channels=VOLT_MAP),
    Mess("wrong column name", PLAIN.encode(), channels={"damper_FL": {"column": "Front left"}}, refused='has no column "Front left"'),
)  # fmt: skip
