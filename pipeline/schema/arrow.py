"""Between polars and DuckDB: types of the schema as polars types, and frames handed over without pyarrow.

In:    a polars frame.
Out:   something that DuckDB can register.
After: the frame is not copied and not changed.
"""

from __future__ import annotations

from typing import Final

import polars as pl

POLARS_TYPES: Final[dict[str, pl.DataType]] = {
    "VARCHAR": pl.String(),
    "BIGINT": pl.Int64(),
    "INTEGER": pl.Int32(),
    "DOUBLE": pl.Float64(),
    "BOOLEAN": pl.Boolean(),
    "TIMESTAMP": pl.Datetime("us"),
}


class ArrowStream:
    """Hands a polars frame to DuckDB through the Arrow C stream."""

    def __init__(self, frame: pl.DataFrame) -> None:
        self._frame = frame

    def __arrow_c_stream__(self, requested_schema: object | None = None) -> object:
        return self._frame.__arrow_c_stream__(requested_schema)
