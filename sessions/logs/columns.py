"""The columns of a log in one compact file, written and read a stretch of rows at a time.

The file is a zip. Its rows are cut into groups; of each group every column is a member of its own, so that a chart
reads the columns it draws of the minutes it shows, and nothing else. A column of a group is stored as whole numbers,
in the smallest power of ten that holds all its digits, as differences from row to row in numpy's own format. What
instruments write has few digits and changes little from row to row: a million rows of six columns take 9 MB, against
11 MB for numpy's compressed format and 39 MB for the CSV. Only what is beyond `stored_digits` is rounded. Beside the
rows lie the `extremes` of every line of the charts, and last `index.json`, which says where everything is. Parquet
would need a library of a hundred megabytes, which has no build for many small boards.

Files of the first kind have no index and each column in one piece; `WholeColumns` reads them.
"""

from __future__ import annotations

import io
import json
import re
import zipfile
import zlib
from collections.abc import Iterable, Iterator, Mapping
from typing import IO, Any

import numpy as np

from buildlog.storage.slices import open_for_slices
from sessions.logs.channels import Channel, channels_in
from sessions.logs.extremes import Extremes
from sessions.logs.models import Log

GROUP_ROWS = 65_536
INDEX = "index.json"
FASTEST = 1
TRIAL = 1024
WORTH_PACKING = 0.4
"""A member is packed where its first values shrink to less than this share."""
_EXACT = 2.0**52
"""Below this both the whole numbers and their differences are exact in floating point."""
_WHOLE_NUMBERS = (np.int8, np.int16, np.int32, np.int64)


def stored_digits(column: str) -> int:
    """Decimals to which a column is stored: a tenth of a millimetre for positions, a millionth of the unit else."""
    return 9 if column in ("lat_deg", "lon_deg") else 6


class ColumnWriter:
    """Writes columns, rounded to `stored_digits`, that come in blocks of rows. To be closed."""

    def __init__(self, target: IO[bytes]) -> None:
        self._file = zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED, compresslevel=FASTEST)
        self._waiting: list[Mapping[str, Any]] = []
        self._waiting_rows = self._rows = 0
        self._groups: list[dict[str, Any]] = []
        self._extremes: dict[str, Extremes] | None = None
        self._digits: dict[str, int] = {}

    def add(self, columns: Mapping[str, Any]) -> None:
        """Take in the rows that follow; every block has the same columns, all of one length."""
        self._waiting.append(columns)
        self._waiting_rows += next(iter(columns.values())).size
        if self._waiting_rows >= GROUP_ROWS:
            waiting = _joined(self._waiting)
            whole = self._waiting_rows // GROUP_ROWS * GROUP_ROWS
            for start in range(0, whole, GROUP_ROWS):
                self._write({name: values[start : start + GROUP_ROWS] for name, values in waiting.items()})
            self._waiting = [{name: values[whole:] for name, values in waiting.items()}]
            self._waiting_rows -= whole

    def _write(self, columns: dict[str, Any]) -> None:
        number = len(self._groups)
        group: dict[str, Any] = {"rows": next(iter(columns.values())).size, "columns": {}}
        stored = {}
        for name, values in columns.items():
            group["columns"][name], stored[name] = self._written(f"rows/{number}/{name}", name, values)
        if "time_s" in stored:
            group["time_s"] = [float(stored["time_s"][0]), float(stored["time_s"][-1])]
        if self._extremes is None:
            self._extremes = {name: Extremes(channel) for name, channel in channels_in(stored).items()}
        for extremes in self._extremes.values():
            extremes.add(stored)
        self._groups.append(group)
        self._rows += group["rows"]

    def _written(self, member: str, name: str, values: Any) -> tuple[dict[str, Any], Any]:
        """How a column was written, and its values as they are read again."""
        how: dict[str, Any] = {}
        nothing = np.isnan(values)
        has_gaps = bool(nothing.any())
        if has_gaps:
            how["nothing"] = True
            self._put(f"{member}.nothing", np.packbits(nothing))
            # The last value before a gap fills it, so that the differences there are zero.
            rows = np.where(nothing, 0, np.arange(values.size))
            values = np.nan_to_num(values)[np.maximum.accumulate(rows)]
        most = stored_digits(name)
        # As many digits as the rows before needed are mostly enough.
        for digits in range(self._digits.get(name, 0), most + 1):
            whole = np.rint(values * 10.0**digits)
            if max(whole.max(), -whole.min()) >= _EXACT:
                break
            stored = whole / 10.0**digits
            if digits == most or np.array_equal(stored, values):
                self._digits[name] = digits
                steps = np.diff(whole)
                largest = max(steps.max(initial=0.0), -steps.min(initial=0.0))
                kind = next(kind for kind in _WHOLE_NUMBERS if largest <= np.iinfo(kind).max)
                self._put(member, steps.astype(kind))
                how |= {"digits": digits, "first": int(whole[0])}
                break
        if "digits" not in how:
            stored = np.round(values, most)
            self._put(member, stored)
        if has_gaps:
            stored[nothing] = np.nan
        return how, stored

    def _put(self, member: str, content: Any) -> None:
        """Add an array to the file."""
        info = zipfile.ZipInfo(f"{member}.npy")
        # Noise hardly shrinks, and takes longer to pack than everything else here together.
        trial = content.reshape(-1)[:TRIAL].tobytes()
        shrinks = len(zlib.compress(trial, FASTEST)) < WORTH_PACKING * len(trial)
        info.compress_type = zipfile.ZIP_DEFLATED if shrinks else zipfile.ZIP_STORED
        with self._file.open(info, "w") as place:
            np.lib.format.write_array(place, content, allow_pickle=False)

    def close(self) -> None:
        if self._waiting_rows:
            self._write(_joined(self._waiting))
            self._waiting, self._waiting_rows = [], 0
        channels = {}
        for name, extremes in (self._extremes or {}).items():
            rows, channels[name] = extremes.finished()
            self._put(f"extremes/{name}", rows)
        index = {"format": 2, "rows": self._rows, "groups": self._groups, "extremes": channels}
        self._file.writestr(INDEX, json.dumps(index, separators=(",", ":")))
        self._file.close()

    def __enter__(self) -> ColumnWriter:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is None:
            self.close()
        else:
            # What is half written is of no use to anybody.
            self._file.close()


def _joined(blocks: list[Mapping[str, Any]]) -> dict[str, Any]:
    return {name: np.concatenate([block[name] for block in blocks]) for name in blocks[0]}


class StoredColumns(Mapping[str, Any]):
    """The columns in an open file by their names, each read when it is asked for. To be closed."""

    _times: Any = None

    def __init__(self, file: IO[bytes]) -> None:
        self._file, self._packed = file, zipfile.ZipFile(file)
        self._index: dict[str, Any] = json.loads(self._packed.read(INDEX))
        self._groups: list[dict[str, Any]] = self._index["groups"]

    def __iter__(self) -> Iterator[str]:
        return iter(self._groups[0]["columns"]) if self._groups else iter(())

    def __len__(self) -> int:
        return len(self._groups[0]["columns"]) if self._groups else 0

    def __contains__(self, name: object) -> bool:
        # What a mapping does by itself reads the whole column to find out.
        return name in list(self)

    def __getitem__(self, name: str) -> Any:
        if name == "time_s" and self._times is not None:
            return self._times
        if name not in self:
            raise KeyError(name)
        values, start = np.empty(self.row_count), 0
        for number, group in enumerate(self._groups):
            values[start : start + group["rows"]] = self._column(number, name)
            start += group["rows"]
        if name == "time_s":
            # Every line of a log is read with its times; they are the same ones, which nobody may change.
            values.flags.writeable = False
            self._times = values
        return values

    @property
    def row_count(self) -> int:
        return int(self._index["rows"])

    @property
    def span_s(self) -> tuple[float, float]:
        """The first and the last time."""
        return float(self._groups[0]["time_s"][0]), float(self._groups[-1]["time_s"][1])

    def blocks(self, names: Iterable[str]) -> Iterator[dict[str, Any]]:
        """Those columns a stretch of rows at a time, from the first to the last."""
        names = list(names)
        for number in range(len(self._groups)):
            yield {name: self._column(number, name) for name in names}

    def rows_between(self, from_s: float, to_s: float) -> int:
        """How many rows `between` has to read for a stretch of time."""
        return sum(int(self._groups[number]["rows"]) for number in self._numbers(from_s, to_s))

    def between(self, names: Iterable[str], from_s: float, to_s: float) -> dict[str, Any]:
        """Those columns for a stretch of time, with some rows more at both ends."""
        wanted = set(names)
        # In the order in which they stand in the file, so that an object store is asked for one piece of it.
        in_order = [name for name in self if name in wanted]
        return _joined(
            [{name: self._column(number, name) for name in in_order} for number in self._numbers(from_s, to_s)]
        )

    def _numbers(self, from_s: float, to_s: float) -> list[int]:
        """The groups that reach into a stretch of time; of one in which there is none, those before and after."""
        starts = [group["time_s"][0] for group in self._groups]
        ends = [group["time_s"][1] for group in self._groups]
        first = int(np.searchsorted(ends, from_s, side="right"))
        last = int(np.searchsorted(starts, to_s, side="left"))
        # A line comes from the row before, and goes on to the one after.
        before = first - 1 if first < len(starts) and starts[first] >= from_s else first
        after = last + 1 if last and ends[last - 1] <= to_s else last
        return list(range(max(min(before, len(starts) - 1), 0), max(min(after, len(starts)), 1)))

    def extremes(self, channel: Channel) -> tuple[Any, list[list[float]]] | None:
        """The rows that `Extremes` made ready, and the first and the last sample. None where the file has none."""
        noted = self._index["extremes"].get(channel.name)
        return None if noted is None else (self._array(f"extremes/{channel.name}"), noted["ends"])

    def has_samples(self, channel: Channel) -> bool:
        """Whether the line has any point."""
        return bool(self._index["extremes"].get(channel.name, {}).get("count"))

    def _array(self, member: str) -> Any:
        return np.lib.format.read_array(io.BytesIO(self._packed.read(f"{member}.npy")), allow_pickle=False)

    def _column(self, number: int, name: str) -> Any:
        how, member = self._groups[number]["columns"][name], f"rows/{number}/{name}"
        values = self._array(member)
        if "digits" in how:
            whole = np.concatenate([[float(how["first"])], values])
            values = np.cumsum(whole, out=whole)
            values /= 10.0 ** how["digits"]
        if how.get("nothing"):
            bits = self._array(f"{member}.nothing")
            values[np.unpackbits(bits, count=values.size).astype(bool)] = np.nan
        return values

    def close(self) -> None:
        self._packed.close()
        self._file.close()

    def __enter__(self) -> StoredColumns:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


class WholeColumns(StoredColumns):
    """A file of the first kind: each column in one piece, nothing made ready, and so read whole for every look."""

    def __init__(self, file: IO[bytes]) -> None:
        self._file, self._packed = file, zipfile.ZipFile(file)
        self._members: dict[str, str] = {}
        for member in self._packed.namelist():
            name, _, how = member.removesuffix(".npy").partition(".")
            if how != "nothing":
                self._members[name] = how

    def __iter__(self) -> Iterator[str]:
        return iter(self._members)

    def __len__(self) -> int:
        return len(self._members)

    def __getitem__(self, name: str) -> Any:
        how = self._members[name]
        values = self._array(f"{name}.{how}" if how else name)
        if steps := re.fullmatch(r"steps(\d)", how):
            values = np.cumsum(values, dtype=np.int64) / 10.0 ** int(steps[1])
        if f"{name}.nothing.npy" in self._packed.NameToInfo:
            bits = self._array(f"{name}.nothing")
            values[np.unpackbits(bits, count=values.size).astype(bool)] = np.nan
        return values

    @property
    def row_count(self) -> int:
        return int(self[next(iter(self))].size)

    @property
    def span_s(self) -> tuple[float, float]:
        times = self["time_s"]
        return float(times[0]), float(times[-1])

    def blocks(self, names: Iterable[str]) -> Iterator[dict[str, Any]]:
        yield {name: self[name] for name in names}

    def rows_between(self, from_s: float, to_s: float) -> int:
        return 0

    def between(self, names: Iterable[str], from_s: float, to_s: float) -> dict[str, Any]:
        return {name: self[name] for name in names}

    def extremes(self, channel: Channel) -> tuple[Any, list[list[float]]] | None:
        return None

    def has_samples(self, channel: Channel) -> bool:
        return True


def stored_columns(file: IO[bytes]) -> StoredColumns:
    """The columns in a file of either kind."""
    try:
        return StoredColumns(file)
    except KeyError:
        return WholeColumns(file)


def open_columns(log: Log) -> StoredColumns:
    """The columns of a log, to be closed. Raises FileNotFoundError where the file is gone."""
    return stored_columns(open_for_slices(log.columns))
