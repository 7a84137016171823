// Numbers and times as a printed sheet has them: U+2212 for minus, thin no-break space before a unit.

export const THIN = "\u202f";
const MINUS = "\u2212";

/** Fixed decimals; "not known" never appears as a number: pass null through as an en dash. */
export function num(v: number | null | undefined, decimals: number): string {
  if (v === null || v === undefined || !Number.isFinite(v)) return "–";
  const body = grouped(Math.abs(v).toFixed(decimals));
  return v < 0 && Number(Math.abs(v).toFixed(decimals)) !== 0 ? MINUS + body : body;
}

/** As `num`, with the sign always shown unless it is zero. */
export function signed(v: number | null | undefined, decimals: number): string {
  const text = num(v, decimals);
  return v !== null && v !== undefined && v > 0 && Number(v.toFixed(decimals)) !== 0 ? `+${text}` : text;
}

function grouped(text: string): string {
  const [whole = "", part] = text.split(".");
  const w = whole.length > 4 ? whole.replace(/\B(?=(\d{3})+$)/g, THIN) : whole;
  return part === undefined ? w : `${w}.${part}`;
}

const collator = new Intl.Collator("en", { numeric: true });
/** Order of names, numbers within them by their value. One collator for all: comparing ten thousand names takes time. */
export const byName = (a: string, b: string): number => collator.compare(a, b);

export const count = (n: number): string => num(n, 0);
export const pct = (v: number | null | undefined, decimals = 2): string => `${num(v, decimals)}${THIN}%`;
export const signedPct = (v: number | null | undefined, decimals = 2): string => `${signed(v, decimals)}${THIN}%`;
export const ma = (v: number | null | undefined, decimals = 2): string => `${num(v, decimals)}${THIN}mA`;

/** Decimals that show a thousandth of the range. */
export function rangeDecimals(lrv: number, urv: number): number {
  const span = Math.abs(urv - lrv);
  return span > 0 ? Math.min(6, Math.max(0, Math.ceil(3 - Math.log10(span)))) : 2;
}

let zone = "UTC";
const made = new Map<string, Intl.DateTimeFormat>();

/** Site time zone (IANA name); an unknown one leaves UTC. */
export function setZone(name: string): void {
  if (name === zone) return;
  try {
    new Intl.DateTimeFormat("en-GB", { timeZone: name });
    zone = name;
    made.clear();
  } catch {
    zone = "UTC";
  }
}
export const zoneName = (): string => zone;

function fmt(key: string, options: Intl.DateTimeFormatOptions): Intl.DateTimeFormat {
  let f = made.get(key);
  if (f === undefined) {
    f = new Intl.DateTimeFormat("en-GB", { timeZone: zone, hour12: false, ...options });
    made.set(key, f);
  }
  return f;
}

export const MONTHS: readonly string[] = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

interface Parts { year: number; month: number; day: number; weekday: string; hm: string; s: string }
function parts(t: number): Parts {
  const p = Object.fromEntries(
    fmt("parts", { year: "numeric", month: "numeric", day: "numeric", weekday: "short", hour: "2-digit", minute: "2-digit", second: "2-digit", hourCycle: "h23" })
      .formatToParts(t)
      .map((x) => [x.type, x.value]),
  );
  return { year: Number(p["year"]), month: Number(p["month"]), day: Number(p["day"]), weekday: p["weekday"] ?? "", hm: `${p["hour"]}:${p["minute"]}`, s: p["second"] ?? "" };
}

export const ms = (t: string | null | undefined): number => (t ? Date.parse(t) : Number.NaN);
export const DAY = 86_400_000;
export const HOUR = 3_600_000;

/** `19 Feb`, the year only if it is not that of `now`. */
export function day(t: number, now: number): string {
  if (!Number.isFinite(t)) return "not known";
  const p = parts(t);
  const year = p.year === parts(now).year ? "" : ` ${p.year}`;
  return `${p.day}\u00a0${MONTHS[p.month - 1] ?? ""}${year}`;
}

/** `Sat 14 Mar 03:12` within ten days, else `3 Mar 14:20`. */
export function instant(t: number, now: number): string {
  if (!Number.isFinite(t)) return "not known";
  const p = parts(t);
  const weekday = Math.abs(now - t) < 10 * DAY ? `${p.weekday} ` : "";
  return `${weekday}${day(t, now)} ${p.hm}`;
}

/** As `instant`, without the weekday: for a time within a sentence. */
export function plainInstant(t: number, now: number): string {
  return Number.isFinite(t) ? `${day(t, now)} ${parts(t).hm}` : "not known";
}

export const clock = (t: number, seconds = false): string => {
  const p = parts(t);
  return seconds ? `${p.hm}:${p.s}` : p.hm;
};

/** A unit as it is printed: the register's own letters, but powers, degrees and micro as the trade writes them. */
export const unitWords = (unit: string): string =>
  unit
    .replace(/\bdeg([CFR])\b/g, "°$1")
    .replace(/\bu([SmgAV])\b/g, "µ$1")
    .replace(/\b([kcdmN]?m|ft|in|yd)([23])\b/g, (_, of: string, n: string) => of + (n === "2" ? "²" : "³"));

/** Keeps numbers with their units and days with their months on one line, units as they are printed. */
export const tied = (text: string): string => unitWords(text).replace(/(\d) (?=%|mA\b|°|[kM]?Ω|(?:Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)\b|(?:V|ohm|bar|days|hours|h|d|m³\/h|µS\/cm|mS\/cm|polls)(?![\w/]))/g, "$1\u00a0");

/** A share that is not nothing is never printed as nothing. */
export const smallPct = (v: number, decimals = 2): string => (v > 0 && v < 0.5 * 10 ** -decimals ? `under ${pct(10 ** -decimals, decimals)}` : pct(v, decimals));

/** Confidence is never certainty. */
export const confidenceWords = (v: number | null | undefined): string => (v !== null && v !== undefined && v >= 0.9995 ? "above 0.999" : num(v, 3));

/** `2nd`, `3rd`, `11th`. */
export function ordinal(n: number): string {
  const end = n % 100 >= 11 && n % 100 <= 13 ? "th" : (["th", "st", "nd", "rd"][n % 10] ?? "th");
  return `${n}${end}`;
}

/** Start of the local day that holds `t`. */
export function dayStart(t: number): number {
  const p = parts(t);
  const [h = 0, m = 0] = p.hm.split(":").map(Number);
  return t - ((h * 60 + m) * 60 + Number(p.s)) * 1000 - (t % 1000);
}

/** The UTC offset of site time at `t`, ms. */
export function offsetAt(t: number): number {
  const p = parts(t);
  const [h = 0, m = 0] = p.hm.split(":").map(Number);
  return Date.UTC(p.year, p.month - 1, p.day, h, m, Number(p.s)) - Math.floor(t / 1000) * 1000;
}

/** Site time for a `datetime-local` input, to the minute. */
export const toInput = (t: number): string => new Date(t + offsetAt(t)).toISOString().slice(0, 16);

/** The instant that a `datetime-local` input means in site time; NaN where it is empty or no time. */
export function fromInput(text: string): number {
  const wall = Date.parse(`${text}Z`);
  if (!Number.isFinite(wall)) return Number.NaN;
  // Once more with the offset found: it may differ across a change of the clocks.
  const guess = wall - offsetAt(wall);
  return wall - offsetAt(guess);
}

/** UTC, for `title`. */
export const utc = (t: number): string => (Number.isFinite(t) ? `${new Date(t).toISOString().slice(0, 19).replace("T", " ")} UTC` : "");

/** `17 to 22 Feb`; with clock times when the interval is shorter than two days. */
export function interval(a: number, b: number, now: number): string {
  if (!Number.isFinite(a) || !Number.isFinite(b)) return "";
  const pa = parts(a);
  const pb = parts(b);
  const sameDay = pa.year === pb.year && pa.month === pb.month && pa.day === pb.day;
  if (sameDay) return pa.hm === pb.hm ? "" : `${pa.hm} to ${pb.hm}`;
  if (pa.year === pb.year && pa.month === pb.month) return `${pa.day} to ${day(b, now)}`;
  return `${day(a, now)} to ${day(b, now)}`;
}

/** A duration, rounded down: `6 days`, `5 h`, `12 min`, `9 s`. */
export function span(d: number): string {
  const s = Math.max(0, Math.floor(d / 1000));
  if (s >= 2 * 86_400) return `${count(Math.floor(s / 86_400))} days`;
  if (s >= 2 * 3_600) return `${Math.floor(s / 3_600)}${THIN}h`;
  if (s >= 120) return `${Math.floor(s / 60)}${THIN}min`;
  return `${s}${THIN}s`;
}

/** Chance as `2 in 100 000`. */
export function chance(p: number): string {
  if (!Number.isFinite(p)) return "not known";
  if (p < 1e-9) return "below 1 in a thousand million";
  const base = 10 ** Math.max(2, Math.ceil(-Math.log10(p)));
  return `${Math.max(1, Math.round(p * base))} in ${count(base)}`;
}
