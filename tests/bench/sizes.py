"""How small the readings could be: the day files beside plain Parquet with zstd, and beside the entropy of the signals.

Entropy: of each column, at the resolution that it has, the entropy of the differences from row to row of one loop, order 0;
columns taken as independent. So no code that predicts a value by the one before and each column by itself can do better;
one that predicts across columns can.

sizes.py STORE OUT: writes plain Parquet into OUT; prints bytes a reading as JSON.
"""

import json
import os
import sys
from pathlib import Path

import duckdb
import numpy as np
import polars as pl

store, out = Path(sys.argv[1]), Path(sys.argv[2])
files = sorted((store / "history").glob("*.parquet"))
out.mkdir(parents=True, exist_ok=True)
db = duckdb.connect()
db.execute("set threads = 1")
plain = rows = 0
columns: dict[str, int] = {}
for file in files:
    to = out / file.name
    db.execute(f"copy (select * from read_parquet('{file}')) to '{to}' (format parquet, compression zstd)")
    plain += to.stat().st_size
    os.remove(to)
    for name, size in db.execute(
        f"select path_in_schema, sum(total_compressed_size) from parquet_metadata('{file}') group by 1"
    ).fetchall():
        columns[name] = columns.get(name, 0) + int(size)
    rows += db.execute(f"select count(*) from read_parquet('{file}')").fetchone()[0]
files_bytes = sum(f.stat().st_size for f in files)


def entropy(name: str) -> float:
    """Bits a row."""
    frame = pl.scan_parquet(files).select("tag", name).collect()
    if name in ("time", "analog_time"):
        # The data are in whole milliseconds.
        frame = frame.with_columns(pl.col(name).dt.epoch("ms"))
    values = frame[name]
    if values.dtype.is_float():
        # A 32-bit float is what a device sends: its bits as an integer keep the order of positive values.
        values = values.cast(pl.Float32).fill_null(0).to_numpy().view(np.int32).astype(np.int64)
    else:
        values = values.cast(pl.Int64).fill_null(-1).to_numpy()
    same = (frame["tag"] == frame["tag"].shift()).fill_null(False).to_numpy()
    _, counts = np.unique(np.diff(values, prepend=0)[same], return_counts=True)
    share = counts / counts.sum()
    return float(-(share * np.log2(share)).sum())


bits = {name: entropy(name) for name in columns if name != "tag"}
print(
    json.dumps(
        {
            "rows": rows,
            "files": files_bytes / rows,
            "plain": plain / rows,
            "entropy": sum(bits.values()) / 8,
            "columns": {n: [round(columns[n] / rows, 3), round(bits.get(n, 0) / 8, 3)] for n in columns},
        }
    )
)
