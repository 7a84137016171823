// Names of the contract in words. A name that is not known here is shown as it came.

const KINDS: Record<string, string> = {
  "analog-digital-drift": "analog and digital part",
  "stuck-value": "a value stopped moving",
  "rising-errors": "failed exchanges rise",
  "no-reply": "no reply",
  "fixed-current": "current held fixed",
  "current-out-of-range": "current out of range",
  "noise-change": "scatter changed",
  "device-status": "the device reports trouble",
  "status-chatter": "a status bit comes and goes",
  restarts: "repeated cold starts",
  "configuration-change": "configuration changed",
  "peer-disagreement": "departs from its companions",
};

const CAUSES: Record<string, string> = {
  offset: "by the same amount over the range",
  span: "more at one end of the range",
  "supply-limited": "the current stops at a ceiling",
  scaling: "the registered range is not the one in use",
  intermittent: "in episodes",
  "saturated-low": "rests at the lower limit",
  "saturated-high": "rests at the upper limit",
  "failure-low": "failure signal, low",
  "failure-high": "failure signal, high",
  rise: "more than in its own past",
  collapse: "less than in its own past",
  failure: "failure",
  "function-check": "function check",
  "out-of-specification": "out of specification",
  "maintenance-required": "maintenance required",
};

const SIGNALS: Record<string, string> = { digital: "digital value", analog: "analog current", both: "both signals" };

const PURPOSES: Record<string, string> = { safety: "safety loop", control: "control loop", indication: "indication" };

const SCOPES: Record<string, string> = {
  gateway: "Gateway",
  modem: "Modem",
  input_card: "Input card",
  junction_box: "Junction box",
  supply: "Loop supply",
  area: "Area",
  device_type: "Device type",
  device_revision: "Device type and revision",
};

const FAILURES: Record<string, string> = {
  timeouts: "no answer in time",
  refused: "refused",
  bad_frames: "frames that do not check",
  late_answers: "late answers, dropped",
  comm_errors: "communication errors",
  no_reply: "no reply",
  disconnects: "lost sessions",
};

const look = (names: Record<string, string>, name: string): string => (Object.hasOwn(names, name) ? (names[name] ?? name) : name);

export const KIND_NAMES = Object.keys(KINDS);
export const PURPOSE_NAMES = Object.keys(PURPOSES);
export const kindWords = (k: string): string => look(KINDS, k);
export const causeWords = (c: string): string => look(CAUSES, c);
export const signalWords = (s: string): string => look(SIGNALS, s);
export const purposeWords = (c: string): string => look(PURPOSES, c);
export const scopeWords = (s: string): string => look(SCOPES, s);
export const failureWords = (f: string): string => look(FAILURES, f);
export const ne107Words = (n: string): string => look(CAUSES, n);
export const whatWords = (w: string): string => (w === "all" ? "everything" : kindWords(w));

/** Kind, cause and signal as one phrase. */
export function findingWords(f: { kind: string; cause: string | null; signal: string | null }): string {
  const more = [f.signal === null ? "" : signalWords(f.signal), f.cause === null ? "" : causeWords(f.cause)].filter((t) => t !== "");
  return [kindWords(f.kind), ...more].join(", ");
}

// Field device status byte, as in HCF_SPEC-99 command responses: bit and its meaning.
export const STATUS_BITS: readonly (readonly [number, string])[] = [
  [0x80, "device malfunction"],
  [0x40, "configuration changed"],
  [0x20, "cold start"],
  [0x10, "more status available"],
  [0x08, "loop current fixed"],
  [0x04, "loop current saturated"],
  [0x02, "non-primary variable out of limits"],
  [0x01, "primary variable out of limits"],
];

const SMALL = ["No", "One", "Two", "Three", "Four", "Five", "Six", "Seven", "Eight", "Nine", "Ten", "Eleven", "Twelve", "Thirteen", "Fourteen", "Fifteen", "Sixteen", "Seventeen", "Eighteen", "Nineteen", "Twenty"];

/** A count that begins a sentence. */
export const countWord = (n: number, digits: (n: number) => string): string => SMALL[n] ?? digits(n);
export const plural = (n: number, one: string, many: string): string => (n === 1 ? one : many);
