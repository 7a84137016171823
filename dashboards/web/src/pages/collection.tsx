// Gateways: what was planned, what was achieved, how late, what failed; by modem where the register names modems.

import { useEffect, useState } from "preact/hooks";
import { get, said } from "../api";
import { csvOf, saveAs } from "../csv";
import { FailedSteps, Late, Pace, lateWords } from "../figures/pace";
import { DAY, THIN, count, day, ms, num, pct, span } from "../format";
import type { Course, Gateway, ModemCourse } from "../types";
import { countWord, failureWords, plural } from "../words";

const POLL_MS = 10_000;
const COURSE_MS = 300_000;
/** Below this share of the plan, or later than this, a gateway misses its plan. */
const SHARE = 0.95;
const LATE_S = 10;
/** A modem whose newest share of failed polls is this many times the fleet's is said. */
const WORSE = 3;

/** After a start each device is asked for everything once; its modem has more to do than the plan asks, and fast reads wait. */
const readingIn = (g: Gateway): boolean => {
  const [asked, done] = [sum(g.modems, (m) => m.planned_load), sum(g.modems, (m) => m.achieved_load)];
  return g.connected && asked > 0 && done > 1.25 * asked && (g.readings_lost ?? 0) === 0;
};

const misses = (g: Gateway): string => {
  if (!g.connected) return g.last_error ? `no session: ${g.last_error}` : "no session";
  const said: string[] = [];
  if (readingIn(g)) return "";
  if (g.planned_per_s > 0 && g.achieved_per_s < SHARE * g.planned_per_s) said.push(`${num((100 * g.achieved_per_s) / g.planned_per_s, 0)}${THIN}% of the plan`);
  if (g.late_s > LATE_S) said.push(`${span(1000 * g.late_s)} late`);
  if ((g.readings_lost ?? 0) > 0) said.push(`${count(g.readings_lost ?? 0)} readings could not be stored`);
  return said.join(", ");
};

/** What every so many milliseconds is read again; the last answer stays while there is no newer one. */
function useRead<T>(path: string, every: number): { got: T | null; why: string } {
  const [got, set] = useState<T | null>(null);
  const [why, setWhy] = useState("");
  useEffect(() => {
    const stop = new AbortController();
    const read = async () => {
      try {
        set(await get<T>(path, stop.signal));
        setWhy("");
      } catch (e) {
        if (!stop.signal.aborted) setWhy(said(e));
      }
    };
    void read();
    const timer = setInterval(() => void read(), every);
    return () => {
      clearInterval(timer);
      stop.abort();
    };
  }, [path, every]);
  return { got, why };
}

const sum = <T,>(list: readonly T[], f: (x: T) => number): number => list.reduce((s, x) => s + f(x), 0);

/** Polls and failed polls of several modems, day by day. */
function together(list: readonly ModemCourse[], days: number): { polls: number[]; failed: number[]; loops: number } {
  const add = (get: (m: ModemCourse) => number[]) => Array.from({ length: days }, (_, i) => sum(list, (m) => get(m)[i] ?? 0));
  return { polls: add((m) => m.polls), failed: add((m) => m.failed), loops: sum(list, (m) => m.loops) };
}

/** Failed share of the newest whole day with polls (else of the day begun), %. */
function newestShare(c: { polls: number[]; failed: number[] }): number | null {
  for (const i of [...c.polls.keys()].reverse().filter((i) => i < c.polls.length - 1).concat(c.polls.length - 1)) {
    if ((c.polls[i] ?? 0) > 0) return (100 * (c.failed[i] ?? 0)) / (c.polls[i] ?? 1);
  }
  return null;
}

export function Collection() {
  useEffect(() => {
    document.title = "Collection, Loopwitness";
  }, []);
  const { got, why } = useRead<{ gateways: Gateway[] }>("gateways", POLL_MS);
  const { got: course } = useRead<Course>("collection", COURSE_MS);
  if (got === null) {
    return (
      <section class="lead">
        <h1 tabIndex={-1}>{why === "" ? "Reading the gateways." : "The gateways cannot be shown."}</h1>
        {why !== "" && <p class="sub">{why}</p>}
      </section>
    );
  }
  const { gateways } = got;
  return (
    <>
      <Lead gateways={gateways} course={course} why={why} />
      {(gateways.length > 0 || (course?.modems.length ?? 0) > 0) && <Gateways gateways={gateways} course={course} />}
      {gateways.length > 0 && <Failures gateways={gateways} />}
      {course && course.days.length > 0 && <Days course={course} />}
    </>
  );
}

function headOf(gateways: Gateway[]): string {
  if (gateways.length === 0) return "No gateway is configured.";
  const down = gateways.filter((g) => !g.connected);
  const slow = gateways.filter((g) => g.connected && misses(g) !== "");
  const n = gateways.length;
  const names = (list: Gateway[]) => (list.length > 3 ? `${countWord(list.length, count)} gateways` : list.map((g) => g.name).join(" and "));
  if (down.length > 0) return `${names(down)} ${plural(down.length, "has", "have")} no session.`;
  if (slow.length > 0) return `${names(slow)} ${plural(slow.length, "does", "do")} not keep ${plural(slow.length, "its", "their")} plan.`;
  const starting = gateways.filter(readingIn);
  if (starting.length > 0) return `${names(starting)} ${plural(starting.length, "is", "are")} reading in after a start.`;
  return `${countWord(n, count)} ${plural(n, "gateway keeps", "gateways keep")} ${plural(n, "its", "their")} plan.`;
}

function Lead({ gateways, course, why }: { gateways: Gateway[]; course: Course | null; why: string }) {
  const down = gateways.filter((g) => !g.connected).length;
  const all = course ? together(course.modems, course.days.length) : null;
  const share = all ? newestShare(all) : null;
  return (
    <section class="lead">
      <h1 tabIndex={-1}>{headOf(gateways)}</h1>
      <p class="sub">
        {gateways.length === 0 && "Readings come from imported site folders only. A gateway is added in site.toml."}
        {gateways.length > 0 &&
          `${count(sum(gateways, (g) => g.devices))} devices, ${num(sum(gateways, (g) => g.achieved_per_s), 1)} exchanges a second over the last minute against ${num(sum(gateways, (g) => g.planned_per_s), 1)} planned. `}
        {gateways.some(readingIn) && `After a start each device is asked for everything once, and the fast reads wait meanwhile. `}
        {down > 0 && `Loops of a gateway without a session are not witnessed until it is back. `}
        {share !== null && `Of a day's polls ${pct(share, 1)} had no good reply. `}
        {why !== "" && `${why} These figures do not change until it answers.`}
      </p>
    </section>
  );
}

function Gateways({ gateways, course }: { gateways: Gateway[]; course: Course | null }) {
  const most = Math.max(1e-9, ...gateways.map((g) => Math.max(g.planned_per_s, g.achieved_per_s)));
  const modemMost = Math.max(1e-9, ...gateways.flatMap((g) => g.modems.flatMap((m) => [m.planned_per_s, m.achieved_per_s])));
  const load = Math.max(1e-9, ...gateways.flatMap((g) => g.modems.flatMap((m) => [m.planned_load, m.achieved_load])));
  const days = course?.days.length ?? 0;
  const modems = course?.modems ?? [];
  const shares = modems.flatMap((m) => m.polls.map((n, i) => (n > 0 ? (100 * (m.failed[i] ?? 0)) / n : 0)));
  const top = Math.max(2, ...shares);
  const first = ms(course?.days[0]);
  const fleet = course ? newestShare(together(modems, days)) : null;
  // Gateways that the register names and the service does not poll have a course all the same.
  const names = [...new Set<string | null>([...gateways.map((g) => g.name), ...modems.map((m) => m.gateway ?? null)])];
  return (
    <section class="coll" aria-label="Gateways">
      <div class="chead" aria-hidden="true">
        <span>gateway, modem</span>
        <span class="r">loops</span>
        <span>
          exchanges a second
          <i>0 to {num(most, 1)}; of a modem 0 to {num(modemMost, 2)}</i>
        </span>
        <span>
          behind its plan
          <i>0.1, 1, 10, 100{THIN}s; of a modem, time used</i>
        </span>
        <span>
          failed polls by day
          <i>
            {days > 0 ? `${day(first, first + days * DAY)} to ${day(ms(course?.days[days - 1]), first)}; ` : ""}0 to {num(top, 0)}
            {THIN}%
          </i>
        </span>
        <span>remark</span>
      </div>
      {names.map((name) => {
        const g = gateways.find((x) => x.name === name);
        const own = modems.filter((m) => (m.gateway ?? null) === name);
        const all = together(own, days);
        const remark = g ? misses(g) : name === null ? "the register gives these loops no gateway" : "not polled by this service";
        const share = newestShare(all);
        return (
          <section key={name ?? ""} class="cgate" aria-label={name ?? "no gateway"}>
            <div class={`crowg${g && remark !== "" ? " hot" : ""}`}>
              <h2 class="tag">{name ?? "no gateway"}</h2>
              <span class="r cl">{count(g?.devices ?? all.loops)}</span>
              <span class="cp" data-what={g ? "exchanges a second" : undefined}>
                {g && <Pace planned={g.planned_per_s} achieved={g.achieved_per_s} most={most} unit="exchanges a second" />}
                {g && <b>{`${num(g.achieved_per_s, 2)} of ${num(g.planned_per_s, 2)}`}</b>}
              </span>
              <span class="cp" data-what={g ? "behind its plan" : undefined}>
                {g && <Late seconds={g.late_s} />}
                {g && <b>{lateWords(g.late_s)}</b>}
              </span>
              <span class="cp cf" data-what={own.length > 0 ? "failed polls by day" : undefined}>
                {own.length > 0 && <FailedSteps polls={all.polls} failed={all.failed} first={first} most={top} label={name ?? "no gateway"} />}
                {share !== null && <b>{pct(share, 1)}</b>}
              </span>
              <span class="crem">
                {remark}
                {g && remark === "" && (readingIn(g) ? "reading in after a start" : g.master ? `as ${g.master} master` : "")}
                {g?.connected && g.last_error ? `; last error: ${g.last_error}` : ""}
              </span>
            </div>
            {own
              .filter((m) => m.modem !== null)
              .map((m) => {
                const now = newestShare(m);
                const pace = g?.modems.find((x) => x.name !== null && x.name === m.modem);
                const slow = pace !== undefined && !(g && readingIn(g)) && pace.planned_per_s > 0 && pace.achieved_per_s < SHARE * pace.planned_per_s;
                const worse = now !== null && fleet !== null && now > WORSE * Math.max(0.5, fleet);
                return (
                  <div key={m.modem} class={`crowm${worse || slow ? " hot" : ""}`}>
                    <span class="cn">{m.modem?.startsWith(`${name}/`) ? m.modem.slice((name?.length ?? 0) + 1) : m.modem}</span>
                    <span class="r cl">{count(m.loops)}</span>
                    <span class="cp" data-what={pace ? "exchanges a second" : undefined}>
                      {pace && <Pace planned={pace.planned_per_s} achieved={pace.achieved_per_s} most={modemMost} unit="exchanges a second" thin />}
                      {pace && <b>{`${num(pace.achieved_per_s, 2)} of ${num(pace.planned_per_s, 2)}`}</b>}
                    </span>
                    <span class="cp load" data-what={pace ? "time of the pair" : undefined}>
                      {pace && <b>{`${num(100 * pace.achieved_load, 0)} of ${num(100 * pace.planned_load, 0)}${THIN}% of its time`}</b>}
                    </span>
                    <span class="cp cf" data-what="failed polls by day">
                      <FailedSteps polls={m.polls} failed={m.failed} first={first} most={top} label={m.modem ?? ""} />
                      {now !== null && <b>{pct(now, 1)}</b>}
                    </span>
                    <span class="crem">{[slow ? `${num((100 * pace.achieved_per_s) / pace.planned_per_s, 0)}${THIN}% of the plan` : "", worse ? `${num(now / Math.max(0.1, fleet ?? 1), 0)} times the fleet's ${pct(fleet, 1)}` : ""].filter((t) => t !== "").join(", ")}</span>
                  </div>
                );
              })}
            {g && g.modems.some((m) => m.name === null) && (
              <details class="cards">
                <summary>
                  modems that the register does not name: {count(g.modems.filter((m) => m.name === null).length)}
                </summary>
                <ul>
                  {g.modems.filter((m) => m.name === null).map((m) => (
                    <li key={m.modem}>
                      <span class="cn">card {m.modem}</span>
                      <span class="r cl">{count(m.devices)}</span>
                      <span class="cp">
                        <Pace planned={m.planned_load} achieved={m.achieved_load} most={load} unit="of its time" />
                        <b>{`${num(100 * m.achieved_load, 0)} of ${num(100 * m.planned_load, 0)}${THIN}%`}</b>
                      </span>
                    </li>
                  ))}
                </ul>
              </details>
            )}
          </section>
        );
      })}
      <p class="nt">
        Line: achieved; mark: planned. Pace and lateness are those of the last minute, with exchanges the fast reads that were answered; a modem's time is that of its pair at 1200{THIN}bit/s, all reads counted. A day's failed polls are those without a good reply, over all polls that day, of imported and of collected readings; the number is the newest whole day's. A gateway or modem is bold where it makes less than 95{THIN}% of its plan, is over 10{THIN}s late, loses readings or has no session.
      </p>
    </section>
  );
}

/** Only kinds that came; the others are said in words. */
function Failures({ gateways }: { gateways: Gateway[] }) {
  const all = [...new Set(gateways.flatMap((g) => Object.keys(g.failures)))];
  const kinds = all.filter((k) => gateways.some((g) => (g.failures[k] ?? 0) > 0));
  const none = all.filter((k) => !kinds.includes(k)).map(failureWords);
  return (
    <section class="plain scroll" tabIndex={0} aria-label="Failed exchanges since the start">
      <h2>Failed exchanges since the start, by kind</h2>
      {kinds.length > 0 && (
        <table class="few">
          <thead>
            <tr>
              <th scope="col">gateway</th>
              {kinds.map((k) => (
                <th scope="col" class="r" key={k}>
                  {failureWords(k)}
                </th>
              ))}
              <th scope="col" class="r">sessions</th>
            </tr>
          </thead>
          <tbody>
            {gateways.map((g) => (
              <tr key={g.name}>
                <th scope="row" class="tag">
                  {g.name}
                </th>
                {kinds.map((k) => (
                  <td class="r" key={k}>
                    {(g.failures[k] ?? 0) === 0 ? "–" : count(g.failures[k] ?? 0)}
                  </td>
                ))}
                <td class="r">{count(g.sessions)}</td>
              </tr>
            ))}
          </tbody>
        </table>
      )}
      <p class="nt">
        {none.length > 0 && `${kinds.length === 0 ? "None" : "None of these"}: ${none.join("; ")}. `}A late answer is never stored and never given to another request.
      </p>
    </section>
  );
}

function Days({ course }: { course: Course }) {
  const [open, setOpen] = useState(false);
  const names = [...new Set(course.modems.map((m) => m.gateway))];
  const columns = names.map((name) => together(course.modems.filter((m) => m.gateway === name), course.days.length));
  const csv = () =>
    saveAs(
      "collection-seen.csv",
      csvOf(
        ["day", "gateway", "modem", "loops", "polls", "failed"],
        course.days.flatMap((d, i) => course.modems.map((m) => [d, m.gateway, m.modem, m.loops, m.polls[i], m.failed[i]])),
      ),
    );
  const end = ms(course.days[course.days.length - 1]);
  return (
    <section class="plain" aria-label="By day">
      <details onToggle={(e) => setOpen((e.currentTarget as HTMLDetailsElement).open)}>
        <summary>failed polls by day and gateway, in numbers</summary>
        {open && (
          <div class="scroll" tabIndex={0} role="region" aria-label="Failed polls by day and gateway">
            <table>
              <thead>
                <tr>
                  <th scope="col">day (UTC)</th>
                  {names.map((n) => (
                    <th scope="col" class="r" key={n}>
                      {n ?? "no gateway"}
                    </th>
                  ))}
                </tr>
              </thead>
              <tbody>
                {course.days.map((d, i) => (
                  <tr key={d}>
                    <th scope="row">{day(ms(d) + DAY / 2, end)}</th>
                    {columns.map((c, k) => (
                      <td class="r" key={names[k]}>
                        {(c.polls[i] ?? 0) === 0 ? "no poll" : `${count(c.failed[i] ?? 0)} of ${count(c.polls[i] ?? 0)}`}
                      </td>
                    ))}
                  </tr>
                ))}
              </tbody>
            </table>
          </div>
        )}
      </details>
      <p class="links">
        <button type="button" onClick={csv}>
          CSV by modem and day
        </button>
      </p>
    </section>
  );
}
