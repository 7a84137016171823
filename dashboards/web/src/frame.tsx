// The title block above every sheet and the foot beneath it.

import { DAY, clock, count, instant, span, utc, zoneName } from "./format";
import { path, tagOf } from "./route";
import { answeredAt, assessment, axisFrom, now, shutOut, trouble, wall } from "./state";

const SHEETS: readonly (readonly [string, string])[] = [
  ["/", "Attention"],
  ["/wiring", "Wiring"],
  ["/cases", "Cases"],
  ["/families", "Families"],
  ["/collection", "Collection"],
  ["/not-judged", "Not judged"],
  ["/register", "Register"],
  ["/glossary", "Glossary"],
];

/** Statistics that lag less behind the record are not worth a word. */
const TOLD_LAG_MS = 10 * 60_000;

function Mark() {
  const dots = [0, 4, 8, 12, 16, 20, 24, 28, 32, 36, 40, 44, 48, 52, 56, 60, 64, 68, 72, 76, 80, 84, 88, 92, 96, 100, 104, 108];
  return (
    <svg class="mark" viewBox="0 0 132 14" aria-hidden="true">
      <path class="dig" d="M0 4H112" />
      {dots.map((x) => (
        <circle class="ana" key={x} cx={x + 2} cy={4.5 + 8 * Math.max(0, (x - 40) / 68) ** 2} r="0.9" />
      ))}
    </svg>
  );
}

/** Loops that nothing at all is judged of. */
export function unjudgedLoops(): number {
  return new Set((assessment.value?.not_judged ?? []).filter((n) => n.what === "all").map((n) => n.tag)).size;
}

export function Block() {
  const a = assessment.value;
  const here = path.value;
  const tag = tagOf(here);
  const to = now.value;
  const age = wall.value - to;
  return (
    <header>
      <div class="block">
        <div class="cells">
          <div class="c">
            <a class="word" href="/">
              Loopwitness
            </a>
            <Mark />
          </div>
          {a?.site && (
            <div class="c">
              <b>Site</b>
              {a.site.name}
            </div>
          )}
          {a?.from && a.to && (
            <div class="c" title={`${utc(Date.parse(a.from))} to ${utc(to)}`}>
              <b>Record</b>
              {instant(Date.parse(a.from), to).replace(/ [0-9:]+$/, "")} to {instant(to, to)}
            </div>
          )}
          {a && (
            <div class="c">
              <b>Loops</b>
              {count(a.loops)}, of which {count(a.loops - unjudgedLoops())} judged
            </div>
          )}
          {a?.to && (
            <div class="c" title={utc(to)}>
              <b>End of record</b>
              {age < DAY ? `${span(age)} ago` : instant(to, wall.value)}
              {a.statistics_to && to - Date.parse(a.statistics_to) > TOLD_LAG_MS && (
                <span title="Of a large fleet the statistics (drift, stuck values, errors, noise) are made now and then; no reply, a current at a failure level, status and configuration count up to the end of the record.">
                  {" "}
                  (statistics to {instant(Date.parse(a.statistics_to), to).split(" ").pop()})
                </span>
              )}
            </div>
          )}
        </div>
      </div>
      <nav aria-label="Sheets">
        <ol>
          {SHEETS.map(([address, name], i) => (
            <li key={address}>
              <a href={address} aria-current={here === address || (address !== "/" && here.startsWith(`${address}/`)) ? "page" : undefined}>
                <span class="n">{i + 1}</span>
                {name}
              </a>
            </li>
          ))}
          {tag !== null && (
            <li>
              <a href={here} aria-current="page">
                <span class="n">L</span>
                {tag}
              </a>
            </li>
          )}
        </ol>
      </nav>
      <Stale />
    </header>
  );
}

function Stale() {
  const why = trouble.value;
  const a = assessment.value;
  if (why === null || a === null) return <div role="status" class="stale" />;
  const at = answeredAt.value;
  return (
    <div role="status" class="stale">
      {Number.isFinite(at) ? `This sheet is from ${clock(at)}, ${span(wall.value - at)} ago. ` : ""}
      {why} {shutOut.value ? <a href="/sign-in">Sign in</a> : "What you see does not change until it answers again."}
    </div>
  );
}

export function Foot() {
  const days = (now.value - axisFrom.value) / DAY;
  return (
    <footer>
      <p>
        Times are site time ({zoneName()}); UTC stands in each time's title. Difference means analog minus digital, in percent of span. {assessment.value?.from ? `The record shown spans ${span(days * DAY)}. ` : ""}This program only reads; nothing on these sheets can change a device. Evidence for the site's own
        procedures, which decide.
      </p>
    </footer>
  );
}
