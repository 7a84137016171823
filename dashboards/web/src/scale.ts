// Arithmetic of a 4-20 mA loop that the figures need, and of axes.

import type { LoopEntry, LastReading } from "./types";

/** Registered current f(pv): clipped to 3.8 to 20.5 mA (NE 43); null where the transfer function is not known. */
export function registeredMa(loop: LoopEntry, pv: number | null): number | null {
  const x = positionOf(loop, pv);
  if (x === null) return null;
  const y = loop.transfer === "linear" ? x : loop.transfer === "square-root" ? Math.sqrt(Math.max(0, x)) : null;
  return y === null ? null : Math.min(20.5, Math.max(3.8, 4 + 16 * y));
}

function positionOf(loop: LoopEntry, pv: number | null): number | null {
  const x = pv === null ? Number.NaN : (pv - loop.lrv) / (loop.urv - loop.lrv);
  return Number.isFinite(x) ? x : null;
}

/** Engineering value that a current stands for, by the registered range. */
export function valueOf(loop: LoopEntry, ma: number): number {
  const y = (ma - 4) / 16;
  return loop.lrv + (loop.transfer === "square-root" ? Math.sign(y) * y * y : y) * (loop.urv - loop.lrv);
}

/** Analog minus digital, % of span. */
export function differencePct(loop: LoopEntry, pv: number | null, analogMa: number | null): number | null {
  const f = registeredMa(loop, pv);
  return f === null || analogMa === null ? null : (100 * (analogMa - f)) / 16;
}

export const complete = (l: LastReading | null): l is LastReading => l !== null && l.pv !== null;

/** Round steps for an axis: 1, 2, 5 times a power of ten. */
export function ticks(low: number, high: number, about: number): number[] {
  const raw = (high - low) / Math.max(1, about);
  if (!(raw > 0) || !Number.isFinite(raw)) return [];
  const power = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 5, 10].map((m) => m * power).find((s) => s >= raw) ?? raw;
  const out: number[] = [];
  for (let i = Math.ceil(low / step - 1e-9); i * step <= high + step * 1e-9; i++) out.push(i * step);
  return out;
}

export function quantile(values: readonly number[], q: number): number {
  if (values.length === 0) return Number.NaN;
  const v = [...values].sort((a, b) => a - b);
  return v[Math.min(v.length - 1, Math.max(0, Math.round(q * (v.length - 1))))] ?? Number.NaN;
}
