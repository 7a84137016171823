// The first sheet of a store that has nothing to judge yet: what is there, what is missing, what follows when.

import { useEffect, useState } from "preact/hooks";
import { get } from "../api";
import { count } from "../format";
import type { Assessment, Gateway } from "../types";
import { countWord, plural } from "../words";

const SITE = `[[gateway]]
name = "GW-1"
address = "192.0.2.10:5094"
transport = "tcp"
poll_every = "30s"

[[analog]]
name = "marshalling"
kind = "modbus-tcp"
address = "192.0.2.20:502"
poll_every = "5s"`;

export function FirstRun({ a }: { a: Assessment }) {
  const [gateways, set] = useState<Gateway[] | null>(null);
  useEffect(() => {
    const stop = new AbortController();
    const read = () =>
      get<{ gateways: Gateway[] }>("gateways", stop.signal)
        .then((g) => set(g.gateways))
        .catch(() => undefined);
    void read();
    const timer = setInterval(() => void read(), 10_000);
    return () => {
      clearInterval(timer);
      stop.abort();
    };
  }, []);
  const n = gateways?.length ?? 0;
  const up = gateways?.filter((g) => g.connected).length ?? 0;
  return (
    <section class="todo firstrun" aria-label="What to do next">
      <h2>What to do next</h2>
      <ol>
        <li>
          <b>Loops.</b>{" "}
          {a.loops > 0 ? (
            <>
              {countWord(a.loops, count)} {plural(a.loops, "stands", "stand")} in the <a href="/register">register</a>.
            </>
          ) : (
            <>
              Give a list of loops on the sheet <a href="/register/csv">Register as a file</a>: tag, unit, the value at 4 mA and at 20 mA; wiring and purpose where you know them. Without a list, loops come from the gateways and wait to be confirmed.
            </>
          )}
        </li>
        <li>
          <b>Gateways and inputs.</b>{" "}
          {n > 0 ? (
            <>
              {countWord(n, count)} {plural(n, "gateway is", "gateways are")} named in site.toml, {up === n ? "each with a session" : `${up === 0 ? "none" : count(up)} with a session`}: see <a href="/collection">Collection</a>.
            </>
          ) : (
            <>
              Name them in <code>site.toml</code> and start the service again. The program only reads.
              <pre>{SITE}</pre>
            </>
          )}
        </li>
        <li>
          <b>Or a record that exists.</b> A folder with <code>loops.csv</code> and <code>readings/</code> (CSV or Parquet) is taken with <code>loopwitness import SITE --store STORE</code> while the service is stopped.
        </li>
        <li>
          <b>Then wait a little.</b> Silence, a held signal and currents out of range show within minutes to hours; failed exchanges need two days, slow drift five days of running and about 14 for a date that is worth planning by. Each loop that cannot be judged stands on <a href="/not-judged">Not judged</a> with its reason.
        </li>
      </ol>
    </section>
  );
}
