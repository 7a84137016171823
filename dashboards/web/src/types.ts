// The service's answers, from its own OpenAPI document (`npm run types` writes `generated/api.d.ts`).

import type { components } from "./generated/api";

export type Time = string;
type Schemas = components["schemas"];

/** The service writes every field; what is not known is null. */
type Whole<T> = T extends readonly (infer U)[] ? Whole<U>[] : T extends object ? { [K in keyof T]-?: Whole<Exclude<T[K], undefined>> } : T;
type Of<K extends keyof Schemas> = Whole<Schemas[K]>;

export type Finding = Omit<Of<"Finding">, "evidence"> & { evidence: Record<string, unknown> };
export type Row = Omit<Of<"AttentionRow">, "findings"> & { findings: Finding[] };
export type CommonCause = Of<"CommonCause">;
export type NotJudged = Of<"NotJudged">;
export type Assessment = Omit<Of<"AttentionAnswer">, "attention"> & { attention: Row[] };
export type LastReading = Of<"Last">;
export type LoopEntry = Of<"LoopView">;
export type Trace = Of<"TraceAnswer">;
export type Readings = Of<"ReadingsAnswer">;
export type Gateway = Omit<Of<"GatewayView">, "failures"> & { failures: Record<string, number> };
export type Eighth = Of<"EighthView">;
export type Witnessed = Of<"WitnessedView">;
export type Agreement = Of<"AgreementAnswer">;
export type Case = Of<"CaseView">;
export type WholeCase = Of<"CaseAnswer">;
export type CaseEvent = Of<"HistoryView">;
export type Difference = Of<"DiffAnswer">;
export type Work = Of<"WorkView">;
export type Change = Omit<Of<"ChangeView">, "detail"> & { detail: unknown };

export interface Baseline {
  from: Time;
  until: Time | null;
  reason: string;
  by: string | null;
  why: string | null;
  at: Time | null;
  own_tag: string | null;
  changed: { column: string; before: string; after: string }[];
}

export interface Baselines {
  tag: string;
  baselines: Baseline[];
  counts_from: Time | null;
}

export interface Interval {
  value: number;
  low: number;
  high: number;
}

export interface Compared {
  raw: Interval | null;
  pooled: Interval | null;
}

export interface FamilyWeek {
  from: Time;
  to: Time;
  loops: number;
  open: number;
  share: Interval | null;
  begun: number;
}

export interface FamilyChange {
  direction: string;
  evidenced: boolean;
  since: Time;
  since_low: Time;
  since_high: Time;
  before_per_100_loop_weeks: number;
  after_per_100_loop_weeks: number;
  p_value: number;
}

export interface FamilyMember {
  tag: string;
  rate_pct_per_day: number | null;
  failed_share: number | null;
  kinds: string[];
  since: Time | null;
}

export interface Family {
  scope: string;
  name: string;
  members: number;
  rate: { loops: number; mean: Compared; p10: number | null; median: number | null; p90: number | null };
  findings: { loops: number; of: number; share: Compared };
  errors: { loops: number; failed: number; polls: number; share: Compared };
  weeks: FamilyWeek[];
  begun: number;
  change: FamilyChange | null;
  loops: FamilyMember[];
}

export interface FleetMean {
  scope: string;
  families: number;
  rate_pct_per_day: Interval | null;
  finding_share: Interval | null;
  failed_share: Interval | null;
  loop_scatter_pct_per_day: number | null;
}

export interface Families {
  from: Time | null;
  to: Time | null;
  days: number;
  kind: string | null;
  without_type: number;
  explained_elsewhere: number;
  fleet: FleetMean[];
  families: Family[];
  method: string[];
}
