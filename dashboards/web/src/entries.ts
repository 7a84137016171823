// The ranked list as the page shows it: a common cause is one entry, its members folded beneath.

import { DAY, THIN, day, instant, interval, ma, ms, num, pct, signed, signedPct, span } from "./format";
import type { Assessment, CommonCause, Finding, LoopEntry, Row } from "./types";

export interface Entry {
  key: string;
  /** 1 is first, whatever the filter leaves. */
  place: number;
  cause: CommonCause | null;
  /** The row itself, or the group's members in order of rank. */
  rows: Row[];
  lasting: boolean;
}

export interface Filter {
  area: string;
  kind: string;
  purpose: string;
  find: string;
}

export function entriesOf(a: Assessment): Entry[] {
  const causes = new Map(a.common_causes.map((c) => [c.id, c]));
  const groups = new Map<string, Entry>();
  const out: Entry[] = [];
  for (const row of [...a.attention].sort((x, y) => x.rank - y.rank)) {
    const cause = row.common_cause ? causes.get(row.common_cause) : undefined;
    const lasting = row.findings.some((f) => f.ended === null);
    if (!cause) {
      out.push({ key: row.tag, place: out.length + 1, cause: null, rows: [row], lasting });
      continue;
    }
    const group = groups.get(cause.id);
    if (group) {
      group.rows.push(row);
      group.lasting ||= lasting;
    } else {
      const made: Entry = { key: cause.id, place: out.length + 1, cause, rows: [row], lasting };
      groups.set(cause.id, made);
      out.push(made);
    }
  }
  return out;
}

const holds = (text: string | null | undefined, needle: string): boolean => (text ?? "").toLowerCase().includes(needle);

function takes(row: Row, cause: CommonCause | null, f: Filter): boolean {
  if (f.area !== "" && row.area !== f.area) return false;
  if (f.purpose !== "" && row.criticality !== f.purpose) return false;
  if (f.kind !== "" && !row.findings.some((x) => x.kind === f.kind)) return false;
  const needle = f.find.trim().toLowerCase();
  return needle === "" || holds(row.tag, needle) || holds(row.service, needle) || holds(row.why, needle) || holds(row.area, needle) || holds(cause?.name, needle);
}

/** Entries with the rows that pass; a group stays while one member does. */
export function filtered(entries: readonly Entry[], f: Filter): Entry[] {
  return entries.map((e) => ({ ...e, rows: e.rows.filter((r) => takes(r, e.cause, f)) })).filter((e) => e.rows.length > 0);
}

/** The finding that an entry's sentence speaks of: of the group's kind, else the row's first. */
export function leadFinding(row: Row, cause: CommonCause | null): Finding | undefined {
  const ofGroup = cause ? row.findings.find((f) => f.common_cause === cause.id) : undefined;
  return ofGroup ?? row.findings.find((f) => f.summary === row.why) ?? row.findings[0];
}

export function since(f: Finding, now: number): string {
  const onset = ms(f.onset);
  const low = ms(f.onset_low);
  const high = ms(f.onset_high);
  const wide = high - low > 2 * DAY;
  const range = interval(low, high, now);
  return `${wide ? day(onset, now) : instant(onset, now)}${range === "" || high - low < 600_000 ? "" : ` (${range})`}`;
}

/** Time left until the tolerance is reached, rounded down, with its 80 % interval. */
export function timeLeft(f: Finding, loop: LoopEntry | undefined, now: number): string {
  const at = ms(f.reaches_tolerance_at);
  if (Number.isFinite(at)) {
    if (at <= now) return "none, tolerance reached";
    const low = Math.max(0, Math.floor((ms(f.reaches_tolerance_low) - now) / DAY));
    const high = Math.floor((ms(f.reaches_tolerance_high) - now) / DAY);
    const range = Number.isFinite(low) && Number.isFinite(high) ? ` (${num(low, 0)} to ${num(high, 0)})` : "";
    return `${span(at - now)}${range}, to ${day(at, now)}`;
  }
  if (f.kind === "no-reply") return "none, no reply comes";
  if (f.kind === "current-out-of-range" || f.kind === "fixed-current" || f.kind === "stuck-value") return "none, the measurement is lost";
  if (f.deviation_pct !== null && loop && Math.abs(f.deviation_pct) > loop.tolerance_pct) return "none, beyond tolerance";
  return "not known";
}

export type Quantity = "difference" | "failed" | "scatter" | "bits";

export const QUANTITY_NAMES: Record<Quantity, string> = { difference: "difference, % of span", failed: "failed exchanges, %", scatter: "scatter, % of span", bits: "status bits set" };

export function quantityOf(f: { kind: string } | undefined): Quantity {
  switch (f?.kind) {
    case "rising-errors":
    case "no-reply":
      return "failed";
    case "noise-change":
      return "scatter";
    case "device-status":
    case "status-chatter":
    case "restarts":
    case "configuration-change":
      return "bits";
    default:
      return "difference";
  }
}

const evidence = (f: Finding, key: string): number | null => {
  const v = f.evidence[key];
  return typeof v === "number" && Number.isFinite(v) ? v : null;
};

/** The number of the finding, as it stands at the right of its trace; empty where the sentence says it all. */
export function valueWords(f: Finding): string {
  const has = (key: string, show: (v: number) => string): string => {
    const v = evidence(f, key);
    return v === null ? "" : show(v);
  };
  const stood = f.ended === null ? "stands" : "stood";
  switch (f.kind) {
    case "analog-digital-drift":
      if (f.cause === "supply-limited") return has("ceiling_ma", (v) => `stops at ${ma(v)}`);
      if (f.cause === "intermittent") return has("episode_pct", (v) => `${signedPct(v, 1)} in episodes`);
      return f.deviation_pct === null ? "" : signedPct(f.deviation_pct);
    case "rising-errors":
      return has("failed_share_after", (v) => pct(100 * v, 1));
    case "no-reply":
      return f.ended === null ? "no reply" : "";
    case "noise-change":
      return has("scatter_ratio", (v) => `×${THIN}${num(v, 2)}`);
    case "fixed-current":
      return has("held_at_ma", (v) => `${stood} at ${ma(v, 3)}`);
    case "stuck-value":
      return has("held_at_ma", (v) => `${stood} at ${ma(v)}`) || has("held_at_pct", (v) => `${stood} at ${pct(v, 1)}`);
    case "current-out-of-range":
      return f.cause?.endsWith("low") ? has("lowest_ma", (v) => `current ${ma(v)}`) : has("highest_ma", (v) => `current ${ma(v)}`);
    case "status-chatter":
      return has("times", (v) => `${num(v, 0)} times`);
    case "restarts":
      return has("cold_starts", (v) => `${num(v, 0)} starts`);
    case "peer-disagreement":
      return has("departure_pct", (v) => `${signed(v, 2)}${THIN}% from companions`);
    default:
      return "";
  }
}
