// The same loops, sorted again and again under what they share: where tall strokes stand together, what they share is suspect.

import { computed } from "@preact/signals";
import { useEffect, useMemo, useState } from "preact/hooks";
import { leadFinding } from "../entries";
import { type Mark, Strip, type Terminal } from "../figures/strip";
import { byName, count, num } from "../format";
import { query, setParam } from "../route";
import { Said, When } from "../said";
import { assessment, loops, registerRead } from "../state";
import type { Assessment, LoopEntry } from "../types";
import { countWord, findingWords, plural, scopeWords } from "../words";
import { Waiting } from "./attention";

interface Sorting {
  scope: string;
  title: string;
  of: (l: LoopEntry) => string | null;
  order: string;
  wide: boolean;
}

const modem = (l: LoopEntry): string | null => (l.modem && l.gateway && !l.modem.startsWith(l.gateway) ? `${l.gateway}/${l.modem}` : l.modem);
const SORTINGS: readonly Sorting[] = [
  { scope: "junction_box", title: "Junction boxes", of: (l) => l.junction_box, order: "", wide: false },
  { scope: "input_card", title: "Input cards", of: (l) => l.input_card, order: "", wide: false },
  { scope: "modem", title: "Modems", of: modem, order: "Loops in order of channel.", wide: false },
  { scope: "gateway", title: "Gateways", of: (l) => l.gateway, order: "", wide: true },
  { scope: "supply", title: "Supplies", of: (l) => l.supply, order: "", wide: true },
  { scope: "device_revision", title: "Device types and revisions", of: (l) => (l.device_type === null ? null : `${l.device_type}/${l.device_revision ?? "?"}`), order: "", wide: true },
];
/** Strips without a finding are folded in a sorting with more strips than this. */
const MANY = 24;
/** Then so many strips with findings are drawn at once. */
const MOST = 40;

/** The register's loops in order of tag: one order for all sortings, since comparing ten thousand names takes time. */
const inOrder = computed<LoopEntry[]>(() => [...loops.value.values()].filter((l) => !l.retired).sort((a, b) => byName(a.tag, b.tag)));

function terminals(a: Assessment, all: ReadonlyMap<string, LoopEntry>): Map<string, Terminal> {
  const rows = new Map(a.attention.map((r) => [r.tag, r]));
  const unjudged = new Map(a.not_judged.filter((n) => n.what === "all").map((n) => [n.tag, n.why]));
  const out = new Map<string, Terminal>();
  for (const tag of all.keys()) {
    const row = rows.get(tag);
    const lasting = row?.findings.filter((f) => f.ended === null) ?? [];
    const lead = row && lasting.length > 0 ? (lasting.find((f) => f === leadFinding(row, null)) ?? lasting[0]) : undefined;
    const mark: Mark = lasting.some((f) => f.kind === "no-reply") ? "no-reply" : lead ? "finding" : unjudged.has(tag) ? "not-judged" : "quiet";
    out.set(tag, { tag, mark, words: lead ? findingWords(lead) : mark === "not-judged" ? `not judged: ${unjudged.get(tag) ?? ""}` : "nothing found" });
  }
  return out;
}

export function Wiring() {
  useEffect(() => {
    document.title = "Wiring, Loopwitness";
  }, []);
  const a = assessment.value;
  const all = loops.value;
  // One sorting at a time, the next after it is painted: the first is there to be read meanwhile.
  const [drawn, draw] = useState(1);
  useEffect(() => {
    if (all.size === 0 || a === null || drawn >= SORTINGS.length) return undefined;
    const next = setTimeout(() => draw(drawn + 1), 30);
    return () => clearTimeout(next);
  }, [drawn, all.size === 0, a === null]);
  if (a === null || !registerRead.value) return <Waiting />;
  return <Strips a={a} all={all} drawn={drawn} />;
}

function Strips({ a, all, drawn }: { a: Assessment; all: ReadonlyMap<string, LoopEntry>; drawn: number }) {
  const marks = useMemo(() => terminals(a, all), [a, all]);
  const asking = [...marks.values()].filter((t) => t.mark === "finding" || t.mark === "no-reply").length;
  const causes = a.common_causes;
  const folded = new Set(causes.flatMap((c) => c.tags)).size;
  const only = query.value.get("sorted") ?? "";
  const head =
    all.size === 0
      ? "No loops yet."
      : causes.length === 0
        ? asking === 0
          ? "Nothing is found on any strip."
          : `The ${count(asking)} ${plural(asking, "loop that asks", "loops that ask")} for attention ${plural(asking, "shares", "share")} no cause that the counts would show.`
        : `${countWord(folded, count)} of the loops that ask for attention come down to ${count(causes.length)} shared ${plural(causes.length, "cause", "causes")}.`;
  const known = SORTINGS.filter((s) => [...all.values()].some((l) => s.of(l) !== null));
  return (
    <>
      <div class="loop wire">
        <section class="lead">
          <h1 tabIndex={-1}>{head}</h1>
          <p class="sub">
            {known.length === 0
              ? "The register does not say where the loops are wired. Columns junction_box, input_card, supply, gateway and modem of loops.csv do; then this sheet shows what findings share."
              : `Below, the same ${count(all.size)} loops are sorted ${countWord(known.length, count).toLowerCase()} ${plural(known.length, "way", "ways")}, on each strip in order of tag. Where tall strokes stand together, the cause is in what they share; where a sorting scatters them, it is not.`}
          </p>
        </section>
        {known.length > 0 && <Legend />}
      </div>
      {causes.length > 0 && (
        <section class="cols causes" aria-label="Common causes">
          {causes.map((c) => (
            <div key={c.id}>
              <h2>
                {c.name} <span>{scopeWords(c.scope)}</span>
              </h2>
              <p class="why">
                <Said text={c.summary} of={c} />
              </p>
              <p class="meta">
                <span>
                  <b>since</b> <When t={c.onset} />
                </span>
                <span>
                  <b>attention</b> {num(c.score, 2)}
                </span>
              </p>
            </div>
          ))}
        </section>
      )}
      {known.length > 1 && (
        <form class="filt open" aria-label="Which sorting" onSubmit={(e) => e.preventDefault()}>
          <label>
            Sorted by
            <select value={only} onChange={(e) => setParam("sorted", e.currentTarget.value)}>
              <option value="">everything they share</option>
              {known.map((s) => (
                <option key={s.scope} value={s.scope}>
                  {s.title.toLowerCase()}
                </option>
              ))}
            </select>
          </label>
        </form>
      )}
      <div class="sorts">
        {known
          .filter((s) => only === "" || s.scope === only)
          .slice(0, drawn)
          .map((s) => (
            <Sorted key={s.scope} s={s} marks={marks} a={a} />
          ))}
      </div>
    </>
  );
}

function Sorted({ s, marks, a }: { s: Sorting; marks: ReadonlyMap<string, Terminal>; a: Assessment }) {
  const groups = new Map<string, LoopEntry[]>();
  let without = 0;
  for (const l of inOrder.value) {
    const name = s.of(l);
    if (name === null) without += 1;
    else {
      const list = groups.get(name);
      if (list) list.push(l);
      else groups.set(name, [l]);
    }
  }
  const strips = [...groups].sort(([x], [y]) => byName(x, y)).map(([name, list]) => {
    const sorted = s.scope === "modem" ? list.sort((x, y) => byName(x.channel ?? "", y.channel ?? "")) : list;
    // A cause of a device type holds for each of its revisions.
    const here = a.common_causes.filter((c) => (c.scope === s.scope && (c.name === name || name.endsWith(`/${c.name}`))) || (c.scope === "device_type" && s.scope === "device_revision" && name.startsWith(`${c.name}/`)));
    return { name, terminals: sorted.map((l) => marks.get(l.tag) ?? { tag: l.tag, mark: "quiet" as const, words: "" }), joined: new Set(here.flatMap((c) => c.tags)) };
  });
  const loud = strips.filter((x) => x.terminals.some((t) => t.mark === "finding" || t.mark === "no-reply"));
  const fold = strips.length > MANY;
  // Of very many the ones with a common cause and the most findings come first; the others are unfolded on demand.
  const heat = (x: (typeof strips)[number]) => (x.joined.size > 0 ? 1e6 : 0) + x.terminals.filter((t) => t.mark === "finding" || t.mark === "no-reply").length;
  const ranked = fold && loud.length > MOST ? [...loud].sort((x, y) => heat(y) - heat(x)) : loud;
  const shown = fold ? ranked.slice(0, MOST) : strips;
  const rest = fold ? ranked.slice(MOST) : [];
  const quiet = fold ? strips.filter((x) => !loud.includes(x)) : [];
  return (
    <section class={s.wide ? "sort wide1" : "sort"} aria-label={s.title}>
      <h2>{s.title}</h2>
      <p class="nt">
        {s.order}
        {without > 0 && ` ${count(without)} ${plural(without, "loop has", "loops have")} none in the register.`}
      </p>
      {shown.map((x) => (
        <Strip key={x.name} {...x} />
      ))}
      {rest.length > 0 && <Rest strips={rest} />}
      {quiet.length > 0 && (
        <details class="fold">
          <summary>
            {count(quiet.length)} more, nothing found on them
          </summary>
          <p class="quietnames">{quiet.map((x) => `${x.name}\u00a0(${x.terminals.length})`).join(", ")}</p>
        </details>
      )}
    </section>
  );
}

function Rest({ strips }: { strips: { name: string; terminals: Terminal[]; joined: Set<string> }[] }) {
  const [open, setOpen] = useState(false);
  return (
    <details class="fold" onToggle={(e) => setOpen((e.currentTarget as HTMLDetailsElement).open)}>
      <summary>{count(strips.length)} more with fewer findings</summary>
      {open && strips.map((x) => <Strip key={x.name} {...x} />)}
    </details>
  );
}

function Legend() {
  const marks: [string, string, string][] = [
    ["M45 16v8", "stk qu", "nothing found"],
    ["M135 6v28", "stk dif", "finding"],
    ["M225 6v10M225 25v9", "stk dif", "no reply"],
    ["M315 17h0M315 23h0", "dots", "not judged"],
  ];
  return (
    <figure class="legend">
      <svg class="fig" viewBox="0 0 362 64" width="362" height="64" role="img" aria-label="Short stroke: nothing found. Tall: finding. Broken: no reply. Two dots: not judged. A bar beneath joins loops of one cause.">
        <path class="rail" d="M1 10H360M1 30H360M1 10v20M90 10v20M180 10v20M270 10v20M360 10v20" />
        {marks.map(([d, mark, words], i) => (
          <g key={words}>
            <path class={mark} d={d} />
            <text class="t" x={45 + 90 * i} y="56" text-anchor="middle">
              {words}
            </text>
          </g>
        ))}
      </svg>
      <figcaption>One stroke a loop. A bar beneath joins the loops of one cause. Arrow keys walk along a strip, Enter opens the loop.</figcaption>
    </figure>
  );
}
