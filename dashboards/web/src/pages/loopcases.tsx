// Cases of one loop, on its sheet: open ones with what they wait for, then what was.

import { useEffect, useState } from "preact/hooks";
import { casePath, get, said } from "../api";
import { closedWords, dueOf, stateWords } from "../casewords";
import { ms, signedPct } from "../format";
import { When } from "../said";
import { wall } from "../state";
import type { Case } from "../types";
import { kindWords } from "../words";

export function LoopCases({ tag, version }: { tag: string; version: string }) {
  const [cases, set] = useState<Case[] | null>(null);
  const [why, setWhy] = useState("");
  useEffect(() => {
    const stop = new AbortController();
    get<{ cases: Case[] }>(`cases?state=all&tag=${encodeURIComponent(tag)}`, stop.signal)
      .then((a) => {
        set(a.cases);
        setWhy("");
      })
      .catch((e: unknown) => {
        if (!stop.signal.aborted) setWhy(said(e));
      });
    return () => stop.abort();
  }, [tag, version]);
  const sorted = [...(cases ?? [])].sort((a, b) => Number(b.open) - Number(a.open) || ms(b.opened) - ms(a.opened));
  return (
    <div>
      <h2>Cases</h2>
      {why !== "" && <p>{why}</p>}
      {cases?.length === 0 && <p>None. A finding that persists opens one.</p>}
      <ul class="incases">
        {sorted.slice(0, 8).map((c) => (
          <li key={c.id}>
            <a href={casePath(c.id)}>
              {c.tag === null ? `${c.name ?? ""}: ` : ""}
              {kindWords(c.kind)}
            </a>
            <br />
            {c.open ? `${stateWords(c.state)}; ${dueOf(c, wall.value).words}` : closedWords(c)}, <When t={c.closed?.at ?? c.opened} />
            {c.attended && (c.attended.as_found_pct !== null || c.attended.as_left_pct !== null) && (
              <>
                <br />
                found {c.attended.as_found_pct === null ? "not measured" : signedPct(c.attended.as_found_pct)}, left {c.attended.as_left_pct === null ? "not measured" : signedPct(c.attended.as_left_pct)}
              </>
            )}
          </li>
        ))}
      </ul>
    </div>
  );
}
