"""What an engineer would write for the same question on an afternoon: polars for the columns, scipy for the slopes.

For each loop: moments of the deviation by hour, its least squares against position, Theil-Sen slope of the hourly means,
longest run of equal values, error rate by counters, hours without answers; the worst loops on top. It knows nothing of
steady samples, idle plants, registers with history, probabilities or causes; it is the fair competitor for time, not for
findings.

script.py STORE REGISTER: prints processor and wall seconds, without starting Python, as JSON.
"""

import json
import sys
import time

import numpy as np
import polars as pl
from scipy import stats

store, register = sys.argv[1], sys.argv[2]
cpu, wall = time.process_time(), time.perf_counter()

loops = pl.read_csv(register, infer_schema_length=None).select("tag", pl.col("lrv", "urv").cast(pl.Float64), "transfer")
position = 100 * (pl.col("pv") - pl.col("lrv")) / (pl.col("urv") - pl.col("lrv"))
square_root = pl.col("transfer").cast(pl.String).is_in(["square-root", "square_root", "1"])
columns = ["time", "tag", "pv", "reported_ma", "analog_ma", "response_code", "device_status", "exchanges", "comm_errors"]

rows = (
    pl.scan_parquet(f"{store}/history/*.parquet")
    .select(columns)
    .join(loops.lazy(), on="tag")
    .with_columns(x=pl.when(square_root).then(10 * position.clip(lower_bound=0).sqrt()).otherwise(position))
    .with_columns(
        hour=pl.col("time").dt.truncate("1h"),
        analog=(pl.col("analog_ma") - pl.col("reported_ma")) / 0.16,
        digital=pl.col("reported_ma") / 0.16 - 25 - pl.col("x"),
    )
)
by_hour = (
    rows.group_by("tag", "hour")
    .agg(
        n=pl.len(),
        silent=pl.col("response_code").is_null().sum(),
        failed=(pl.col("response_code") >= 128).sum(),
        status=(pl.col("device_status") > 0).sum(),
        mean=pl.col("analog").mean(),
        scatter=pl.col("analog").std(),
        digital=pl.col("digital").mean(),
        low=pl.col("analog_ma").min(),
        high=pl.col("analog_ma").max(),
    )
    .collect()
    .sort("tag", "hour")
)
by_loop = (
    rows.group_by("tag", maintain_order=True)
    .agg(
        slope=pl.cov("x", "analog") / pl.col("x").var(),
        offset=pl.col("analog").mean(),
        longest_run=pl.col("analog_ma").rle().struct.field("len").max(),
        exchanges=pl.col("exchanges").diff().clip(lower_bound=0).sum(),
        errors=pl.col("comm_errors").diff().clip(lower_bound=0).sum(),
    )
    .collect()
)
trends = []
for (tag,), hours in by_hour.group_by("tag", maintain_order=True):
    good = hours.filter(pl.col("mean").is_finite())
    if good.height < 24:
        continue
    days = good["hour"].dt.epoch("s").to_numpy() / 86_400
    slope, _, low, high = stats.theilslopes(good["mean"].to_numpy(), days)
    trends.append((tag, float(slope), float(low), float(high), int(np.sign(low) == np.sign(high))))
trend = pl.DataFrame(trends, schema=["tag", "rate", "low", "high", "sure"], orient="row")
worst = (
    by_loop.join(trend, on="tag", how="left")
    .with_columns(error_rate=pl.col("errors") / pl.col("exchanges"))
    .with_columns(score=pl.col("offset").abs().fill_null(0) + pl.col("rate").abs().fill_null(0) + pl.col("error_rate").fill_nan(0))
    .sort("score", descending=True)
)
print(
    json.dumps(
        {
            "cpu_s": time.process_time() - cpu,
            "wall_s": time.perf_counter() - wall,
            "rows": int(by_hour["n"].sum()),
            "loops": worst.height,
        }
    )
)
