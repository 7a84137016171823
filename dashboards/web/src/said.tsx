// Sentences and times as the page shows them: site time, with UTC in the title.
//
// The service writes its sentences in UTC, always as `2 Mar 14:05`. A time that one of the finding's own instants explains
// is that instant; any other is the nearest such time to the end of the record.

import { Tags, Term } from "./term";
import { DAY, HOUR, MONTHS, day, instant, ms, offsetAt, plainInstant, tied, utc } from "./format";
import { now } from "./state";

const IN_WORDS = new RegExp(`\\b(\\d{1,2}) (${MONTHS.join("|")}) (\\d{2}):(\\d{2})\\b`, "g");

/** An hour of day, `16:00 UTC`, as an hour of the site's day. */
const hours = (text: string, end: number): string =>
  text.replace(/(?<!\d [A-Z][a-z]{2} )\b(\d{2}):00 UTC/g, (_, h: string) => {
    const local = (((Number(h) * HOUR + offsetAt(end)) % DAY) + DAY) % DAY;
    return `${String(Math.floor(local / HOUR)).padStart(2, "0")}:${String(Math.floor((local % HOUR) / 60_000)).padStart(2, "0")}`;
  });

/** What knows the instants that its sentence speaks of. */
export interface Instants {
  onset?: string | null;
  onset_low?: string | null;
  onset_high?: string | null;
  ended?: string | null;
  reaches_tolerance_at?: string | null;
  reaches_tolerance_low?: string | null;
  reaches_tolerance_high?: string | null;
}

const FIELDS = ["onset", "onset_low", "onset_high", "ended", "reaches_tolerance_at", "reaches_tolerance_low", "reaches_tolerance_high"] as const;

/** The year only if it is not this one. */
const DATED = new RegExp(`\\b(\\d{1,2} (?:${MONTHS.join("|")})) (\\d{4})\\b`, "g");
const yearless = (text: string, end: number): string => text.replace(DATED, (whole, date: string, year: string) => (Number(year) === new Date(end).getUTCFullYear() ? date : whole));

/** An instant in a sentence; to the day where it is not known to the minute: what is foretold, and an onset of days. */
function wordsAt(t: number, of: Instants | undefined, end: number): string {
  const is = (...names: (typeof FIELDS)[number][]): boolean => names.some((n) => ms(of?.[n]) === t);
  const wide = ms(of?.onset_high) - ms(of?.onset_low) > 2 * DAY;
  // What is still to come is a forecast, whoever knows its instants.
  if (t > end || is("reaches_tolerance_at", "reaches_tolerance_low", "reaches_tolerance_high") || (wide && is("onset", "onset_low", "onset_high"))) return day(t, end);
  return plainInstant(t, end);
}

/** A sentence in pieces: text, and the instants between, ms. */
export function pieces(utcText: string, of: Instants | undefined, end: number): (string | number)[] {
  const text = yearless(hours(utcText, end), end);
  const known = of ? FIELDS.map((f) => ms(of[f])).filter(Number.isFinite) : [];
  const out: (string | number)[] = [];
  let at = 0;
  for (const m of text.matchAll(IN_WORDS)) {
    const [whole, day = "", month = "", hour = "", minute = ""] = m;
    const t = instantOf(Number(day), MONTHS.indexOf(month), Number(hour), Number(minute), known, end);
    if (t === null) continue;
    out.push(text.slice(at, m.index), t);
    at = m.index + whole.length;
  }
  out.push(text.slice(at));
  return out;
}

function instantOf(day: number, month: number, hour: number, minute: number, known: number[], end: number): number | null {
  const same = known.find((t) => {
    const d = new Date(t);
    return d.getUTCDate() === day && d.getUTCMonth() === month && d.getUTCHours() === hour && d.getUTCMinutes() === minute;
  });
  if (same !== undefined) return same;
  const year = new Date(end).getUTCFullYear();
  const candidates = [year - 1, year, year + 1]
    .map((y) => Date.UTC(y, month, day, hour, minute))
    .filter((t) => new Date(t).getUTCDate() === day && hour < 24 && minute < 60);
  candidates.sort((a, b) => Math.abs(a - end) - Math.abs(b - end));
  return candidates[0] ?? null;
}

/** A sentence of the service, its times as site time, its words of the trade linked to the glossary where `terms` asks. */
export function Said({ text, of, terms = false }: { text: string; of?: Instants | undefined; terms?: boolean }) {
  const end = now.value;
  return (
    <>
      {pieces(text, of, end).map((p, i) => (typeof p === "number" ? <At key={i} t={p} words={wordsAt(p, of, end)} /> : terms ? <Term.Text key={i} text={tied(p)} />   : <Tags key={i} text={tied(p)} />))}
    </>
  );
}

/** The same as plain text, for labels. */
export const saidText = (text: string, of: Instants | undefined, end: number): string =>
  pieces(text, of, end)
    .map((p) => (typeof p === "number" ? wordsAt(p, of, end) : p))
    .join("");

function At({ t, words }: { t: number; words: string }) {
  return (
    <time dateTime={new Date(t).toISOString()} title={utc(t)} class="nb">
      {words}
    </time>
  );
}

/** An instant in site time. */
export function When({ t }: { t: string | number | null | undefined }) {
  const at = typeof t === "number" ? t : ms(t);
  return Number.isFinite(at) ? <At t={at} words={instant(at, now.value)} /> : <>not known</>;
}
