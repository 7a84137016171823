// Traces and readings as the figures take them, from packed columns.

import { type Table, getTables } from "./packed";
import type { Trace } from "./types";

function traceOf(t: Table): Trace {
  const c = t.column;
  return {
    tag: String(t.about["tag"]),
    step_s: Number(t.about["step_s"]),
    columns: {
      time: c("time").map(Number),
      difference_pct: c("difference_pct"),
      difference_low_pct: c("difference_low_pct"),
      difference_high_pct: c("difference_high_pct"),
      failed_share: c("failed_share"),
      scatter_pct: c("scatter_pct"),
      replies: c("replies"),
      device_status: c("device_status"),
    },
  };
}

export const getTraces = async (path: string, signal?: AbortSignal): Promise<Trace[]> => (await getTables(path, signal)).map(traceOf);

export interface Reading {
  t: number;
  pv: number | null;
  analog: number | null;
  reported: number | null;
  status: number | null;
  replied: boolean;
}

export async function getReadings(path: string, signal?: AbortSignal): Promise<Reading[]> {
  const [t] = await getTables(path, signal);
  if (!t) return [];
  const time = t.column("time");
  const pv = t.column("pv");
  const analog = t.column("analog_ma");
  const reported = t.column("reported_ma");
  const response = t.column("response_code");
  const status = t.column("device_status");
  return time.map((at, i) => {
    const code = response[i] ?? null;
    return {
      t: at ?? Number.NaN,
      pv: pv[i] ?? null,
      analog: analog[i] ?? null,
      reported: reported[i] ?? null,
      status: code !== null && code >= 0x80 ? null : (status[i] ?? null),
      replied: code !== null && code < 0x80,
    };
  });
}
