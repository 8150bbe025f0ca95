"""Takes a night's table and gives it as Parquet: typed columns, with unit and meaning in each field's metadata.

`time` has the offset that all photos share, UTC where the offset changes in the night, and none where none is known; the
offset of each photo stands in `utc_offset_min`. An empty cell is null, never a number.
"""

from __future__ import annotations

import io
import json
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from frametally.model import FLAG_MEANING, Column, Flag
from frametally.show.export import Package, missing_library

if TYPE_CHECKING:
    import pyarrow as pa

OFFSET_COLUMN = Column("utc_offset_min", "integer", "min", "Offset of `time` from UTC; null where it is not known.")


def to_parquet(night: Package) -> bytes:
    """Give the readings as a Parquet file; same night and same pyarrow, same bytes.

    Raises `ProgramMissing` where pyarrow is not installed.
    """
    try:
        import pyarrow as pa
        from pyarrow import parquet
    except ImportError:
        raise missing_library("pyarrow", "'frametally[parquet]'", "parquet") from None
    fields, arrays = [], []
    for column in night.readings.columns:
        values = night.readings.values[column.name]
        if column.name == "time":
            for array, one in ((_times(night), column), (_offsets(night), OFFSET_COLUMN)):
                arrays.append(array)
                fields.append(_field(one, array.type, night))
            continue
        array = _numbers(values) if column.type == "number" else _texts(column, values.tolist())
        arrays.append(array)
        fields.append(_field(column, array.type, night))
    about = {"title": night.title, "generator": f"frametally {night.version}"}
    schema = pa.schema(fields, metadata={key: text.encode("utf-8", "backslashreplace") for key, text in about.items()})
    data = io.BytesIO()
    parquet.write_table(pa.Table.from_arrays(arrays, schema=schema), data, compression="snappy")
    return data.getvalue()


def _field(column: Column, kind: Any, night: Package) -> pa.Field:
    import pyarrow as pa

    about = {"description": column.meaning}
    if column.unit:
        about["unit"] = column.unit
    for one in night.displays:
        if one.key == column.name:
            about |= {"quantity": one.quantity, "instrument": one.instrument}
            about |= {"resolution": json.dumps(one.resolution)} if one.resolution is not None else {}
            about |= {"range": json.dumps(list(one.range))} if one.range is not None else {}
        if f"{one.key}_flag" == column.name:
            about["flags"] = json.dumps({flag.value: FLAG_MEANING[flag][0] for flag in Flag})
    return pa.field(column.name, kind, metadata={key: text.encode("utf-8", "backslashreplace") for key, text in about.items()})


def _numbers(values: Any) -> pa.Array:
    import pyarrow as pa

    numbers = values.to_numpy(dtype=float)
    return pa.array(numbers, pa.float64(), mask=np.isnan(numbers))


def _texts(column: Column, values: list[str]) -> pa.Array:
    """Text; flags as a dictionary of all flags, so that readers know every value there can be."""
    import pyarrow as pa

    if column.name.endswith("_flag"):
        names = [flag.value for flag in Flag]
        if set(values) <= {*names, ""}:
            codes = pa.array([names.index(value) if value else None for value in values], pa.int8())
            return pa.DictionaryArray.from_arrays(codes, pa.array(names, pa.string()))
    plain = [value.encode("utf-8", "backslashreplace").decode() if value else None for value in values]
    return pa.array(plain, pa.string())


def _clock(night: Package) -> list[datetime | None]:
    return [datetime.fromisoformat(cell) if cell else None for cell in night.readings.cells["time"].tolist()]


def _times(night: Package) -> pa.Array:
    import pyarrow as pa

    clock = _clock(night)
    offsets = {moment.utcoffset() for moment in clock if moment is not None}
    if offsets <= {None}:
        return pa.array(clock, pa.timestamp("us"))
    shared = offsets.pop() if len(offsets) == 1 else timedelta()
    return pa.array(clock, pa.timestamp("us", tz=_zone_text(shared or timedelta())))


def _offsets(night: Package) -> pa.Array:
    import pyarrow as pa

    offsets = [None if moment is None else moment.utcoffset() for moment in _clock(night)]
    return pa.array([None if offset is None else round(offset.total_seconds() / 60) for offset in offsets], pa.int32())


def _zone_text(offset: timedelta) -> str:
    minutes = round(offset.total_seconds() / 60)
    return "UTC" if minutes == 0 else f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"
