// What the watch could not judge, and why: silence must not read as health. First how much of the fleet is watched for each
// kind, then the loops by reason, with what would change it.

import { useEffect } from "preact/hooks";
import { loopPath } from "../api";
import { csvOf, saveAs } from "../csv";
import { FleetWatch } from "../figures/watch";
import { useWidth } from "../figures/width";
import { byName, count, num } from "../format";
import { query, setParam } from "../route";
import { assessment, loops } from "../state";
import type { Assessment } from "../types";
import { KIND_NAMES, countWord, kindWords, plural, whatWords } from "../words";
import { Waiting } from "./attention";

/** What would change it, by how the reason begins or what it holds. */
const REMEDIES: readonly (readonly [RegExp, string])[] = [
  [/no analog source/, "Add an input under [[analog]] in site.toml, or the column analog_ma to what is imported. Until then errors, status, restarts and a held digital value are judged."],
  [/range not confirmed/, "A person confirms range and transfer function on the sheet Register."],
  [/multidrop/, "By design: several devices share one pair and the current is parked. Digital value, status and failed exchanges are judged."],
  [/record too short|too few/, "Nothing to do: it is judged once enough has been seen."],
  [/never moved|stood still|did not move/, "Nothing to do: a value that never moved cannot be told from one that stopped. It is judged once it has moved."],
  [/two in the redundancy group/, "A third device that measures the same would tell which one departs."],
  [/alone in its redundancy group/, "Give the others the same redundancy_group in the register, or take it away here."],
  [/several units/, "Give the members of the group one unit in the register."],
  [/never replied|no readings/, "See on the sheet Collection whether its gateway has a session, and whether the register names the right channel."],
  [/transfer function/, "Its transfer function has a number that is not known here; the measured current is held against the reported one."],
];
const remedy = (why: string): string => REMEDIES.find(([r]) => r.test(why))?.[1] ?? "";

interface Group {
  why: string;
  /** Kinds that miss for the same loops stand together. */
  parts: { whats: string[]; tags: string[] }[];
  loops: number;
}

/** By reason; what cannot be judged at all first, then what touches most loops. */
function groupsOf(a: Assessment, takes: (tag: string) => boolean): Group[] {
  const byWhy = new Map<string, Map<string, string[]>>();
  for (const n of a.not_judged) {
    if (!takes(n.tag)) continue;
    const whats = byWhy.get(n.why) ?? new Map<string, string[]>();
    whats.set(n.what, [...(whats.get(n.what) ?? []), n.tag]);
    byWhy.set(n.why, whats);
  }
  const groups = [...byWhy].map(([why, whats]) => {
    const joined = new Map<string, { whats: string[]; tags: string[] }>();
    for (const [what, list] of whats) {
      const tags = [...new Set(list)].sort((x, y) => byName(x, y));
      const key = JSON.stringify(tags);
      const part = joined.get(key) ?? { whats: [], tags };
      part.whats.push(what);
      joined.set(key, part);
    }
    const parts = [...joined.values()].sort((x, y) => y.tags.length - x.tags.length);
    return { why, parts, loops: new Set(parts.flatMap((p) => p.tags)).size };
  });
  const whole = (g: Group) => Number(g.parts.some((p) => p.whats.includes("all")));
  return groups.sort((x, y) => whole(y) - whole(x) || y.loops - x.loops || byName(x.why, y.why));
}

export function NotJudged() {
  useEffect(() => {
    document.title = "Not judged, Loopwitness";
  }, []);
  const a = assessment.value;
  if (a === null) return <Waiting />;
  const find = (query.value.get("find") ?? "").trim().toLowerCase();
  const area = query.value.get("area") ?? "";
  const known = loops.value;
  const takes = (tag: string): boolean => {
    const l = known.get(tag);
    return (area === "" || l?.area === area) && (find === "" || [tag, l?.service, l?.area].some((t) => (t ?? "").toLowerCase().includes(find)));
  };
  const groups = groupsOf(a, takes);
  const all = new Set(a.not_judged.filter((n) => n.what === "all").map((n) => n.tag)).size;
  const some = new Set(a.not_judged.map((n) => n.tag)).size - all;
  return (
    <>
      <section class="lead">
        <h1 tabIndex={-1}>
          {a.not_judged.length === 0
            ? a.loops === 0
              ? "No loops yet."
              : `Each of the ${count(a.loops)} loops is judged for every kind.`
            : all === 0
              ? `${countWord(some, count)} ${plural(some, "loop is", "loops are")} judged only in part; each of the others for every kind.`
              : `${countWord(all, count)} ${plural(all, "loop is", "loops are")} not judged at all, ${count(some)} only in part.`}
        </h1>
        <p class="sub">Nothing found on these loops says nothing about them. What would change it stands beside each reason; where it is added, the next result takes it in.</p>
      </section>
      {a.loops > 0 && <Coverage a={a} />}
      {a.not_judged.length > 0 && <Filters a={a} groups={groups} />}
      {groups.map((g) => (
        <section class="njg" key={g.why}>
          <div>
            <h2>{g.why.charAt(0).toUpperCase() + g.why.slice(1)}</h2>
            <p class="nt">
              {count(g.loops)} {plural(g.loops, "loop", "loops")}
            </p>
            {remedy(g.why) !== "" && <p>{remedy(g.why)}</p>}
          </div>
          <div>
            {g.parts.map((p) => (
              <div key={p.whats.join()} class="njp">
                <p class="nt">not judged: {p.whats.map(whatWords).join("; ")}</p>
                <Tags tags={p.tags} />
              </div>
            ))}
          </div>
        </section>
      ))}
      {groups.length === 0 && a.not_judged.length > 0 && <p class="none">No loop fits. {count(all + some)} without the filter.</p>}
      {a.readings > 0 && <FleetWatch version={a.assessed_at ?? ""} />}
    </>
  );
}

/** For each kind a line as long as the share of the fleet that it is judged for; the rest is hatched. */
function Coverage({ a }: { a: Assessment }) {
  const blind = (kind: string): number => new Set(a.not_judged.filter((n) => n.what === kind || n.what === "all").map((n) => n.tag)).size;
  const rows = KIND_NAMES.map((kind) => ({ kind, missing: blind(kind) })).sort((x, y) => y.missing - x.missing);
  const some = rows.filter((r) => r.missing > 0);
  const full = rows.length - some.length;
  return (
    <section class="plain" aria-label="How much of the fleet is watched">
      <h2>How much of the fleet is watched, by kind</h2>
      {some.map((r) => (
        <Seen key={r.kind} name={kindWords(r.kind)} of={a.loops} missing={r.missing} />
      ))}
      {full > 0 && <Seen name={some.length === 0 ? "each kind" : `each of the other ${count(full)} kinds`} of={a.loops} missing={0} />}
      <p class="nt">Line: loops judged. Hatched: loops of which nothing can be said in that respect.</p>
    </section>
  );
}

function Seen({ name, of, missing }: { name: string; of: number; missing: number }) {
  const [ref, width] = useWidth<HTMLDivElement>();
  const x = (width * (of - missing)) / Math.max(1, of);
  // One loop of ten thousand is seen all the same.
  const edge = missing > 0 ? Math.min(x, width - 6) : width;
  return (
    <div class="seen">
      <span>{name}</span>
      <div ref={ref}>
        {width > 0 && (
          <svg width={width} height="12" viewBox={`0 0 ${width} 12`} role="img" aria-label={`${name}: judged for ${of - missing} of ${of} loops`}>
            <path class="whole" d={`M0 6H${edge}`} />
            {missing > 0 && <path class="gaps" d={`M${edge + 2} 6H${width}`} />}
          </svg>
        )}
      </div>
      <span class="r">
        {num(of - missing, 0)} of {num(of, 0)} loops
      </span>
    </div>
  );
}

function Filters({ a, groups }: { a: Assessment; groups: Group[] }) {
  const known = loops.value;
  const areas = [...new Set(a.not_judged.map((n) => known.get(n.tag)?.area).filter((x): x is string => !!x))].sort();
  const choose = (name: string) => (e: Event) => setParam(name, (e.currentTarget as HTMLInputElement).value);
  const csv = () =>
    saveAs(
      "not-judged-seen.csv",
      csvOf(
        ["tag", "service", "area", "what", "why"],
        groups.flatMap((g) => g.parts.flatMap((p) => p.tags.flatMap((tag) => p.whats.map((what) => [tag, known.get(tag)?.service, known.get(tag)?.area, what, g.why])))),
      ),
    );
  return (
    <form class="filt open" role="search" aria-label="Which loops" onSubmit={(e) => e.preventDefault()}>
      <label>
        Find
        <input id="find" type="search" value={query.value.get("find") ?? ""} placeholder="tag or word" onInput={choose("find")} />
      </label>
      <label>
        Area
        <select value={query.value.get("area") ?? ""} onChange={choose("area")}>
          <option value="">every area</option>
          {areas.map((x) => (
            <option key={x} value={x}>
              {x}
            </option>
          ))}
        </select>
      </label>
      <span class="as">
        <button type="button" onClick={csv}>
          CSV of these
        </button>
      </span>
    </form>
  );
}

const MANY = 200;

function Tags({ tags }: { tags: string[] }) {
  const link = (t: string) => (
    <li key={t}>
      <a class="tag" href={loopPath(t)}>
        {t}
      </a>
    </li>
  );
  if (tags.length <= MANY) return <ul class="tags">{tags.map(link)}</ul>;
  return (
    <details>
      <summary>their tags</summary>
      <ul class="tags">{tags.map(link)}</ul>
    </details>
  );
}
