"""What a general-purpose engine takes to read the columns that an assessment reads: DuckDB sums each of them, one thread.

scan.py GLOB COLUMNS: prints processor and wall seconds of the query, without starting Python, as JSON.
"""

import json
import sys
import time

import duckdb

files, columns = sys.argv[1], sys.argv[2].split(",")
whole = {"time", "analog_time"}
sums = [f"sum(epoch_us({c}))" if c in whole else f"max({c})" if c == "tag" else f"sum({c})" for c in columns]
db = duckdb.connect()
db.execute("set threads = 1")
cpu, wall = time.process_time(), time.perf_counter()
(row,) = db.execute(f"select count(*), {', '.join(sums)} from read_parquet('{files}')").fetchall()
print(json.dumps({"cpu_s": time.process_time() - cpu, "wall_s": time.perf_counter() - wall, "rows": row[0]}))
