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
/** Bins of one loop, as read from packed columns; times in ms. */
export interface Trace {
  tag: string;
  step_s: number;
  columns: {
    time: number[];
    difference_pct: (number | null)[];
    difference_low_pct: (number | null)[];
    difference_high_pct: (number | null)[];
    failed_share: (number | null)[];
    scatter_pct: (number | null)[];
    replies: (number | null)[];
    device_status: (number | null)[];
  };
}
export type Gateway = Omit<Of<"GatewayView">, "failures"> & { failures: Record<string, number> };
export type Course = Of<"CollectionAnswer">;
export type ModemCourse = Of<"ModemCourse">;
export type Differences = Of<"DifferencesAnswer">;
export type Eighth = Of<"EighthView">;
export type Witnessed = Of<"WitnessedView">;
export type Agreement = Of<"AgreementAnswer">;
export type CircuitTerms = Of<"CircuitAnswer">;
export type Case = Of<"CaseView">;
export type WholeCase = Of<"CaseAnswer">;
export type CaseEvent = Of<"HistoryView">;
export type Difference = Of<"DiffAnswer">;
export type Work = Of<"WorkView">;
export type Change = Omit<Of<"ChangeView">, "detail"> & { detail: unknown };
export type Baseline = Of<"BaselineView">;
export type Baselines = Of<"BaselinesAnswer">;
export type Interval = Of<"Interval">;
export type Compared = Of<"Compared">;
export type Family = Of<"Family">;
export type FleetMean = Of<"FleetMean">;
export type Families = Of<"Families">;

export interface Detectable {
  fault: string;
  kind: string;
  within_days: number;
  size: number | null;
  measure: string;
  rerun_found: boolean | null;
  blind: string | null;
  says: string;
}

export interface FaultSummary {
  fault: string;
  within_days: number;
  measure: string;
  loops: number;
  blind: number;
  half: number | null;
  worst: number | null;
  worst_on: string | null;
}

/** What would be found, over the fleet. */
export interface Watch {
  as_of: Time | null;
  faults: FaultSummary[];
  limits: string;
}
