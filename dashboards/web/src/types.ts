// The service's answers (exchange contract, sections 3 and 4). Names and units are the contract's.

export type Time = string;

export interface Finding {
  id: string;
  kind: string;
  cause: string | null;
  signal: string | null;
  onset: Time;
  onset_low: Time;
  onset_high: Time;
  ended: Time | null;
  deviation_pct: number | null;
  rate_pct_per_day: number | null;
  reaches_tolerance_at: Time | null;
  reaches_tolerance_low: Time | null;
  reaches_tolerance_high: Time | null;
  confidence: number;
  ne107: string | null;
  common_cause: string | null;
  summary: string;
  evidence: Record<string, unknown>;
  checks: string[];
  cautions: string[];
}

export interface Terms {
  real: number;
  purpose: number;
  soon: number;
  lasting: number;
}

export interface Row {
  rank: number;
  tag: string;
  score: number;
  why: string;
  terms?: Terms;
  criticality?: string;
  area?: string | null;
  service?: string | null;
  common_cause?: string | null;
  findings: Finding[];
}

export interface CommonCause {
  id: string;
  scope: string;
  name: string;
  kind: string;
  tags: string[];
  affected: number;
  members: number;
  p_value: number;
  score: number;
  onset: Time;
  criticality: string;
  summary?: string;
}

export interface NotJudged {
  tag: string;
  what: string;
  why: string;
}

export interface Assessment {
  site?: { name: string; timezone: string };
  assessed_at?: Time;
  from: Time | null;
  to: Time | null;
  loops: number;
  readings: number;
  rejected: number;
  attention: Row[];
  common_causes: CommonCause[];
  not_judged: NotJudged[];
}

export interface LastReading {
  time: Time;
  pv: number | null;
  analog_ma: number | null;
  reported_ma: number | null;
  device_status: number | null;
}

export interface LoopEntry {
  tag: string;
  pv_unit: string;
  lrv: number;
  urv: number;
  transfer: string;
  damping_s: number | null;
  criticality: string;
  tolerance_pct: number;
  confirmed: boolean;
  retired?: boolean;
  multidrop?: boolean;
  gateway: string | null;
  modem?: string | null;
  channel: string | null;
  input_card?: string | null;
  junction_box: string | null;
  supply?: string | null;
  area: string | null;
  device_type: string | null;
  device_revision: number | null;
  device_id: string | null;
  redundancy_group?: string | null;
  service?: string | null;
  last: LastReading | null;
}

type Numbers = (number | null)[];

export interface Trace {
  tag: string;
  step_s: number;
  columns: {
    time: Time[];
    difference_pct: Numbers;
    difference_low_pct: Numbers;
    difference_high_pct: Numbers;
    failed_share: Numbers;
    scatter_pct: Numbers;
    replies: Numbers;
    device_status: Numbers;
  };
}

export interface Readings {
  tag: string;
  unit: string;
  columns: { time: Time[]; pv: Numbers; analog_ma: Numbers; reported_ma: Numbers; response_code: Numbers; device_status: Numbers };
}

export interface Gateway {
  name: string;
  connected: boolean;
  sessions: number;
  /** HART master role taken: `primary` or `secondary`. */
  master?: string | null;
  /** Readings that could not be stored. */
  readings_lost?: number;
  devices: number;
  planned_per_s: number;
  achieved_per_s: number;
  late_s: number;
  failures: Record<string, number>;
  last_error: string | null;
}

export interface Eighth {
  from_pct: number;
  to_pct: number;
  from_ma: number;
  to_ma: number;
  days: number;
  samples: number;
  newest: Time | null;
  deviation_pct: number | null;
  expanded_uncertainty_pct: number | null;
  degrees_of_freedom: number | null;
  counts: boolean;
}

export interface Witnessed {
  current_ma: number;
  at: Time;
}

export interface Agreement {
  tag: string;
  from: Time | null;
  to: Time | null;
  from_because: string | null;
  eighths: Eighth[];
  days_to_count: number;
  coverage_factor: number;
  uncertainty: string;
  input_accuracy_pct: number | null;
  tolerance_pct: number;
  highest: Witnessed | null;
  lowest: Witnessed | null;
  limits: string;
}

export interface CircuitTerms {
  tag: string;
  says: string[];
  cannot_tell: string[];
  leakage: { by_hour_of_day: { hour_utc: number; days: number; excess_pct: number | null; resistance_ohm: number | null }[] } | null;
  junction_box: {
    name: string;
    loops: number;
    leakage: { by_day: { day: Time; loops: number; leaking: number; lower: number; excess_pct: number; resistance_ohm: number | null }[] } | null;
  } | null;
}

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

export interface Watch {
  as_of: Time | null;
  loops: { tag: string; as_of: Time; numbers: Detectable[] }[];
  next: string | null;
  blind: NotJudged[];
  limits: string;
}
