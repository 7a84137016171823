// Gateways: what was planned, what was achieved, what failed.

import { useEffect, useState } from "preact/hooks";
import { get, said } from "../api";
import { THIN, count, num, span } from "../format";
import type { Gateway } from "../types";
import { countWord, failureWords, plural } from "../words";

const POLL_MS = 10_000;
/** Below this share of the plan, or later than this, a gateway misses its plan. */
const SHARE = 0.95;
const LATE_S = 10;

const misses = (g: Gateway): string => {
  if (!g.connected) return g.last_error ? `no session: ${g.last_error}` : "no session";
  const said: string[] = [];
  if (g.planned_per_s > 0 && g.achieved_per_s < SHARE * g.planned_per_s) said.push(`${num((100 * g.achieved_per_s) / g.planned_per_s, 0)}${THIN}% of the plan`);
  if (g.late_s > LATE_S) said.push(`${span(1000 * g.late_s)} late`);
  if ((g.readings_lost ?? 0) > 0) said.push(`${count(g.readings_lost ?? 0)} readings could not be stored`);
  return said.join(", ");
};

export function Collection() {
  const [gateways, setGateways] = useState<Gateway[] | null>(null);
  const [why, setWhy] = useState("");
  useEffect(() => {
    document.title = "Collection, Loopwitness";
    const stop = new AbortController();
    const read = async () => {
      try {
        setGateways((await get<{ gateways: Gateway[] }>("gateways", stop.signal)).gateways);
        setWhy("");
      } catch (e) {
        if (!stop.signal.aborted) setWhy(said(e));
      }
    };
    void read();
    const timer = setInterval(() => void read(), POLL_MS);
    return () => {
      clearInterval(timer);
      stop.abort();
    };
  }, []);
  if (gateways === null) {
    return (
      <section class="lead">
        <h1 tabIndex={-1}>{why === "" ? "Reading the gateways." : "The gateways cannot be shown."}</h1>
        {why !== "" && <p class="sub">{why}</p>}
      </section>
    );
  }
  const down = gateways.filter((g) => !g.connected).length;
  const sum = (f: (g: Gateway) => number) => gateways.reduce((s, g) => s + f(g), 0);
  const head =
    gateways.length === 0
      ? "No gateway is configured."
      : `${countWord(gateways.length, count)} ${plural(gateways.length, "gateway serves", "gateways serve")} ${count(sum((g) => g.devices))} devices, ${num(sum((g) => g.achieved_per_s), 1)} exchanges a second against ${num(sum((g) => g.planned_per_s), 1)} planned.`;
  return (
    <>
      <section class="lead">
        <h1 tabIndex={-1}>{head}</h1>
        <p class="sub">
          {gateways.length === 0 && "Readings come from imported site folders only. A gateway is added in site.toml."}
          {down > 0 && `${countWord(down, count)} ${plural(down, "gateway has", "gateways have")} no session now; ${plural(down, "its", "their")} loops are not witnessed until ${plural(down, "it is", "they are")} back. `}
          {why !== "" && `${why} These figures do not change until it answers.`}
        </p>
      </section>
      {gateways.length > 0 && <Table gateways={gateways} />}
    </>
  );
}

function Table({ gateways }: { gateways: Gateway[] }) {
  const most = Math.max(1e-9, ...gateways.map((g) => Math.max(g.planned_per_s, g.achieved_per_s)));
  const kinds = [...new Set(gateways.flatMap((g) => Object.keys(g.failures)))];
  const remarks = gateways.map((g) => [g.name, misses(g)] as const).filter(([, r]) => r !== "");
  return (
    <>
      {remarks.length > 0 && (
        // On a phone the last column is out of sight; what misses its plan is said before the numbers.
        <ul class="remarks narrow">
          {remarks.map(([name, r]) => (
            <li key={name}>
              <b class="tag">{name}</b> {r}
            </li>
          ))}
        </ul>
      )}
      <section class="plain scroll" tabIndex={0} aria-label="Gateways">
        <table>
          <thead>
            <tr>
              <th>gateway</th>
              <th class="r">devices</th>
              <th class="r wide">sessions opened</th>
              <th class="wide">master role</th>
              <th class="wide">planned (mark) and achieved (line)</th>
              <th class="r">planned /s</th>
              <th class="r">achieved /s</th>
              <th class="r">late</th>
              <th class="wide">remark</th>
            </tr>
          </thead>
          <tbody>
            {gateways.map((g) => {
              const remark = misses(g);
              return (
                <tr key={g.name} class={remark === "" ? "" : "hot"}>
                  <th scope="row" class="tag">
                    {g.name}
                  </th>
                  <td class="r">{count(g.devices)}</td>
                  <td class="r wide">{count(g.sessions)}</td>
                  <td class="wide">{g.master ?? "not known"}</td>
                  <td class="wide">
                    <svg class="pace" viewBox="0 0 180 18" role="img" aria-label={`planned ${num(g.planned_per_s, 2)}, achieved ${num(g.achieved_per_s, 2)} exchanges a second`}>
                      <path class="hair" d="M0 9H180" />
                      <path class="got" d={`M0 9H${((178 * g.achieved_per_s) / most).toFixed(1)}`} />
                      <path class="plan" d={`M${((178 * g.planned_per_s) / most).toFixed(1)} 2V16`} />
                    </svg>
                  </td>
                  <td class="r">{num(g.planned_per_s, 2)}</td>
                  <td class="r">{num(g.achieved_per_s, 2)}</td>
                  <td class="r">{num(g.late_s, 1)}{THIN}s</td>
                  <td class="say wide">{remark || (g.last_error ? `last error: ${g.last_error}` : "")}</td>
                </tr>
              );
            })}
          </tbody>
        </table>
      </section>
      <section class="plain scroll" tabIndex={0} aria-label="Failed exchanges since the start">
        <h2>Failed exchanges since the start, by kind</h2>
        <table>
          <thead>
            <tr>
              <th>gateway</th>
              {kinds.map((k) => (
                <th class="r" key={k}>
                  {failureWords(k)}
                </th>
              ))}
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
                    {num(g.failures[k], 0)}
                  </td>
                ))}
              </tr>
            ))}
          </tbody>
        </table>
      </section>
    </>
  );
}
